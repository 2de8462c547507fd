package cases

import (
	"fmt"
	"slices"
	"strings"

	"lintel/rules"
	"lintel/rules/doc"
)

// Book is a rule document that cases are run on. It may not be used by several goroutines at once.
type Book struct {
	// Stop is asked now and then while cases run: once it says true, what is left fails. nil: never.
	Stop func() bool

	set *rules.Set
	cut map[string]*rules.Set // by the names that are switched on
}

// NewBook compiles a rule document. The book is nil if the document has errors; warnings do not
// keep it from being made.
func NewBook(file string, src []byte, known rules.Known) (*Book, []doc.Diagnostic) {
	set, diagnostics := rules.Check(file, src, known)
	if set == nil {
		return nil, diagnostics
	}
	return &Book{set: set, cut: make(map[string]*rules.Set)}, diagnostics
}

// Rules returns the compiled rules.
func (b *Book) Rules() *rules.Set { return b.set }

// only returns the rules with these names, compiled as if the document had no others; nil names:
// all. Limits and params of the document stay.
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
	set, diagnostics := b.set.Only(names)
	for _, d := range diagnostics {
		if d.Severity == doc.SeverityError {
			return nil, fmt.Errorf("these rules can't be switched on without the others: %s", d.Reason)
		}
	}
	b.cut[key] = set
	return set, nil
}
