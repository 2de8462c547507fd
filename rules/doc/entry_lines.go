package doc

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// memberLines writes one member of an entry: on one line, or as a block for a text of several.
func memberLines(key string, v *Node) []string {
	if v.Kind == Scalar && strings.Contains(v.Text, "\n") && blockable(v.Text) {
		head := plainOr(key, false) + ": |"
		text, ended := strings.CutSuffix(v.Text, "\n")
		if !ended {
			head += "-"
		}
		lines := []string{head}
		for _, line := range strings.Split(text, "\n") {
			if line != "" {
				line = "  " + line
			}
			lines = append(lines, line)
		}
		return lines
	}
	value := inline(v)
	if v.Kind == Scalar {
		value = plainOr(v.Text, false)
	}
	return []string{plainOr(key, false) + ": " + value}
}

// blockable reports whether a text of several lines can stand in a block without an indentation
// mark.
func blockable(text string) bool {
	text, _ = strings.CutSuffix(text, "\n")
	if strings.ContainsFunc(text, func(r rune) bool {
		return r < ' ' && r != '\n' || r >= 0x7f && r < 0xa0 || r == '\u2028' || r == '\u2029'
	}) {
		return false
	}
	return text != "" && text[0] != ' ' && text[0] != '\n' && !strings.HasSuffix(text, "\n")
}

// inline writes a value on one line.
func inline(n *Node) string {
	var parts []string
	switch n.Kind {
	case Sequence:
		for _, i := range n.Items {
			parts = append(parts, inline(i))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case Mapping:
		for _, f := range n.Fields {
			parts = append(parts, plainOr(f.Key.Text, true)+": "+inline(f.Value))
		}
		return "{" + strings.Join(parts, ", ") + "}"
	case Empty:
		return "null"
	}
	return plainOr(n.Text, true)
}

// plainOr writes a text without quotes where that is no question, else in quotes.
func plainOr(text string, brackets bool) string {
	plain := text != "" && strings.TrimSpace(text) == text && !strings.ContainsAny(text[:1], "-?:,[]{}#&*!|>'\"%@`=<.~") &&
		!strings.Contains(text, ": ") && !strings.Contains(text, " #") && !strings.HasSuffix(text, ":") &&
		!slices.Contains([]string{"null", "Null", "NULL"}, text) &&
		!strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r >= 0x7f && r <= 0xa0 || r == '\u2028' || r == '\u2029' }) &&
		!(brackets && strings.ContainsAny(text, ",[]{}\"':"))
	switch {
	case plain:
		return text
	case !strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r >= 0x7f && r < 0xa0 || r == '\u2028' || r == '\u2029' }):
		return "'" + strings.ReplaceAll(text, "'", "''") + "'"
	}
	return quoted(text)
}

// quoted writes a text as JSON does, which YAML reads too.
func quoted(text string) string {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(text); err != nil { // a text always has a form
		panic(fmt.Sprintf("doc: %v", err))
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// asJSON writes a value as JSON, all scalars as texts.
func asJSON(n *Node) string {
	var parts []string
	switch n.Kind {
	case Sequence:
		for _, i := range n.Items {
			parts = append(parts, asJSON(i))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case Mapping:
		for _, f := range n.Fields {
			parts = append(parts, quoted(f.Key.Text)+": "+asJSON(f.Value))
		}
		return "{" + strings.Join(parts, ", ") + "}"
	case Empty:
		return "null"
	}
	return quoted(n.Text)
}
