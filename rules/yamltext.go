package rules

import (
	"strings"

	"lintel/rules/doc"
)

// scalar is one text of the document with its place, so that an error inside it can point into the
// file.
type scalar struct {
	text  string
	lines []string  // of the whole document
	line  int       // where it begins, from 1: the first character, the quote, or the | or > of a block
	col   int       // in characters, from 1
	style doc.Style // how it is written
}

// place is a line and a column in characters, both from 1.
type place struct{ line, column int }

// commentAfter reports whether a YAML comment follows the text, which ends at a place: in a text without
// quotes it may have been meant as a part of it.
func (s *scalar) commentAfter(end place) bool {
	if s.style != doc.Plain || end.line > len(s.lines) {
		return false
	}
	line := []rune(s.lines[end.line-1])
	return strings.HasPrefix(strings.TrimLeft(string(line[min(len(line), end.column-1):]), " \t"), "#")
}

// place maps an offset in characters of the text to the file. It walks the written form next to the
// text; where they part, which only an exotic spelling can bring about, it stays at the last place
// that was sure.
func (s *scalar) place(offset int) place {
	w := written{lines: s.lines, line: s.line - 1, col: s.col - 1, style: s.style}
	if strings.TrimSpace(s.text) == "" {
		return place{s.line, s.col}
	}
	switch {
	case s.style.Block():
		w.block = true
		w.nextLine()
		w.indent = w.col
	case s.style.Quoted():
		w.col++
	}
	var text []rune
	if offset > 0 {
		text = []rune(s.text)
	}
	for i := 0; ; {
		w.passJoins()
		at := w.place()
		if i >= offset || i >= len(text) {
			return at
		}
		if w.atLineEnd() {
			// A line end is written for one blank, or with blank lines after it for one or more
			// line ends.
			n := 0
			for i+n < len(text) && (text[i+n] == '\n' || text[i+n] == ' ' && n == 0) {
				n++
				if text[i] == ' ' {
					break
				}
			}
			if n == 0 || i+n > offset {
				return at
			}
			i += n
			w.nextLine()
			continue
		}
		if !w.pass(text[i]) {
			return at
		}
		i++
	}
}

// written is a cursor over a scalar as it stands in the file, in lines and characters from 0.
type written struct {
	lines  []string
	style  doc.Style
	block  bool
	indent int // of a block
	line   int
	col    int
	runes  []rune // of the current line
	have   int    // 1 + the line that runes belong to
}

func (w *written) place() place { return place{w.line + 1, w.col + 1} }

func (w *written) current() []rune {
	if w.line >= len(w.lines) {
		return nil
	}
	if w.have != w.line+1 {
		w.runes, w.have = []rune(w.lines[w.line]), w.line+1
	}
	return w.runes
}

// atLineEnd reports whether nothing is left on the line. Trailing blanks count only in a block.
func (w *written) atLineEnd() bool {
	line := w.current()
	if w.block {
		return w.col >= len(line)
	}
	for _, r := range line[min(w.col, len(line)):] {
		if r != ' ' && r != '\t' {
			return false
		}
	}
	return true
}

// nextLine moves to the next line with something on it, past its indentation: that of the block,
// else all leading blanks.
func (w *written) nextLine() {
	for w.line++; w.line < len(w.lines); w.line++ {
		if strings.TrimLeft(w.lines[w.line], " \t") != "" {
			break
		}
	}
	line := w.current()
	w.col = 0
	for w.col < len(line) && (line[w.col] == ' ' || line[w.col] == '\t') && (!w.block || w.indent == 0 || w.col < w.indent) {
		w.col++
	}
}

// passJoins passes line ends that are escaped in a double-quoted text: they stand for nothing.
func (w *written) passJoins() {
	for w.style == doc.Double {
		line := w.current()
		if w.col != len(line)-1 || line[w.col] != '\\' {
			return
		}
		w.nextLine()
	}
}

// pass passes the written form of r and reports whether it was there.
func (w *written) pass(r rune) bool {
	line := w.current()
	c := line[w.col]
	switch {
	case w.style == doc.Single && c == '\'' && r == '\'':
		w.col += 2
	case w.style == doc.Double && c == '\\' && w.col+1 < len(line):
		switch line[w.col+1] {
		case 'x':
			w.col += 4
		case 'u':
			w.col += 6
		case 'U':
			w.col += 10
		default:
			w.col += 2
		}
	case c == r:
		w.col++
	default:
		return false
	}
	return true
}
