package doc

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

const (
	maxJSONDepth = 64
	maxShared    = 256 // names of members that are kept once
)

// JSON reads a JSON document of at most that many bytes. The document is never nil; the problem is
// nil if all of it could be read.
func JSON(src []byte, maxBytes int) (*Document, *Diagnostic) {
	return JSONRows(src, maxBytes, 0, "", nil)
}

// JSONRows is JSON for a long list, which is the document or its only member of that name: it hands
// each element to row and keeps none of them, so the list in the document's Root is empty. The node
// is the caller's until row returns. maxNodes bounds how many values stand in one element, and beside
// the list. If the text is not JSON, the elements before the place are
// still handed out, and the problem is returned afterwards.
func JSONRows(src []byte, maxBytes, maxNodes int, name string, row func(d *Document, n *Node)) (*Document, *Diagnostic) {
	src = bytes.TrimPrefix(src, []byte("\ufeff"))
	d := &Document{}
	if len(src) > maxBytes {
		return d, tooLarge(len(src), maxBytes, "")
	}
	d.text = src
	if !utf8.Valid(src) {
		at := 0
		for r, size := utf8.DecodeRune(src); r != utf8.RuneError || size != 1; r, size = utf8.DecodeRune(src[at:]) {
			at += size
		}
		return d, placed(src, at, "the text is not UTF-8", "save it as UTF-8")
	}
	// encoding/json decides what is JSON: it is strict and knows where the text goes wrong.
	var problem *Diagnostic
	var syntax *json.SyntaxError
	valid := src
	if !json.Valid(src) && errors.As(json.Unmarshal(src, new(json.RawMessage)), &syntax) {
		at := min(len(src), max(0, int(syntax.Offset)-1))
		if strings.HasPrefix(syntax.Error(), "unexpected end") {
			at = len(src)
		}
		valid, problem = src[:at], placed(src, at, "not JSON: "+syntax.Error(), "")
		if row == nil {
			return d, problem
		}
	}
	r := jsonReader{src: valid, line: 1, column: 1, doc: d, rowsIn: name, row: row, nodes: maxNodes, left: maxNodes}
	root := r.value(0)
	d.Root = nil // row may have set it
	if r.deep != nil {
		return d, r.deep
	}
	if problem == nil {
		d.Root = root
	}
	return d, problem
}

// placed is a problem at the byte at.
func placed(src []byte, at int, reason, hint string) *Diagnostic {
	start := bytes.LastIndexByte(src[:at], '\n') + 1
	return problemAt(bytes.Count(src[:at], []byte{'\n'})+1, utf8.RuneCount(src[start:at])+1, reason, hint)
}

// jsonReader turns the beginning of a valid JSON text into nodes. Where the text ends too early it
// stops.
type jsonReader struct {
	src    []byte
	at     int
	line   int
	start  int // where the line begins
	column int // of the byte seen
	seen   int

	doc    *Document
	deep   *Diagnostic
	names  map[string]string
	rowsIn string
	row    func(d *Document, n *Node)
	pool   []Node // of one row, used again for the next
	used   int
	nodes  int
	left   int // nodes that the row may have
}

// next skips white space and returns the byte there, 0 at the end.
func (r *jsonReader) next() byte {
	for ; r.at < len(r.src); r.at++ {
		switch c := r.src[r.at]; c {
		case '\n':
			r.line++
			r.start, r.seen, r.column = r.at+1, r.at+1, 1
		case ' ', '\t', '\r':
		default:
			return c
		}
	}
	return 0
}

// skip passes c and reports whether it stood there.
func (r *jsonReader) skip(c byte) bool {
	if r.next() != c {
		return false
	}
	r.at++
	return true
}

// node returns a node for what stands here.
func (r *jsonReader) node(kind Kind) *Node {
	if r.used == len(r.pool) {
		r.pool, r.used = make([]Node, 64), 0
	}
	n := &r.pool[r.used]
	r.used++
	r.left--
	r.column += utf8.RuneCount(r.src[r.seen:r.at])
	r.seen = r.at
	if r.left < 0 && r.row != nil && r.deep == nil {
		r.deep = problemAt(r.line, r.column, fmt.Sprintf("more than %d values stand together", r.nodes), "")
	}
	*n = Node{Kind: kind, Line: r.line, Column: r.column, Items: n.Items[:0], Fields: n.Fields[:0]}
	return n
}

// value reads one value, nil if the text ends within it.
func (r *jsonReader) value(depth int) *Node {
	switch c := r.next(); {
	case c == 0 || r.deep != nil:
		return nil
	case c == '{':
		return r.object(depth)
	case c == '[':
		return r.array(depth, depth == 0 && r.row != nil)
	case c == '"':
		return r.text()
	}
	n := r.node(Scalar)
	from := r.at
	for r.at < len(r.src) && bytes.IndexByte([]byte(",]} \t\r\n"), r.src[r.at]) < 0 {
		r.at++
	}
	switch word := r.src[from:r.at]; string(word) {
	case "null":
		n.Kind = Empty
	default:
		n.Text, n.Style = string(word), Bare
	}
	return n
}

// tooDeep reports whether what begins here is nested deeper than any document is.
func (r *jsonReader) tooDeep(n *Node, depth int) bool {
	if depth > maxJSONDepth && r.deep == nil {
		r.deep = problemAt(n.Line, n.Column, fmt.Sprintf("the document is nested more than %d deep", maxJSONDepth), "nest it less deeply")
	}
	return r.deep != nil
}

func (r *jsonReader) object(depth int) *Node {
	n := r.node(Mapping)
	if r.at++; r.tooDeep(n, depth) {
		return nil
	}
	for r.next() == '"' {
		key := r.text()
		if key == nil || !r.skip(':') {
			return nil
		}
		if len(r.names) < maxShared && !strings.Contains(key.Text, `\`) {
			if r.names == nil {
				r.names = make(map[string]string)
			}
			r.names[key.Text] = key.Text
		}
		var value *Node
		if r.next() == '[' && depth == 0 && r.row != nil && key.Text == r.rowsIn && n.Get(key.Text) == nil {
			value = r.array(depth+1, true)
		} else {
			value = r.value(depth + 1)
		}
		if value == nil {
			return nil
		}
		n.Fields = append(n.Fields, Field{key, value})
		if !r.skip(',') {
			break
		}
	}
	if !r.skip('}') {
		return nil
	}
	return n
}

func (r *jsonReader) array(depth int, rows bool) *Node {
	n := r.node(Sequence)
	if r.at++; r.tooDeep(n, depth) {
		return nil
	}
	keep := r.pool
	if rows {
		r.pool, r.used = nil, 0
	}
	for c := r.next(); c != ']' && c != 0; c = r.next() {
		if rows {
			r.doc.first, r.doc.from, r.used, r.left = r.line, r.start, 0, r.nodes
		}
		item := r.value(depth + 1)
		if item == nil || r.deep != nil {
			return nil
		}
		if rows {
			r.row(r.doc, item)
		} else {
			n.Items = append(n.Items, item)
		}
		if !r.skip(',') {
			break
		}
	}
	if rows {
		r.pool, r.used = keep, len(keep)
	}
	if !r.skip(']') {
		return nil
	}
	return n
}

// text reads a text in quotes.
func (r *jsonReader) text() *Node {
	n := r.node(Scalar)
	n.Style = Double
	from, escaped := r.at, false
	for r.at++; r.at < len(r.src) && r.src[r.at] != '"'; r.at++ {
		if r.src[r.at] == '\\' {
			escaped = true
			r.at++
		}
	}
	if r.at >= len(r.src) {
		return nil
	}
	r.at++
	inner := r.src[from+1 : r.at-1]
	if name, ok := r.names[string(inner)]; ok && !escaped {
		n.Text = name
	} else if !escaped {
		n.Text = string(inner)
	} else if json.Unmarshal(r.src[from:r.at], &n.Text) != nil {
		return nil
	}
	return n
}
