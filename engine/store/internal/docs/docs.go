package docs

import (
	"errors"
	"fmt"
	"sync"

	"github.com/klauspost/compress/zstd"
	"github.com/tinylib/msgp/msgp"

	"lintel/engine/store"
)

// CompressFrom is the size in bytes from which a body is compressed.
const CompressFrom = 4 << 10

const headFormat = 1

// The first byte of a stored body.
const (
	bodyPlain = 0
	bodyZstd  = 1
)

// coder is shared: both halves are safe for concurrent use with EncodeAll and DecodeAll. It is made
// on first use, for it owns megabytes.
var coder = sync.OnceValues(func() (*zstd.Encoder, *zstd.Decoder) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1))
	if err != nil {
		panic(err) // only a wrong option can cause it
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(store.MaxValue))
	if err != nil {
		panic(err)
	}
	return enc, dec
})

// AppendHead appends everything but name and body.
func AppendHead(b []byte, d *store.Document) []byte {
	b = append(b, headFormat)
	b = msgp.AppendInt(b, d.Version)
	b = msgp.AppendTime(b, d.At)
	b = msgp.AppendString(b, d.By)
	return msgp.AppendString(b, d.Note)
}

// ReadHead reads what AppendHead wrote and returns what follows it.
func ReadHead(name string, b []byte) (store.Document, []byte, error) {
	d := store.Document{Name: name}
	if len(b) == 0 || b[0] != headFormat {
		return d, nil, fmt.Errorf("document %q: stored in a format that this version does not know", name)
	}
	var errs [4]error
	d.Version, b, errs[0] = msgp.ReadIntBytes(b[1:])
	d.At, b, errs[1] = msgp.ReadTimeBytes(b)
	d.By, b, errs[2] = msgp.ReadStringBytes(b)
	d.Note, b, errs[3] = msgp.ReadStringBytes(b)
	if err := errors.Join(errs[:]...); err != nil {
		return d, nil, fmt.Errorf("document %q: damaged head: %w", name, err)
	}
	d.At = d.At.UTC()
	return d, b, nil
}

// AppendBody appends the stored form of a body.
func AppendBody(b, body []byte) []byte {
	if len(body) <= CompressFrom {
		return append(append(b, bodyPlain), body...)
	}
	enc, _ := coder()
	return enc.EncodeAll(body, append(b, bodyZstd))
}

// ReadBody returns the body that AppendBody stored, in fresh memory.
func ReadBody(name string, b []byte) ([]byte, error) {
	if len(b) == 0 {
		return nil, fmt.Errorf("document %q: damaged body: empty", name)
	}
	switch b[0] {
	case bodyPlain:
		return append([]byte{}, b[1:]...), nil
	case bodyZstd:
		_, dec := coder()
		body, err := dec.DecodeAll(b[1:], nil)
		if err != nil {
			return nil, fmt.Errorf("document %q: damaged body: %w", name, err)
		}
		return body, nil
	}
	return nil, fmt.Errorf("document %q: body stored in a format that this version does not know", name)
}
