package engine

import (
	"github.com/tinylib/msgp/msgp"
)

// reader reads MessagePack values one after another and remembers the first error, so that a decoder reads as a list of fields.
type reader struct {
	b   []byte
	err error
}

func next[T any](r *reader, read func([]byte) (T, []byte, error)) T {
	var zero T
	if r.err != nil {
		return zero
	}
	v, rest, err := read(r.b)
	if err != nil {
		r.err = err
		return zero
	}
	r.b = rest
	return v
}

func (r *reader) array() int     { return int(next(r, msgp.ReadArrayHeaderBytes)) }
func (r *reader) int() int       { return next(r, msgp.ReadIntBytes) }
func (r *reader) int64() int64   { return next(r, msgp.ReadInt64Bytes) }
func (r *reader) uint8() uint8   { return next(r, msgp.ReadUint8Bytes) }
func (r *reader) uint32() uint32 { return next(r, msgp.ReadUint32Bytes) }
func (r *reader) uint64() uint64 { return next(r, msgp.ReadUint64Bytes) }
func (r *reader) bool() bool     { return next(r, msgp.ReadBoolBytes) }
func (r *reader) string() string { return next(r, msgp.ReadStringBytes) }

func (r *reader) float() float64 { return next(r, msgp.ReadFloat64Bytes) }

// bytes copies, so that the result outlives the buffer.
func (r *reader) bytes() []byte {
	v := next(r, msgp.ReadBytesZC)
	if v == nil {
		return nil
	}
	return append([]byte(nil), v...)
}

// view does not copy: the result lives as long as the buffer.
func (r *reader) view() []byte { return next(r, msgp.ReadBytesZC) }
