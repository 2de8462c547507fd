package event

import (
	"fmt"

	"github.com/tinylib/msgp/msgp"

	"lintel/engine/epc"
)

// codec encodes or decodes a record: a MessagePack array [version, field, ...]. A record is
// described once, by a function that visits its fields in the order in which they are stored:
//
//	func (d *Delivery) fields(c *codec) {
//		c.text(&d.ID)
//		num(c, &d.Status)
//		...
//
// New fields come last. A record that ends sooner was written by an earlier version; what it lacks
// is left as it is.
type codec struct {
	Decoder
	encoding bool
	left     int // fields that the record still has, while decoding
}

// newEncoder returns a codec that appends a record with this version and number of fields, the
// version included, to b.
func newEncoder(b []byte, version, fields int) codec {
	return codec{Decoder: Decoder{b: msgp.AppendInt(msgp.AppendArrayHeader(b, uint32(fields)), version)}, encoding: true}
}

// openRecord returns a codec that decodes a record with this version, of at least least and at most
// most fields, the version included. end returns what is wrong with it, after the fields were
// visited.
func openRecord(b []byte, version, least, most int) codec {
	c := codec{Decoder: NewDecoder(b)}
	n := c.Array()
	if c.err == nil && (n < least || n > most) {
		c.err = fmt.Errorf("it has %d fields, want %d", n, most)
	}
	if v := c.Int(); c.err == nil && v != version {
		c.err = fmt.Errorf("it has version %d, this Lintel reads %d", v, version)
	}
	c.left = n - 1
	return c
}

// end returns the error of a record, with what it is.
func (c *codec) end(what string) error {
	if c.err != nil {
		return fmt.Errorf("%s: %w", what, c.err)
	}
	return nil
}

// decoding reports whether a value is to be decoded now, and counts it.
func (c *codec) decoding() bool {
	c.left--
	return c.left >= 0 && c.err == nil
}

// advance goes on to the rest of what is decoded, and reports whether there was no error.
func (c *codec) advance(rest []byte, err error) bool {
	c.b, c.err = rest, err
	return err == nil
}

// text visits a text.
func (c *codec) text(p *string) {
	if c.encoding {
		c.b = msgp.AppendString(c.b, *p)
	} else if c.decoding() {
		v, rest, err := msgp.ReadStringZC(c.b)
		if c.advance(rest, err) {
			*p = string(v)
		}
	}
}

// flag visits a truth value.
func (c *codec) flag(p *bool) {
	if c.encoding {
		c.b = msgp.AppendBool(c.b, *p)
	} else if c.decoding() {
		*p = c.Bool()
	}
}

// num visits a whole number with a sign.
func num[T ~int | ~int16 | ~int64](c *codec, p *T) {
	if c.encoding {
		c.b = msgp.AppendInt64(c.b, int64(*p))
	} else if c.decoding() {
		v, rest, err := msgp.ReadInt64Bytes(c.b)
		if *p = T(v); c.advance(rest, err) && int64(*p) != v {
			c.err = msgp.IntOverflow{Value: v}
		}
	}
}

// unum visits a whole number without a sign.
func unum[T ~uint8 | ~uint32 | ~uint64](c *codec, p *T) {
	if c.encoding {
		c.b = msgp.AppendUint64(c.b, uint64(*p))
	} else if c.decoding() {
		v, rest, err := msgp.ReadUint64Bytes(c.b)
		if *p = T(v); c.advance(rest, err) && uint64(*p) != v {
			c.err = msgp.UintOverflow{Value: v}
		}
	}
}

// real visits a number with a fraction.
func (c *codec) real(p *float64) {
	if c.encoding {
		c.b = msgp.AppendFloat64(c.b, *p)
	} else if c.decoding() {
		*p = c.Float()
	}
}

// blob visits bytes.
func (c *codec) blob(p *[]byte) {
	if c.encoding {
		c.b = msgp.AppendBytes(c.b, *p)
	} else if c.decoding() {
		*p = c.Bytes()
	}
}

// texts visits a list of texts.
func (c *codec) texts(p *[]string) {
	if c.encoding {
		c.b = AppendStrings(c.b, *p)
	} else if c.decoding() {
		*p = c.Strings(nil)
	}
}

// identity visits a key, which is two fields.
func (c *codec) identity(p *epc.Key) {
	unum(c, &p.Hi)
	unum(c, &p.Lo)
}

// identities visits keys as one block of 16 bytes each.
func (c *codec) identities(p *[]epc.Key) {
	if c.encoding {
		c.b = appendKeys(c.b, *p)
	} else if c.decoding() {
		*p = c.Keys()
	}
}

// rows visits a list of structs, each of them as size values in one array with those of the others,
// or as one value of the array where size is 0 and the array tells how many structs there are.
func rows[T any](c *codec, p *[]T, size int, visit func(*T)) {
	per := max(size, 1)
	if c.encoding {
		c.b = msgp.AppendArrayHeader(c.b, uint32(per*len(*p)))
		for i := range *p {
			visit(&(*p)[i])
		}
		return
	}
	if !c.decoding() {
		return
	}
	left := c.left
	for n := c.Array() / per; n > 0 && c.err == nil; n-- {
		var row T
		c.left = 1 << 20
		visit(&row)
		*p = append(*p, row)
	}
	c.left = left
}
