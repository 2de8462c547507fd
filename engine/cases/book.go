package cases

import (
	"fmt"
	"slices"
	"strings"

	"lintel/rules"
)

// Book is a rule document that cases are run on. It may not be used by several goroutines at once.
type Book struct {
	file string
	src  string
	set  *rules.Set
	cut  map[string]*rules.Set // by the names that are switched on
}

// NewBook compiles a rule document. The book is nil if the document has errors; warnings do not keep it from being made.
func NewBook(file string, src []byte, known rules.Known) (*Book, []rules.Diagnostic) {
	set, diagnostics := rules.Check(file, src, known)
	if set == nil {
		return nil, diagnostics
	}
	return &Book{file: file, src: string(src), set: set, cut: make(map[string]*rules.Set)}, diagnostics
}

// Rules returns the compiled rules.
func (b *Book) Rules() *rules.Set { return b.set }

// only returns the rules with these names, compiled as if the document had no others; nil names: all. Limits and params of the document stay.
//
// Rules are cut out by lines, so that the others keep their places. A document with several rules on one line can't be cut.
func (b *Book) only(names []string) (*rules.Set, error) {
	if names == nil {
		return b.set, nil
	}
	names = slices.Clone(names)
	slices.Sort(names)
	key := strings.Join(names, ",")
	if set := b.cut[key]; set != nil {
		return set, nil
	}
	lines := strings.Split(strings.ReplaceAll(b.src, "\r\n", "\n"), "\n")
	list := b.set.Rules()
	for i, r := range list {
		if slices.Contains(names, r.Name) {
			continue
		}
		from, to := begin(lines, r.Line-1), len(lines)
		if i+1 < len(list) {
			to = begin(lines, list[i+1].Line-1)
		}
		for k := from; k < to; k++ {
			if k > from && isKey(lines[k]) {
				break // of the document, after its rules
			}
			lines[k] = "#"
		}
	}
	set, diagnostics := rules.Check(b.file, []byte(strings.Join(lines, "\n")), rules.Known{})
	for _, d := range diagnostics {
		if d.Severity == rules.SeverityError {
			return nil, fmt.Errorf("these rules can't be switched on without the others: %s", d.Message)
		}
	}
	if len(set.Rules()) != len(slices.Compact(names)) {
		return nil, fmt.Errorf("%s can't be taken apart: each rule must begin on a line of its own", b.file)
	}
	b.cut[key] = set
	return set, nil
}

// begin finds the line with the dash of a rule whose first key stands on the given line, all from 0.
func begin(lines []string, line int) int {
	for k := line; k >= 0; k-- {
		text := strings.TrimSpace(lines[k])
		if strings.HasPrefix(text, "-") {
			return k
		}
		if k < line && text != "" && !strings.HasPrefix(text, "#") {
			break
		}
	}
	return line
}

// isKey reports whether a key of the document begins on the line.
func isKey(line string) bool {
	return line != "" && !strings.ContainsAny(line[:1], " \t#-")
}
