package trial

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"iter"

	"github.com/go-faster/jx"
	"github.com/klauspost/compress/gzip"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// maxFactLine is the most bytes of one line of a facts file.
const maxFactLine = 64 << 10

// FactReader reads a facts file. It is not safe for concurrent use.
type FactReader struct {
	in      *bufio.Reader
	line    int
	last    [2]int64
	names   map[string]string // zones, read points: few, and always the same
	items   []itemSlot        // nil: none was read in a form that needs it
	d       jx.Decoder
	day     [10]byte // of the last time, as it was written
	dayMs   int64
	general bool // every line goes the general way
	export  exportForm
	fact    event.Fact
}

// The identities that were read last are kept: of most items there are several facts.
const itemSlots = 1 << 16

type itemSlot struct {
	words string
	key   epc.Key
	text  string
}

// FactError is what is wrong with a line of a facts file.
type FactError struct {
	Line   int // from 1
	Reason string
}

func (e *FactError) Error() string { return fmt.Sprintf("line %d: %s", e.Line, e.Reason) }

// NewFactReader begins to read a facts file: one JSON object a line, plain or gzip.
func NewFactReader(r io.Reader) (*FactReader, error) {
	in := bufio.NewReaderSize(r, 256<<10)
	if head, _ := in.Peek(2); len(head) == 2 && head[0] == 0x1f && head[1] == 0x8b { // RFC 1952, section 2.3.1
		z, err := gzip.NewReader(in)
		if err != nil {
			return nil, fmt.Errorf("the gzip data is damaged: %w", err)
		}
		in = bufio.NewReaderSize(z, 256<<10)
	}
	return &FactReader{in: in, names: make(map[string]string), last: [2]int64{-1, -1}}, nil
}

// Next returns the next fact, which is valid until the next call; io.EOF after the last. Other
// errors are *FactError, or come of the reader.
func (r *FactReader) Next() (*event.Fact, error) {
	for {
		line, err := r.readLine()
		if err != nil {
			return nil, err
		}
		r.line++
		if r.line == 1 {
			line = bytes.TrimPrefix(line, []byte("\ufeff"))
		}
		if line = bytes.TrimSpace(line); len(line) == 0 {
			continue
		}
		if err := r.parse(line); err != nil {
			return nil, &FactError{r.line, err.Error()}
		}
		return &r.fact, nil
	}
}

// Facts gives the facts that are left, for Run. It ends with the first error.
func (r *FactReader) Facts() iter.Seq2[*event.Fact, error] {
	return func(yield func(*event.Fact, error) bool) {
		for {
			f, err := r.Next()
			if err == io.EOF {
				return
			}
			if !yield(f, err) || err != nil {
				return
			}
		}
	}
}

func (r *FactReader) readLine() ([]byte, error) {
	line, err := r.in.ReadSlice('\n')
	switch {
	case err == nil, err == bufio.ErrBufferFull, err == io.EOF && len(line) > 0:
	case err == io.EOF:
		return nil, err
	default:
		return nil, fmt.Errorf("after line %d: the file breaks off or is damaged: %w", r.line, err)
	}
	if len(line) > maxFactLine {
		return nil, &FactError{r.line + 1, fmt.Sprintf("it is longer than %d bytes, which no fact is", maxFactLine)}
	}
	return line, nil
}

// parse reads one line: in the form that an export has, or in any other. Whether a line is taken,
// what it says and what is wrong with it does not depend on the way it is read.
func (r *FactReader) parse(line []byte) error {
	if r.general || !r.exported(line) {
		if err := r.decode(line); err != nil {
			return err
		}
	}
	f := &r.fact
	if id := [2]int64{f.Ms, int64(f.N)}; id[0] < r.last[0] || id[0] == r.last[0] && id[1] <= r.last[1] {
		return fmt.Errorf("the fact %d-%d does not come after %d-%d: facts must be in the order of their ids, each once", id[0], id[1],
			r.last[0], r.last[1])
	} else {
		r.last = id
	}
	return nil
}
