package kit

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"github.com/go-faster/jx"
)

// DecodeJSON reads a small JSON body into v. Members that v does not have are refused.
func (c *Call) DecodeJSON(v any) error {
	return c.DecodeJSONUpTo(min(c.server.opt.BodyLimit, 1<<20), v)
}

// DecodeJSONUpTo is decodeJSON for bodies of so many bytes.
func (c *Call) DecodeJSONUpTo(limit int64, v any) error {
	if _, err := c.WantType(MediaJSON); err != nil {
		return err
	}
	b, err := c.ReadBody(limit)
	if err != nil {
		return err
	}
	defer b.Release()
	text, err := CheckText(b.B)
	if err != nil {
		return err
	}
	return DecodeStrict(text, v)
}

// DecodeStrict decodes the JSON text into v. Members that v does not have, or that are there twice,
// are refused.
func DecodeStrict(text []byte, v any) error {
	if TooManyValues(text, maxValues) {
		return Problemf(CodeInvalidBody, "The body has more than %d values; send less at one time.", maxValues)
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	err := d.Decode(v)
	if err == nil {
		if name := RepeatedMember(text); name != "" {
			return Problemf(CodeInvalidBody, "The member %q is there twice.", name)
		}
		if _, err = d.Token(); err == io.EOF {
			return nil
		}
		return Problemf(CodeInvalidJSON, "Something follows the JSON value.")
	}
	var typ *json.UnmarshalTypeError
	switch {
	case !json.Valid(text):
		return Problemf(CodeInvalidJSON, "The body is not valid JSON: %s.", SyntaxReason(text, err))
	case errors.As(err, &typ):
		return Problemf(CodeInvalidBody, "The member %q is a %s; it must be %s.", typ.Field, typ.Value, jsonKind(typ.Type.Kind().String()))
	}
	return Problemf(CodeInvalidBody, "The body does not fit: %s.", Plain(err))
}

// OrSyntax returns what the JSON of a body breaks, else err.
func OrSyntax(body []byte, err error) error {
	if json.Valid(body) {
		return err
	}
	return Problemf(CodeInvalidJSON, "The body is not valid JSON: %s.", SyntaxReason(body, err))
}

// SyntaxReason says in Plain words what is wrong with a JSON text, from the standard library, whose
// messages name the place.
func SyntaxReason(body []byte, err error) string {
	var skip json.RawMessage
	stdErr := json.Unmarshal(body, &skip)
	var syn *json.SyntaxError
	if errors.As(stdErr, &syn) {
		return fmt.Sprintf("%v at byte %d", syn, syn.Offset)
	}
	if stdErr != nil {
		return stdErr.Error()
	}
	return err.Error()
}

// CheckText refuses what is no UTF-8 (RFC 8259, section 8.1) and drops a byte order mark.
func CheckText(body []byte) ([]byte, error) {
	body = bytes.TrimPrefix(body, []byte("\xef\xbb\xbf"))
	if !utf8.Valid(body) {
		return nil, Problemf(CodeInvalidJSON, "The body is not UTF-8.")
	}
	return body, nil
}

// RepeatedMember returns the name of a member that the object has twice, "" if none: of two values
// one would be dropped without a word.
func RepeatedMember(text []byte) string {
	d := jx.DecodeBytes(text)
	if d.Next() != jx.Object {
		return ""
	}
	seen := make(map[string]bool)
	repeated := ""
	_ = d.Obj(func(d *jx.Decoder, key string) error {
		if seen[key] && repeated == "" {
			repeated = key
		}
		seen[key] = true
		return d.Skip()
	})
	return repeated
}

// MustJSON marshals a value that is known to marshal.
func MustJSON(v any) []byte {
	b, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Sprintf("kit: %T does not marshal: %v", v, err))
	}
	return b
}

// jsonKind names a Go kind as JSON does.
func jsonKind(kind string) string {
	switch {
	case kind == "slice" || kind == "array":
		return "an array"
	case kind == "struct" || kind == "map":
		return "an object"
	case kind == "bool":
		return "true or false"
	case strings.HasPrefix(kind, "int") || strings.HasPrefix(kind, "uint"):
		return "a whole number"
	case strings.HasPrefix(kind, "float"):
		return "a number"
	}
	return "a text"
}

// Plain drops the package name in front of an error of the standard library.
func Plain(err error) string { return strings.TrimPrefix(err.Error(), "json: ") }
