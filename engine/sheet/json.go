package sheet

import (
	"bufio"
	"encoding/json"
	"io"
)

// WriteJSON writes the rows as one JSON array of objects, a row on each line. Objects have the
// columns' keys in order; an empty cell is null, numbers and amounts are numbers with all their
// decimal places, dates and times are texts by RFC 3339.
func WriteJSON(w io.Writer, t Table) error {
	return writeJSON(w, t, "[", ",", "\n]\n")
}

// WriteJSONLines writes the rows as WriteJSON does, but as one object on each line and nothing
// around them.
func WriteJSONLines(w io.Writer, t Table) error {
	return writeJSON(w, t, "", "", "")
}

func writeJSON(w io.Writer, t Table, open, between, shut string) error {
	if err := t.check(); err != nil {
		return err
	}
	keys := make([]string, len(t.Columns))
	for i := range t.Columns {
		keys[i] = string(append(appendJSONText(nil, t.Columns[i].key()), ':'))
	}
	out := bufio.NewWriterSize(w, 32<<10)
	if _, err := out.WriteString(open); err != nil {
		return err
	}
	zone, lines := t.zone(), open == ""
	var b []byte
	err := t.each(func(n int, row []Cell) error {
		b = b[:0]
		if !lines {
			if n > 1 {
				b = append(b, between...)
			}
			b = append(b, '\n')
		}
		b = append(b, '{')
		for i, c := range row {
			if i > 0 {
				b = append(b, ',')
			}
			b = append(b, keys[i]...)
			switch c.kind {
			case cellEmpty:
				b = append(b, "null"...)
			case cellText:
				b = appendJSONText(b, c.text)
			case cellDate, cellTime:
				b = append(b, '"')
				b = c.appendPlain(b, &t.Columns[i], zone)
				b = append(b, '"')
			default:
				b = c.appendPlain(b, &t.Columns[i], zone)
			}
		}
		b = append(b, '}')
		if lines {
			b = append(b, '\n')
		}
		_, err := out.Write(b)
		return err
	})
	if err != nil {
		return err
	}
	if _, err := out.WriteString(shut); err != nil {
		return err
	}
	return out.Flush()
}

// appendJSONText appends a JSON string. What needs no escape, nearly all texts, is copied; the
// standard library does the rest.
func appendJSONText(b []byte, s string) []byte {
	for i := range len(s) {
		if c := s[i]; c < ' ' || c > '~' || c == '"' || c == '\\' || c == '<' || c == '>' || c == '&' {
			quoted, err := json.Marshal(s)
			if err != nil { // of a string it never fails
				return append(b, `""`...)
			}
			return append(b, quoted...)
		}
	}
	b = append(b, '"')
	b = append(b, s...)
	return append(b, '"')
}
