package doc

import (
	"bytes"
	"fmt"
	"strings"
)

// Document is a document as far as it could be read.
type Document struct {
	Lines []string // of YAML, without line ends; none if it is too large
	Root  *Node    // nil after a problem, and never Empty in YAML

	text  []byte
	first int // the line that begins at from; 0: the first of the text
	from  int
}

// maxSourceKept is the longest line, in bytes, that a diagnostic carries.
const maxSourceKept = 8 << 10

// source returns a line of the text for a diagnostic, "" if it is too long.
func (d *Document) source(line int) string {
	from := 0
	n := line - 1
	if d.first > 0 && line >= d.first {
		from, n = d.from, line-d.first
	}
	for ; n > 0; n-- {
		end := bytes.IndexByte(d.text[from:], '\n')
		if end < 0 {
			return ""
		}
		from += end + 1
	}
	text := d.text[from:min(len(d.text), from+maxSourceKept+2)]
	if end := bytes.IndexByte(text, '\n'); end >= 0 {
		text = text[:end]
	}
	if text = bytes.TrimRight(text, " \t\r"); len(text) > maxSourceKept {
		return ""
	}
	return strings.ToValidUTF8(string(text), "\ufffd")
}

func problemAt(line, column int, reason, hint string) *Diagnostic {
	return &Diagnostic{Line: max(1, line), Column: max(1, column), Length: 1, Severity: SeverityError, Reason: reason, Hint: hint}
}

func tooLarge(size, most int, hint string) *Diagnostic {
	return problemAt(1, 1, fmt.Sprintf("the document has %d bytes; at most %d are allowed", size, most), hint)
}
