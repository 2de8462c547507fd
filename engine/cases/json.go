package cases

import (
	"regexp"
	"slices"
	"strconv"
	"strings"

	"lintel/rules/yamldoc"
)

// numeric are the keys of layouts and products whose values are numbers; all others are texts, so that nobody has to put quotes around a GTIN or a serial.
var numeric = []string{"min_rssi", "min_reads", "hysteresis_db", "completeness", "price", "min", "max"}

var numberForm = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?$`)

// appendJSON appends the value as JSON to b, for the readers of layouts and products; key is the key that it stands under.
func appendJSON(b []byte, n *yamldoc.Node, key string) []byte {
	switch n.Kind {
	case yamldoc.Scalar:
		if n.Style == yamldoc.Plain && slices.Contains(numeric, key) && numberForm.MatchString(n.Text) {
			return append(b, n.Text...)
		}
		return appendText(b, n.Text)
	case yamldoc.Sequence:
		b = append(b, '[')
		for i, v := range n.Items {
			if i > 0 {
				b = append(b, ',')
			}
			b = appendJSON(b, v, "")
		}
		return append(b, ']')
	case yamldoc.Mapping:
		b = append(b, '{')
		for i, f := range n.Fields {
			if i > 0 {
				b = append(b, ',')
			}
			b = append(appendText(b, f.Key.Text), ':')
			b = appendJSON(b, f.Value, f.Key.Text)
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

// find returns the value in n that a path such as zones[3].kind means, or the nearest around it that is there.
func find(n *yamldoc.Node, path string) *yamldoc.Node {
	for path != "" {
		word := path
		if k := strings.IndexAny(path[1:], ".["); k >= 0 {
			word = path[:k+1]
		}
		path = path[len(word):]
		var next *yamldoc.Node
		if text, ok := strings.CutPrefix(word, "["); ok {
			if i, err := strconv.Atoi(strings.TrimSuffix(text, "]")); err == nil && i >= 0 && i < len(n.Items) {
				next = n.Items[i]
			}
		} else {
			next = n.Get(strings.TrimPrefix(word, "."))
		}
		if next == nil {
			return n
		}
		n = next
	}
	return n
}
