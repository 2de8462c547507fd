package cases

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// numeric are the keys of layouts and products whose values are numbers; all others are texts, so that nobody has to put quotes around a GTIN or a serial.
var numeric = []string{"min_rssi", "min_reads", "hysteresis_db", "completeness", "price", "min", "max"}

var numberForm = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?$`)

// json appends the value as JSON to b, for the readers of layouts and products; key is the key that it stands under.
func (n *node) json(b []byte, key string) []byte {
	switch n.kind {
	case scalar:
		if n.plain && slices.Contains(numeric, key) && numberForm.MatchString(n.text) {
			return append(b, n.text...)
		}
		return appendText(b, n.text)
	case seq:
		b = append(b, '[')
		for i, v := range n.items {
			if i > 0 {
				b = append(b, ',')
			}
			b = v.json(b, "")
		}
		return append(b, ']')
	case table:
		b = append(b, '{')
		for i, f := range n.fields {
			if i > 0 {
				b = append(b, ',')
			}
			b = append(appendText(b, f.key.text), ':')
			b = f.value.json(b, f.key.text)
		}
		return append(b, '}')
	}
	return append(b, "null"...)
}

// appendText writes a JSON string. Control characters were refused before, but for those that YAML can escape.
func appendText(b []byte, s string) []byte {
	b = append(b, '"')
	for _, r := range strings.ToValidUTF8(s, "\ufffd") {
		switch {
		case r == '"' || r == '\\':
			b = append(b, '\\', byte(r))
		case r < ' ':
			b = append(b, '\\', 'u', '0', '0', "0123456789abcdef"[r>>4], "0123456789abcdef"[r&15])
		default:
			b = append(b, string(r)...)
		}
	}
	return append(b, '"')
}

// find returns the value that a path such as zones[3].kind means, or the nearest around it that is there.
func (n *node) find(path string) *node {
	for path != "" {
		word := path
		if k := strings.IndexAny(path[1:], ".["); k >= 0 {
			word = path[:k+1]
		}
		path = path[len(word):]
		var next *node
		if text, ok := strings.CutPrefix(word, "["); ok {
			if i, err := strconv.Atoi(strings.TrimSuffix(text, "]")); err == nil && i >= 0 && i < len(n.items) {
				next = n.items[i]
			}
		} else {
			next = n.get(strings.TrimPrefix(word, "."))
		}
		if next == nil {
			return n
		}
		n = next
	}
	return n
}
