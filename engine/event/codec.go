package event

import (
	"github.com/tinylib/msgp/msgp"
)

// Decoder reads MessagePack values one after another and remembers the first error, so that a
// decoder reads as a list of fields.
type Decoder struct {
	b   []byte
	err error
}

// NewDecoder returns a Decoder of the values in b.
func NewDecoder(b []byte) Decoder { return Decoder{b: b} }

// Err returns the first error that a value met, nil if there is none.
func (r *Decoder) Err() error { return r.err }

func next[T any](r *Decoder, read func([]byte) (T, []byte, error)) T {
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

func (r *Decoder) Array() int     { return int(next(r, msgp.ReadArrayHeaderBytes)) }
func (r *Decoder) Int() int       { return next(r, msgp.ReadIntBytes) }
func (r *Decoder) Int64() int64   { return next(r, msgp.ReadInt64Bytes) }
func (r *Decoder) Uint8() uint8   { return next(r, msgp.ReadUint8Bytes) }
func (r *Decoder) Uint32() uint32 { return next(r, msgp.ReadUint32Bytes) }
func (r *Decoder) Uint64() uint64 { return next(r, msgp.ReadUint64Bytes) }
func (r *Decoder) Bool() bool     { return next(r, msgp.ReadBoolBytes) }
func (r *Decoder) String() string { return next(r, msgp.ReadStringBytes) }

func (r *Decoder) Float() float64 { return next(r, msgp.ReadFloat64Bytes) }

// bytes copies, so that the result outlives the buffer.
func (r *Decoder) Bytes() []byte {
	v := next(r, msgp.ReadBytesZC)
	if v == nil {
		return nil
	}
	return append([]byte(nil), v...)
}

// view does not copy: the result lives as long as the buffer.
func (r *Decoder) View() []byte { return next(r, msgp.ReadBytesZC) }
