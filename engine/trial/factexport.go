package trial

import (
	"encoding/binary"
	"maps"
	"math"
	"slices"

	"lintel/engine/epc"
	"lintel/engine/event"
)

// An export writes every fact the same way: these members in this order, without blanks, those that
// say nothing left out. Lines of that form are read in one pass, without a look at JSON in general.
// All that is not exactly so, were it one blank, an escape in a string, an identity that is
// refused, goes the general way, which alone knows what is allowed and what is wrong.

// exportForm is what reading that form keeps from line to line.
type exportForm struct {
	gtins       [gtinSlots]uint64 // that identities were read of, 0: none
	names       [wordSlots]string // zones and read points
	ref         string            // of the last fact that had one
	cause       lastWord[event.Cause]
	disposition lastWord[event.Disposition]
}

const (
	gtinSlots = 1 << 12
	wordSlots = 1 << 8
)

// exported reads a line of the form that an export has. False: it is of another form, or something
// is wrong with it, and r.fact means nothing.
func (r *FactReader) exported(line []byte) bool {
	f := &r.fact
	*f = event.Fact{}
	b, ok := after(line, `{"id":"`)
	if !ok {
		return false
	}
	ms, b, ok := manyDigits(b)
	if !ok || len(b) == 0 || b[0] != '-' || ms > maxMs {
		return false
	}
	n, b, ok := digits(b[1:])
	if !ok || n > math.MaxUint32 {
		return false
	}
	f.Ms, f.N = int64(ms), uint32(n)
	if b, ok = after(b, `","sequence":`); !ok {
		return false
	}
	if f.Seq, b, ok = natural(b, math.MaxInt64); !ok {
		return false
	}
	if b, ok = after(b, `,"cause":"`); !ok {
		return false
	}
	if f.Cause, b, ok = r.export.cause.read(b, causeTable); !ok {
		return false
	}
	if b, ok = after(b, `,"at":"`); !ok {
		return false
	}
	if b, ok = r.exportedTime(b); !ok {
		return false
	}
	if rest, here := after(b, `,"item":"`); here {
		if b, ok = r.exportedItem(rest); !ok {
			return false
		}
	}
	if rest, here := after(b, `,"gtin":"`); here {
		if f.GTIN, b, ok = manyDigits(rest); !ok || len(rest)-len(b) != 14 {
			return false
		}
		if b, ok = after(b, `"`); !ok {
			return false
		}
	}
	if rest, here := after(b, `,"disposition":"`); here {
		if f.Disp, b, ok = r.export.disposition.read(rest, dispositionTable); !ok {
			return false
		}
	}
	if rest, here := after(b, `,"zone":"`); here {
		if f.Zone, b, ok = r.word(rest); !ok {
			return false
		}
	}
	if rest, here := after(b, `,"from":"`); here {
		if f.From, b, ok = r.word(rest); !ok {
			return false
		}
	}
	if len(b) > 1 {
		if b, ok = r.exportedRest(b); !ok {
			return false
		}
	}
	return len(b) == 1 && b[0] == '}'
}

// lastWord is a word of a table as the last line had it: mostly the next one has it too.
type lastWord[T any] struct {
	word string
	of   T
}

// read reads a word of the table and its closing quotation mark.
func (l *lastWord[T]) read(b []byte, table *wordTable[T]) (of T, rest []byte, ok bool) {
	if rest, same := closed(b, l.word); same {
		return l.of, rest, l.word != ""
	}
	text, rest, ok := quoted(b)
	if !ok {
		return of, nil, false
	}
	l.word, l.of, ok = table.find(text)
	return l.of, rest, ok
}

func (r *FactReader) exportedTime(b []byte) ([]byte, bool) {
	n := 20 // 2026-11-25T09:14:07Z, and up to three decimals
	for n < 24 && n < len(b) && b[n-1] != 'Z' {
		n++
	}
	if n >= len(b) || b[n] != '"' {
		return nil, false
	}
	ok := false
	r.fact.At, ok = r.moment(b[:n])
	return b[n+1:], ok
}

// exportedRest reads the members that most facts don't have.
func (r *FactReader) exportedRest(b []byte) ([]byte, bool) {
	f, ok := &r.fact, false
	if rest, here := after(b, `,"read_point":"`); here {
		if f.Point, b, ok = r.word(rest); !ok {
			return nil, false
		}
	}
	if rest, here := after(b, `,"ref":"`); here {
		var text []byte
		if text, b, ok = quoted(rest); !ok {
			return nil, false
		}
		if r.export.ref != string(text) {
			r.export.ref = string(text)
		}
		f.Ref = r.export.ref
	}
	if rest, here := after(b, `,"passage":{`); here {
		if b, ok = r.exportedPassage(rest); !ok {
			return nil, false
		}
	}
	for _, m := range [...]struct {
		name string
		to   *int
	}{{`,"count":`, &f.Count}, {`,"expected":`, &f.Expected}, {`,"missing":`, &f.MissingItems}, {`,"unexpected":`, &f.Unexpected}} {
		if rest, here := after(b, m.name); here {
			var n uint64
			if n, b, ok = natural(rest, math.MaxInt32); !ok {
				return nil, false
			}
			*m.to = int(n)
		}
	}
	return b, true
}

// exportedItem reads an identity and its closing quotation mark. The form that nearly all have is
// (01), a GTIN of 14 digits, (21) and a serial of digits alone: once an identity of a GTIN was read
// the general way, only the serial of the next ones is looked at.
func (r *FactReader) exportedItem(b []byte) ([]byte, bool) {
	f := &r.fact
	if gtin, serial, rest, ok := plainItem(b); ok {
		slot := &r.export.gtins[gtin%gtinSlots]
		key := epc.Key{Hi: sgtinKind<<60 | gtin, Lo: serial}
		if *slot == gtin && gtin != 0 {
			f.Key = key
			return rest, true
		}
		id, err := epc.Parse(string(b[:len(b)-len(rest)-1]))
		if err != nil || id.Key() != key {
			return nil, false
		}
		*slot, f.Key = gtin, key
		return rest, true
	}
	text, rest, ok := quoted(b)
	if !ok {
		return nil, false
	}
	var err error
	f.Key, f.Text, err = r.identity(text)
	return rest, err == nil
}

// sgtinKind is the kind of a key, in its top four bits, that holds a GTIN and a numeric serial as
// they are.
const sgtinKind = 1

// plainItem takes (01)09521234000013(21)77" apart. The serial does not begin with a 0 that is part
// of it, nor has so many digits that a number can't hold them.
func plainItem(b []byte) (gtin, serial uint64, rest []byte, ok bool) {
	if len(b) < 24 || string(b[:4]) != "(01)" || string(b[18:22]) != "(21)" || b[22] == '0' && b[23] != '"' {
		return 0, 0, nil, false
	}
	gtin, end, ok := manyDigits(b[4:18])
	if !ok || len(end) > 0 {
		return 0, 0, nil, false
	}
	serial, rest, ok = digits(b[22:])
	if !ok || len(rest) == 0 || rest[0] != '"' {
		return 0, 0, nil, false
	}
	return gtin, serial, rest[1:], true
}

func (r *FactReader) exportedPassage(b []byte) ([]byte, bool) {
	v := event.Passage{Peak: event.NoRSSI}
	b, ok := after(b, `"direction":"`)
	if !ok {
		return nil, false
	}
	text, b, ok := quoted(b)
	if !ok {
		return nil, false
	}
	if _, v.Direction, ok = directionTable.find(text); !ok {
		return nil, false
	}
	if rest, here := after(b, `,"door":"`); here {
		door, end, ok := quoted(rest)
		if !ok {
			return nil, false
		}
		v.Door, b = r.intern(door), end
	}
	if rest, here := after(b, `,"sure":`); here {
		if b, ok = after(rest, "true"); !ok {
			if b, ok = after(rest, "false"); !ok {
				return nil, false
			}
			v.Likely = true
		}
	}
	if b, ok = after(b, `,"confidence":`); !ok {
		return nil, false
	}
	if v.Confidence, b, ok = decimal(b); !ok || v.Confidence > 1 {
		return nil, false
	}
	if b, ok = after(b, `,"reads":`); !ok {
		return nil, false
	}
	reads, b, ok := natural(b, math.MaxInt32)
	if !ok {
		return nil, false
	}
	v.Reads = int(reads)
	if rest, here := after(b, `,"peak_rssi":`); here {
		sign := 1.0
		if below, minus := after(rest, "-"); minus {
			rest, sign = below, -1
		}
		db := 0.0
		if db, b, ok = decimal(rest); !ok || db > 1000 {
			return nil, false
		}
		v.Peak = int16(math.Round(sign * db * 10))
	}
	if b, ok = after(b, `,"seconds":`); !ok {
		return nil, false
	}
	seconds, b, ok := decimal(b)
	if !ok || seconds > 1e6 {
		return nil, false
	}
	v.Span = int64(math.Round(seconds * 1000))
	r.fact.Passage = v
	return after(b, "}")
}

// after cuts off what b must begin with.
func after(b []byte, begin string) ([]byte, bool) {
	if len(b) < len(begin) || string(b[:len(begin)]) != begin {
		return b, false
	}
	return b[len(begin):], true
}

// closed cuts off a string that b must begin with, and its closing quotation mark.
func closed(b []byte, text string) ([]byte, bool) {
	if len(b) <= len(text) || b[len(text)] != '"' || string(b[:len(text)]) != text {
		return nil, false
	}
	return b[len(text)+1:], true
}

// manyDigits is digits, for numbers that mostly have eight or more.
func manyDigits(b []byte) (n uint64, rest []byte, ok bool) {
	if len(b) < 8 {
		return digits(b)
	}
	n, ok = eightDigits(binary.LittleEndian.Uint64(b))
	if !ok {
		return digits(b)
	}
	i := 8
	for i < len(b) && i < 18 && b[i]-'0' <= 9 {
		n = n*10 + uint64(b[i]-'0')
		i++
	}
	return n, b[i:], true
}

// eightDigits reads eight digits at one time, the first in the lowest byte: pairs, then fours, then
// all. That all are digits shows by adding 6, which carries only those from 0 to 9 no further than
// their own half byte.
func eightDigits(w uint64) (uint64, bool) {
	const halves, six, threes = 0xf0f0f0f0f0f0f0f0, 0x0606060606060606, 0x3030303030303030
	if w&halves != threes || (w+six)&halves != threes {
		return 0, false
	}
	w -= threes
	w = w*10 + w>>8
	const fours = 0x000000ff000000ff
	return (w&fours*(100+1_000_000<<32) + w>>16&fours*(1+10_000<<32)) >> 32, true
}

// quoted reads a string without escapes to its closing quotation mark.
func quoted(b []byte) (text, rest []byte, ok bool) {
	for i, c := range b {
		if c < ' ' || c == '\\' {
			break
		}
		if c == '"' {
			return b[:i], b[i+1:], true
		}
	}
	return nil, nil, false
}

// natural reads a whole number as JSON writes it, which the end of a member follows.
func natural(b []byte, most uint64) (n uint64, rest []byte, ok bool) {
	n, rest, ok = digits(b)
	ok = ok && n <= most && (b[0] != '0' || len(b)-len(rest) == 1) && len(rest) > 0 && (rest[0] == ',' || rest[0] == '}')
	return n, rest, ok
}

var pow10 = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6}

// decimal reads a number such as 0.123456 which the end of a member follows. A quotient of two
// whole numbers that a float64 holds as they are is rounded right: it is the nearest one.
func decimal(b []byte) (v float64, rest []byte, ok bool) {
	whole, rest, ok := digits(b)
	if !ok || b[0] == '0' && len(b)-len(rest) != 1 || len(rest) == 0 || whole >= 1e9 {
		return 0, nil, false
	}
	v = float64(whole)
	if rest[0] == '.' {
		part, end, ok := digits(rest[1:])
		places := len(rest) - 1 - len(end)
		if !ok || places >= len(pow10) || len(end) == 0 {
			return 0, nil, false
		}
		v, rest = (v*pow10[places]+float64(part))/pow10[places], end
	}
	return v, rest, rest[0] == ',' || rest[0] == '}'
}

// word reads the name of a zone or a read point to its closing quotation mark.
func (r *FactReader) word(b []byte) (string, []byte, bool) {
	text, rest, ok := quoted(b)
	if !ok {
		return "", nil, false
	}
	slot := &r.export.names[wordHash(text)%wordSlots]
	if *slot != string(text) {
		*slot = r.intern(text)
	}
	return *slot, rest, true
}

// wordHash tells most short words apart that zones, read points, causes and dispositions are called
// by.
func wordHash(b []byte) uint32 {
	if len(b) == 0 {
		return 0
	}
	return uint32(len(b)) + uint32(b[0])*5 + uint32(b[len(b)/2])*11 + uint32(b[len(b)-1])*23
}

// wordTable finds what a few words that never change stand for.
type wordTable[T any] [wordSlots]struct {
	word string
	of   T
}

func tableOf[T any](words map[string]T) *wordTable[T] {
	t := new(wordTable[T])
	for _, word := range slices.Sorted(maps.Keys(words)) {
		i := wordHash([]byte(word)) % wordSlots
		for t[i].word != "" {
			i = (i + 1) % wordSlots
		}
		t[i].word, t[i].of = word, words[word]
	}
	return t
}

// find looks up a word, and gives it as a string. The words fill a small part of the table.
func (t *wordTable[T]) find(b []byte) (word string, of T, ok bool) {
	for i := wordHash(b) % wordSlots; t[i].word != ""; i = (i + 1) % wordSlots {
		if t[i].word == string(b) {
			return t[i].word, t[i].of, true
		}
	}
	return "", of, false
}

var causeTable, dispositionTable, directionTable = tableOf(causes), tableOf(dispositions), tableOf(directions)
