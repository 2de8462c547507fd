package api

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

// decodeJSON reads a small JSON body into v. Members that v does not have are refused.
func (c *call) decodeJSON(v any) error { return c.decodeJSONUpTo(min(c.api.opt.BodyLimit, 1<<20), v) }

// decodeJSONUpTo is decodeJSON for bodies of so many bytes.
func (c *call) decodeJSONUpTo(limit int64, v any) error {
	if _, err := c.wantType(mediaJSON); err != nil {
		return err
	}
	b, err := c.readBody(limit)
	if err != nil {
		return err
	}
	defer b.release()
	text, err := checkText(b.b)
	if err != nil {
		return err
	}
	return decodeStrict(text, v)
}

func decodeStrict(text []byte, v any) error {
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	err := d.Decode(v)
	if err == nil {
		if name := repeatedMember(text); name != "" {
			return problemf(codeInvalidBody, "The member %q is there twice.", name)
		}
		if _, err = d.Token(); err == io.EOF {
			return nil
		}
		return problemf(codeInvalidJSON, "Something follows the JSON value.")
	}
	var typ *json.UnmarshalTypeError
	switch {
	case !json.Valid(text):
		return problemf(codeInvalidJSON, "The body is not valid JSON: %s.", syntaxReason(text, err))
	case errors.As(err, &typ):
		return problemf(codeInvalidBody, "The member %q is a %s; it must be %s.", typ.Field, typ.Value, jsonKind(typ.Type.Kind().String()))
	}
	return problemf(codeInvalidBody, "The body does not fit: %s.", plain(err))
}

// orSyntax returns what the JSON of a body breaks, else err.
func orSyntax(body []byte, err error) error {
	if json.Valid(body) {
		return err
	}
	return problemf(codeInvalidJSON, "The body is not valid JSON: %s.", syntaxReason(body, err))
}

// syntaxReason says in plain words what is wrong with a JSON text, from the standard library, whose messages name the place.
func syntaxReason(body []byte, err error) string {
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

// checkText refuses what is no UTF-8 (RFC 8259, section 8.1) and drops a byte order mark.
func checkText(body []byte) ([]byte, error) {
	body = bytes.TrimPrefix(body, []byte("\xef\xbb\xbf"))
	if !utf8.Valid(body) {
		return nil, problemf(codeInvalidJSON, "The body is not UTF-8.")
	}
	return body, nil
}

// repeatedMember returns the name of a member that the object has twice, "" if none: of two values one would be dropped without a word.
func repeatedMember(text []byte) string {
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

// mustJSON marshals a value that is known to marshal.
func mustJSON(v any) []byte {
	b, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Sprintf("api: %T does not marshal: %v", v, err))
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

// plain drops the package name in front of an error of the standard library.
func plain(err error) string { return strings.TrimPrefix(err.Error(), "json: ") }
