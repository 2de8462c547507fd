package doc

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"unicode/utf8"
)

// ErrShape says that an entry cannot be changed by itself where it stands: the document is written
// in a way in which the rest would change with it. Nothing is lost; the whole document can be
// written instead.
var ErrShape = errors.New("the document is written in a way that one entry of it cannot be changed alone: send the whole document")

// Entries changes single entries of a list in the text of a YAML document, each by its member name.
// Every other byte stays as it is: comments, order, blank lines and line ends.
type Entries struct {
	options Options
	list    string
	text    []byte
	begins  []int // where each line begins in text
	end     string
	doc     *Document
	key     *Node // of the list
	value   *Node
}

// Entry is one entry of a list as text: lines without the indentation of the place where it stands,
// with the comment that stands directly above it.
type Entry struct {
	Comment []string // lines that begin with #
	Lines   []string
	Node    *Node // what the lines say; its places are those in Lines

	// Where its first key stands in the text that it was read from.
	Line, Column int
}

// OpenEntries reads a document whose member list is a list of mappings.
func OpenEntries(text []byte, list string, o Options) (*Entries, *Diagnostic) {
	d, problem := YAML(text, o)
	if problem != nil {
		return nil, problem
	}
	e := &Entries{options: o, list: list, text: text, doc: d, begins: []int{0}, end: "\n"}
	if bytes.HasPrefix(text, []byte("\ufeff")) {
		e.begins[0] = len("\ufeff")
	}
	for i, c := range text {
		if c == '\n' {
			e.begins = append(e.begins, i+1)
		}
	}
	if first, _, ok := bytes.Cut(text, []byte("\n")); ok && bytes.HasSuffix(first, []byte("\r")) {
		e.end = "\r\n"
	}
	for _, f := range d.Root.Fields {
		if f.Key.Text == list && e.key == nil {
			e.key, e.value = f.Key, f.Value
		}
	}
	if e.value == nil || e.value.Kind != Sequence && e.value.Kind != Empty {
		return nil, problemAt(1, 1, "the document has no list "+list, "")
	}
	return e, nil
}

// Source returns the text of the document.
func (e *Entries) Source() []byte { return e.text }

// find returns the number of the entry with a name, -1 if there is none.
func (e *Entries) find(name string) int {
	return slices.IndexFunc(e.value.Items, func(n *Node) bool { return nameOf(n) == name })
}

func nameOf(n *Node) string {
	if name := n.Get("name"); name != nil {
		return name.Text
	}
	return ""
}

// Get returns the entry with a name; ok is false if there is none. The error is ErrShape.
func (e *Entries) Get(name string) (entry Entry, ok bool, err error) {
	i := e.find(name)
	if i < 0 {
		return entry, false, nil
	}
	entry.Line, entry.Column = e.value.Items[i].Line, e.value.Items[i].Column
	if e.inBrackets(e.value) {
		from, to, ok := e.bracketed(e.value.Items[i])
		if !ok {
			return entry, true, ErrShape
		}
		entry.Lines = strings.Split(strings.ReplaceAll(string(e.text[from:to]), "\r\n", "\n"), "\n")
	} else {
		s, ok := e.span(i)
		if !ok {
			return entry, true, ErrShape
		}
		for line := s.comment; line < s.dash; line++ {
			entry.Comment = append(entry.Comment, strings.TrimSpace(e.doc.Lines[line-1]))
		}
		first := e.value.Items[i]
		entry.Lines = append(entry.Lines, after(e.doc.Lines[first.Line-1], first.Column))
		for line := first.Line + 1; line <= s.last; line++ {
			entry.Lines = append(entry.Lines, dedent(e.doc.Lines[line-1], first.Column-1))
		}
	}
	return entry, true, entry.read(e.options)
}

// read fills the node of an entry from its lines.
func (n *Entry) read(o Options) error {
	d, problem := YAML([]byte(strings.Join(n.Lines, "\n")+"\n"), o)
	if problem != nil || d.Root.Kind != Mapping {
		return ErrShape
	}
	n.Node = d.Root
	return nil
}

// Text returns the entry as a document of its own, with its comment.
func (n *Entry) Text() string {
	return strings.Join(slices.Concat(n.Comment, n.Lines), "\n") + "\n"
}

// ReadEntry reads one entry from a document of its own: a mapping, a list of one, or a document
// with nothing but the list.
func ReadEntry(text []byte, list string, o Options) (Entry, *Diagnostic) {
	d, problem := YAML(text, o)
	if problem != nil {
		return Entry{}, problem
	}
	n := Entry{Node: d.Root}
	whole := text
	switch {
	case d.Root.Kind == Sequence:
		whole = []byte(list + ":\n" + strings.Join(d.Lines, "\n") + "\n")
	case d.Root.Kind == Mapping && d.Root.Get(list) == nil:
		first, last := d.Root.Line, len(d.Lines)
		n.Line, n.Column = first, d.Root.Column
		for last > first && strings.TrimSpace(d.Lines[last-1]) == "" {
			last--
		}
		for _, line := range d.Lines[:first-1] {
			if line = strings.TrimSpace(line); strings.HasPrefix(line, "#") {
				n.Comment = append(n.Comment, line)
			}
		}
		n.Lines = []string{after(d.Lines[first-1], d.Root.Column)}
		for _, line := range d.Lines[first:last] {
			n.Lines = append(n.Lines, dedent(line, d.Root.Column-1))
		}
		if n.read(o) != nil {
			return n, problemAt(first, 1, "the entry cannot be read by itself", "")
		}
		return n, nil
	}
	e, problem := OpenEntries(whole, list, o)
	if problem != nil {
		return n, problem
	}
	if len(e.doc.Root.Fields) != 1 || len(e.value.Items) != 1 {
		return n, problemAt(1, 1, "the body is not one entry", "send one, as keys and values: name: ...")
	}
	n, _, err := e.Get(nameOf(e.value.Items[0]))
	if err != nil {
		return n, problemAt(1, 1, "the entry cannot be read by itself", "")
	}
	if d.Root.Kind == Sequence {
		n.Line-- // of the list's key
	}
	return n, nil
}

// Moved returns a diagnostic about a document in which this entry stands with the place that is meant
// in the text that the entry was read from. There is none where the document has the entry written
// otherwise, or the diagnostic is not about the entry.
func (n *Entry) Moved(d Diagnostic, there Entry) Diagnostic {
	lines, above := there.Lines, 0
	if len(there.Lines) == len(n.Lines)+1 { // its name was added
		lines, above = there.Lines[1:], 1
	}
	at := d.Line - there.Line
	if d.Line > 0 && slices.Equal(lines, n.Lines) && at >= above && at < len(there.Lines) {
		d.Line, d.Column = n.Line+at-above, max(1, d.Column+n.Column-there.Column)
	} else {
		d.Line, d.Column, d.Length = 0, 0, 0
	}
	return d
}

// EntryOf writes a mapping as an entry, one member a line. The error is ErrShape: it has no members.
func EntryOf(n *Node, o Options) (Entry, error) {
	var entry Entry
	if len(n.Fields) == 0 {
		return entry, ErrShape
	}
	for _, f := range n.Fields {
		entry.Lines = append(entry.Lines, memberLines(f.Key.Text, f.Value)...)
	}
	return entry, entry.read(o)
}

// Put returns the text of the document with an entry in place of the one that has its name, or
// behind the last one if there is none. The comment above the old one stays unless the new one
// brings its own. The error is ErrShape.
func (e *Entries) Put(entry Entry) ([]byte, error) {
	i := e.find(nameOf(entry.Node))
	want := slices.Clone(e.value.Items)
	if i < 0 {
		want = append(want, entry.Node)
	} else {
		want[i] = entry.Node
	}
	if len(e.value.Items) > 0 && e.inBrackets(e.value) {
		return e.proved(e.putBracketed(i, entry), want)
	}
	if i >= 0 {
		s, ok := e.span(i)
		if !ok {
			return nil, ErrShape
		}
		from := s.dash
		if len(entry.Comment) > 0 {
			from = s.comment
		}
		return e.proved(e.replace(from, s.last, s.place(entry)), want)
	}
	if len(e.value.Items) == 0 {
		return e.putFirst(entry, want)
	}
	s, ok := e.span(len(e.value.Items) - 1)
	if !ok {
		return nil, ErrShape
	}
	lines := s.place(entry)
	if len(e.value.Items) > 1 && s.comment > 1 && strings.TrimSpace(e.doc.Lines[s.comment-2]) == "" {
		lines = slices.Insert(lines, 0, "") // entries are divided by blank lines here
	}
	return e.proved(e.replace(s.last+1, s.last, lines), want)
}

// putFirst puts an entry into a list that has none.
func (e *Entries) putFirst(entry Entry, want []*Node) ([]byte, error) {
	line := e.key.Line
	text := e.doc.Lines[line-1]
	at := len(text) - len(after(text, e.key.Column))
	key, rest, ok := strings.Cut(text[at:], ":")
	value, comment, has := strings.Cut(rest, " #")
	if !ok || !slices.Contains([]string{"", "[]", "~", "null"}, strings.TrimSpace(value)) {
		return nil, ErrShape
	}
	head := text[:at] + key + ":"
	if has {
		head += " #" + comment
	}
	s := entrySpan{indent: e.key.Column + 1, key: e.key.Column + 3}
	return e.proved(e.replace(line, line, append([]string{head}, s.place(entry)...)), want)
}

// putBracketed writes an entry into a list in square brackets, as JSON, which such a list takes
// whether it is JSON or YAML.
func (e *Entries) putBracketed(i int, entry Entry) []byte {
	at := i
	if i < 0 {
		at = len(e.value.Items) - 1
	}
	from, to, ok := e.bracketed(e.value.Items[at])
	if !ok {
		return nil
	}
	text := asJSON(entry.Node)
	if i < 0 {
		from, text = to, ", "+text
	}
	return slices.Concat(e.text[:from], []byte(text), e.text[to:])
}

// Remove returns the text of the document without an entry and the comment above it. The error is
// ErrShape.
func (e *Entries) Remove(name string) ([]byte, error) {
	i := e.find(name)
	if i < 0 {
		return e.text, nil
	}
	want := slices.Delete(slices.Clone(e.value.Items), i, i+1)
	if e.inBrackets(e.value) {
		from, to, ok := e.bracketed(e.value.Items[i])
		if !ok {
			return nil, ErrShape
		}
		if next := bytes.TrimLeft(e.text[to:], " \t\r\n"); bytes.HasPrefix(next, []byte(",")) {
			to = len(e.text) - len(bytes.TrimLeft(next[1:], " \t\r\n"))
		} else {
			from = len(bytes.TrimRight(bytes.TrimRight(e.text[:from], " \t\r\n"), ","))
		}
		return e.proved(slices.Concat(e.text[:from], e.text[to:]), want)
	}
	s, ok := e.span(i)
	if !ok {
		return nil, ErrShape
	}
	last := s.last
	if above := s.comment - 1; (above < 1 || strings.TrimSpace(e.doc.Lines[above-1]) == "") && last < len(e.doc.Lines)-1 &&
		strings.TrimSpace(e.doc.Lines[last]) == "" {
		last++ // one blank line goes with it, not both
	}
	var lines []string
	if len(want) == 0 { // a key without a value is an error in most documents
		line := strings.TrimRight(e.doc.Lines[e.key.Line-1], " ")
		if !strings.HasSuffix(line, ":") {
			return nil, ErrShape
		}
		between := slices.Clone(e.doc.Lines[e.key.Line : s.comment-1])
		return e.proved(e.replace(e.key.Line, last, append([]string{line + " []"}, between...)), want)
	}
	return e.proved(e.replace(s.comment, last, lines), want)
}

// proved returns a text if it says what the document says, with the entries that are wanted, so
// that no way of writing can make an edit change anything else.
func (e *Entries) proved(text []byte, want []*Node) ([]byte, error) {
	d, problem := YAML(text, e.options)
	if text == nil || problem != nil || len(d.Root.Fields) != len(e.doc.Root.Fields) {
		return nil, ErrShape
	}
	for k, f := range d.Root.Fields {
		was := e.doc.Root.Fields[k]
		if was.Key == e.key {
			was.Value = &Node{Kind: Sequence, Items: want}
		}
		if !Same(f.Key, was.Key) || !Same(f.Value, was.Value) {
			return nil, ErrShape
		}
	}
	return text, nil
}

// Same reports whether two values say the same, wherever they stand and however they are written. The
// line end of the last text counts for nothing: whether a block has one depends on what follows it.
func Same(a, b *Node) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.Kind == b.Kind && strings.TrimSuffix(a.Text, "\n") == strings.TrimSuffix(b.Text,
		"\n") && slices.EqualFunc(a.Items, b.Items, Same) &&
		slices.EqualFunc(a.Fields, b.Fields, func(x, y Field) bool { return Same(x.Key, y.Key) && Same(x.Value, y.Value) })
}

// entrySpan is where an entry of a list without brackets stands, in lines from 1.
type entrySpan struct {
	comment int // the first line of the comment above it; the dash if it has none
	dash    int
	last    int
	indent  int // of the dash, in blanks
	key     int // of its keys
}

// place returns the lines of an entry as they stand there.
func (s entrySpan) place(entry Entry) []string {
	var lines []string
	for _, c := range entry.Comment {
		lines = append(lines, strings.Repeat(" ", s.indent)+c)
	}
	lines = append(lines, strings.Repeat(" ", s.indent)+"-"+strings.Repeat(" ", s.key-s.indent-1)+entry.Lines[0])
	for _, line := range entry.Lines[1:] {
		if strings.TrimSpace(line) != "" {
			line = strings.Repeat(" ", s.key) + line
		}
		lines = append(lines, line)
	}
	return lines
}

// span finds where an entry of a list without brackets stands; ok is false where that is not clear.
func (e *Entries) span(i int) (s entrySpan, ok bool) {
	n := e.value.Items[i]
	if n.Kind != Mapping {
		return s, false
	}
	s.key = n.Column - 1
	line := e.doc.Lines[n.Line-1]
	before := strings.TrimSuffix(line, after(line, n.Column))
	s.dash, s.indent = n.Line, len(before)-len(strings.TrimLeft(before, " "))
	if strings.TrimRight(before[s.indent:], " ") != "-" {
		return s, false
	}
	s.last = len(e.doc.Lines)
	if i+1 < len(e.value.Items) {
		next, ok := e.span(i + 1)
		if !ok {
			return s, false
		}
		s.last = next.dash - 1
	} else {
		for _, f := range e.doc.Root.Fields {
			if f.Key.Line > n.Line {
				s.last = min(s.last, f.Key.Line-1)
			}
		}
	}
	// What follows with no more indentation than the dash belongs to what comes next.
	for s.last > n.Line && indentOf(e.doc.Lines[s.last-1]) <= s.indent {
		s.last--
	}
	for s.comment = s.dash; s.comment-1 > e.key.Line; s.comment-- {
		above := e.doc.Lines[s.comment-2]
		if !strings.HasPrefix(strings.TrimSpace(above), "#") || indentOf(above) > s.indent {
			break
		}
	}
	return s, true
}

// after returns what stands on a line from a column on.
func after(line string, column int) string {
	runes := []rune(line)
	return string(runes[min(column-1, len(runes)):])
}

// indentOf returns how many blanks a line begins with; -1 for a blank one.
func indentOf(line string) int {
	rest := strings.TrimLeft(line, " ")
	if strings.TrimSpace(rest) == "" {
		return -1
	}
	return len(line) - len(rest)
}

// dedent takes up to n blanks off the begin of a line.
func dedent(line string, n int) string {
	for ; n > 0 && strings.HasPrefix(line, " "); n-- {
		line = line[1:]
	}
	return line
}

// replace returns the text with other lines in place of those from one to another, both from 1; to
// is from-1 to insert before from.
func (e *Entries) replace(from, to int, lines []string) []byte {
	at := func(line int) int {
		if line > len(e.begins) {
			return len(e.text)
		}
		return e.begins[line-1]
	}
	start, stop := at(from), at(to+1)
	var b bytes.Buffer
	b.Write(e.text[:start])
	if start > 0 && start == len(e.text) && e.text[start-1] != '\n' {
		b.WriteString(e.end)
	}
	for _, line := range lines {
		b.WriteString(line + e.end)
	}
	text := b.Bytes()
	if stop == len(e.text) && len(e.text) > 0 && e.text[len(e.text)-1] != '\n' {
		text = bytes.TrimSuffix(text, []byte(e.end))
	}
	return append(text, e.text[stop:]...)
}

// offset is where a value stands in the text, in bytes.
func (e *Entries) offset(n *Node) int {
	at := e.begins[n.Line-1]
	for range n.Column - 1 {
		_, size := utf8.DecodeRune(e.text[at:])
		at += size
	}
	return at
}

// inBrackets reports whether a list or mapping is written in brackets.
func (e *Entries) inBrackets(n *Node) bool {
	at := e.offset(n)
	return at < len(e.text) && (e.text[at] == '[' || e.text[at] == '{')
}

// bracketed returns where a mapping in braces begins and ends, in bytes.
func (e *Entries) bracketed(n *Node) (from, to int, ok bool) {
	from = e.offset(n)
	if from >= len(e.text) || e.text[from] != '{' {
		return 0, 0, false
	}
	depth, begins, before := 0, true, byte(' ') // begins: a value may begin here
	for i := from; i < len(e.text); i++ {
		c := e.text[i]
		switch {
		case begins && (c == '"' || c == '\''):
			for i++; i < len(e.text) && e.text[i] != c; i++ {
				if c == '"' && e.text[i] == '\\' {
					i++
				}
			}
		case c == '#' && (before == ' ' || before == '\n' || before == '\t'):
			for i+1 < len(e.text) && e.text[i+1] != '\n' {
				i++
			}
		case c == '{' || c == '[':
			depth++
		case c == '}' || c == ']':
			if depth--; depth == 0 {
				return from, i + 1, true
			}
		}
		before = c
		if c != ' ' && c != '\t' && c != '\n' && c != '\r' && c != '#' {
			begins = c == '{' || c == '[' || c == ',' || c == ':'
		}
	}
	return 0, 0, false
}

// Named returns the entry with a name as its first member, if it has none. The error is ErrShape.
func (n Entry) Named(name string, o Options) (Entry, error) {
	if n.Node.Get("name") != nil {
		return n, nil
	}
	line := memberLines("name", &Node{Kind: Scalar, Text: name})[0]
	if rest, ok := strings.CutPrefix(n.Lines[0], "{"); ok {
		n.Lines = slices.Clone(n.Lines)
		n.Lines[0] = "{" + line + ", " + strings.TrimLeft(rest, " ")
	} else {
		n.Lines = slices.Insert(slices.Clone(n.Lines), 0, line)
	}
	return n, n.read(o)
}

// Set returns the entry with some members changed: those that are Empty are taken away. All other
// lines and comments stay.
func (n Entry) Set(fields []Field, o Options) (Entry, error) {
	for _, f := range fields {
		next, err := n.set(f)
		if err != nil {
			return n, err
		}
		want := slices.Clone(n.Node.Fields)
		k := slices.IndexFunc(want, func(g Field) bool { return g.Key.Text == f.Key.Text })
		switch {
		case f.Value.Kind == Empty && k >= 0:
			want = slices.Delete(want, k, k+1)
		case f.Value.Kind == Empty:
		case k >= 0:
			want[k].Value = f.Value
		default:
			want = append(want, f)
		}
		n.Lines = next
		if err := n.read(o); err != nil {
			return n, err
		}
		if !Same(n.Node, &Node{Kind: Mapping, Fields: want}) {
			return n, ErrShape
		}
	}
	return n, nil
}

// set returns the lines with one member changed.
func (n *Entry) set(f Field) ([]string, error) {
	if strings.HasPrefix(n.Lines[0], "{") { // written anew, in one line
		changed := Node{Kind: Mapping}
		for _, g := range n.Node.Fields {
			if g.Key.Text != f.Key.Text {
				changed.Fields = append(changed.Fields, g)
			} else if f.Value.Kind != Empty {
				changed.Fields = append(changed.Fields, f)
				f.Value = &Node{}
			}
		}
		if f.Value.Kind != Empty {
			changed.Fields = append(changed.Fields, f)
		}
		return []string{inline(&changed)}, nil
	}
	lines := slices.Clone(n.Lines)
	k := slices.IndexFunc(n.Node.Fields, func(g Field) bool { return g.Key.Text == f.Key.Text })
	last := func(k int) int { // the last line of a member
		line := len(lines)
		if k+1 < len(n.Node.Fields) {
			line = n.Node.Fields[k+1].Key.Line - 1
		}
		for line > n.Node.Fields[k].Key.Line && indentOf(lines[line-1]) <= 0 {
			line--
		}
		return line
	}
	switch {
	case k < 0 && f.Value.Kind == Empty:
		return lines, nil
	case k < 0:
		return slices.Insert(lines, last(len(n.Node.Fields)-1), memberLines(f.Key.Text, f.Value)...), nil
	case f.Value.Kind == Empty:
		return slices.Delete(lines, n.Node.Fields[k].Key.Line-1, last(k)), nil
	}
	was := n.Node.Fields[k]
	with := memberLines(was.Key.Text, f.Value)
	if was.Value.Line == was.Key.Line && last(k) == was.Key.Line && len(with) == 1 {
		// A comment behind the value stays where the value ends clearly.
		line := lines[was.Key.Line-1]
		if v := after(line, was.Value.Column); was.Value.Kind == Scalar && strings.HasPrefix(v, was.Value.Text) {
			rest := v[len(was.Value.Text):]
			if comment := strings.TrimLeft(rest, " \t"); strings.HasPrefix(comment, "#") && rest != comment {
				with[0] += rest
			}
		}
	}
	return slices.Replace(lines, was.Key.Line-1, last(k), with...), nil
}
