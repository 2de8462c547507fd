package epc

import (
	"errors"
	"fmt"
	"unicode/utf8"
)

// Kind sorts errors by what a caller can do about them.
type Kind uint8

const (
	// Malformed: the text is none of the input forms, or is cut off or mistyped.
	Malformed Kind = iota + 1
	// NotGS1: the bits or the number are no GS1 EPC. The raw bits can still serve as an identity.
	NotGS1
	// Broken: it claims to be a GS1 EPC and its contents break the standard.
	Broken
	// Unsupported: an assigned scheme that this package does not decode.
	Unsupported
)

// ErrNotGS1 matches (errors.Is) an [Error] of kind [NotGS1].
var ErrNotGS1 = errors.New("not a GS1 EPC")

// ErrUnsupported matches (errors.Is) an [Error] of kind [Unsupported].
var ErrUnsupported = errors.New("EPC scheme not decoded")

// maxInput is the longest part of an input, in runes, that an error message repeats.
const maxInput = 64

// Error is what every parser and encoder of this package returns.
type Error struct {
	Kind    Kind
	Reason  string // what is wrong, where, and how to mend it
	Section string // for example "TDS 2.3 14.4.3"; empty for plain syntax
	Input   string // the input, cut to 64 runes; empty where the input was not text
}

func (e *Error) Error() string {
	msg := e.Reason
	if e.Section != "" {
		msg += " (" + e.Section + ")"
	}
	if e.Input != "" {
		msg = fmt.Sprintf("%q: %s", e.Input, msg)
	}
	return "epc: " + msg
}

// Is reports whether target is the sentinel of the error's kind.
func (e *Error) Is(target error) bool {
	switch target {
	case ErrNotGS1:
		return e.Kind == NotGS1
	case ErrUnsupported:
		return e.Kind == Unsupported
	}
	return false
}

func malformed(format string, args ...any) error {
	return &Error{Kind: Malformed, Reason: fmt.Sprintf(format, args...)}
}

func broken(section, format string, args ...any) error {
	return &Error{Kind: Broken, Section: section, Reason: fmt.Sprintf(format, args...)}
}

// withInput notes the text that an error is about.
func withInput(err error, input string) error {
	var e *Error
	if err != nil && errors.As(err, &e) {
		e.Input = truncate(input)
	}
	return err
}

// truncate cuts s to maxInput runes, so that hostile input cannot flood a log. Runes that are not
// UTF-8 are replaced.
func truncate(s string) string {
	out := make([]rune, 0, maxInput+1)
	for _, r := range s {
		if len(out) == maxInput {
			return string(append(out, '…'))
		}
		out = append(out, r)
	}
	if utf8.ValidString(s) {
		return s
	}
	return string(out)
}
