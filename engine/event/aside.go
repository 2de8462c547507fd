package event

import (
	"encoding/binary"
	"fmt"

	"github.com/tinylib/msgp/msgp"
)

// SetAside is the record of an entry that could not be folded: the site goes on without it.
type SetAside struct {
	Seq    uint64
	At     int64  // when that was decided, Unix milliseconds
	Reason string // why it could not be folded
	Again  uint64 // the entry that it was appended as once more, 0: it waits
	Data   []byte // the entry as it stood in the journal, while it waits
}

const setAsideVersion = 1

// SetAsideKey returns the key of the record of an entry.
func SetAsideKey(seq uint64) string { return string(binary.BigEndian.AppendUint64(nil, seq)) }

// AppendSetAside appends the encoding of a record: [version, at, reason, again, data].
func AppendSetAside(b []byte, a *SetAside) []byte {
	b = msgp.AppendArrayHeader(b, 5)
	b = msgp.AppendInt(b, setAsideVersion)
	b = msgp.AppendInt64(b, a.At)
	b = msgp.AppendString(b, a.Reason)
	b = msgp.AppendUint64(b, a.Again)
	return msgp.AppendBytes(b, a.Data)
}

// DecodeSetAside decodes a record. Its Data is a part of b.
func DecodeSetAside(key string, b []byte) (*SetAside, error) {
	if len(key) != 8 {
		return nil, fmt.Errorf("the record of an entry set aside has the key %x", key)
	}
	r := NewDecoder(b)
	n, version := r.Array(), r.Int()
	if r.err == nil && (n != 5 || version != setAsideVersion) {
		return nil, fmt.Errorf("the record of an entry set aside has version %d with %d fields, this Lintel reads version %d",
			version, n, setAsideVersion)
	}
	a := &SetAside{Seq: binary.BigEndian.Uint64([]byte(key)), At: r.Int64(), Reason: r.String(), Again: r.Uint64(), Data: r.View()}
	if r.err != nil {
		return nil, fmt.Errorf("the record of an entry set aside: %w", r.err)
	}
	return a, nil
}
