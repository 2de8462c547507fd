package cases

import (
	"bytes"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"lintel/engine/catalog"
	"lintel/engine/layout"
	"lintel/rules/doc"
	"lintel/rules/hours"
)

// Limits of a case file.
const (
	MaxDocument = 1 << 20 // bytes
	MaxCases    = 5000
	MaxSteps    = 500    // of one case, those that it shares included
	MaxItems    = 1000   // that one word stands for, and that one step names
	maxThings   = 20_000 // items of one file
	maxListed   = 200    // alerts in one expectation
	maxName     = 200    // characters of a case's name
	maxWait     = 31 * 24 * time.Hour
	maxCaseTime = 92 * 24 * time.Hour
	minEvery    = 20 * time.Millisecond
)

// Context is what a case file may leave out: the shop that it plays in. What the file says itself
// comes first.
type Context struct {
	Layout   *layout.Layout
	Products *catalog.Catalog
	// ReadFile reads a file that the case file names, by its path joined to the folder of the case
	// file. nil: no file can be named.
	ReadFile func(name string) ([]byte, error)
	Rewrite  bool // RunFile writes what happens into the traces of the case file
}

// File is a parsed case file.
type File struct {
	Name     string // as given to Parse, for messages
	Cases    []*Case
	Layout   *layout.Layout
	Products *catalog.Catalog

	text *doc.Document // for messages
}

// Case is one case of a file: steps in order, some of which expect something.
type Case struct {
	Name   string
	Line   int
	Column int

	rules    []*doc.Node // names of the rules that are switched on; nil: all
	start    time.Time
	layout   *layout.Layout
	products *catalog.Catalog
	steps    []step
	items    *things
	trace    *trace // nil: the case has none
}

// place is where something stands in the case file.
type place struct{ line, column int }

func placeOf(n *doc.Node) place { return place{n.Line, n.Column} }

// reader reads one case file.
type reader struct {
	report
	ctx    Context
	file   *File
	shared *things // items of the head
	made   int     // items in all
	start  *doc.Node
	begins time.Time // start as a moment; zero: not known yet, or bad
	before *doc.Node
	names  map[string]int // case names, with the line
}

// Parse reads a case file. The file is nil if there is any problem; all of them are in the
// diagnostics.
func Parse(name string, src []byte, ctx Context) (*File, []doc.Diagnostic) {
	p := &reader{report: read(name, src), ctx: ctx, file: &File{Name: name, Layout: ctx.Layout, Products: ctx.Products},
		names: make(map[string]int)}
	if p.Len() == 0 {
		p.document(p.Doc.Root)
	}
	if p.Len() > 0 {
		return nil, p.List()
	}
	p.file.text = p.Doc
	return p.file, nil
}

var headKeys = []string{"layout", "products", "items", "start", "before", "cases"}

func (p *reader) document(root *doc.Node) {
	if !p.table(root, "the document", headKeys) {
		return
	}
	known := p.Len()
	if n := root.Get("layout"); n != nil {
		p.layout(n)
	} else if p.file.Layout == nil {
		p.Add(doc.Diagnostic{Line: 1, Column: 1, Reason: "there is no layout",
			Hint: "write layout: and the name of a layout file, or the layout itself; or name one on the command line"})
	}
	if n := root.Get("products"); n != nil {
		p.products(n)
	}
	if p.file.Products == nil {
		p.file.Products = &catalog.Catalog{}
	}
	if p.Len() > known {
		return // all that follows would only repeat it
	}
	p.shared = p.things(root.Get("items"), nil)
	if p.start = root.Get("start"); p.start != nil {
		p.begins = p.moment(p.start)
	}
	p.before = root.Get("before")
	list := root.Get("cases")
	switch {
	case list == nil:
		p.At(root, "the file has no cases", "write cases: and a list of cases below it")
		return
	case list.Kind != doc.Sequence || len(list.Items) == 0:
		p.At(list, "cases is not a list of cases", "begin each case with - name:")
		return
	case len(list.Items) > MaxCases:
		p.At(list.Items[MaxCases], fmt.Sprintf("the file has %d cases; at most %d are allowed", len(list.Items),
			MaxCases), "split it into several files")
		return
	}
	for _, n := range list.Items {
		p.oneCase(n)
	}
}

// table reports a value that is no table, and keys that nothing is known of.
func (p *reader) table(n *doc.Node, what string, keys []string, former ...string) bool {
	if n.Kind != doc.Mapping {
		p.At(n, what+" is not made of keys and values", "it has the keys "+strings.Join(keys, ", "))
		return false
	}
	ok := true
	for _, f := range n.Fields {
		if !slices.Contains(keys, f.Key.Text) && !slices.Contains(former, f.Key.Text) {
			p.unknown(f.Key, "unknown key", keys)
			ok = false
		}
	}
	return ok
}

// word reads a text, "" after a problem.
func (p *reader) word(n *doc.Node, what string) string {
	if n.Kind != doc.Scalar || strings.TrimSpace(n.Text) == "" {
		p.At(n, what+" is not a text", "")
		return ""
	}
	return strings.TrimSpace(n.Text)
}

// period reads a length of time from least to most, 0 after a problem.
func (p *reader) period(n *doc.Node, what string, least, most time.Duration) time.Duration {
	text := p.word(n, what)
	if text == "" {
		return 0
	}
	d, reason, hint := hours.PeriodWithin(text, least, most)
	if reason != "" {
		p.At(n, what+": "+reason, hint)
	}
	return d
}

var caseKeys = []string{"name", "rules", "start", "items", "steps", "trace"}

func (p *reader) oneCase(n *doc.Node) {
	if !p.table(n, "a case", caseKeys) {
		return
	}
	c := &Case{Line: n.Line, Column: n.Column, layout: p.file.Layout, products: p.file.Products}
	problems := p.Len()
	p.caseName(n, c)
	p.caseRules(n.Get("rules"), c)
	p.caseStart(n, c)
	q := &caseParser{reader: p, c: c, items: p.things(n.Get("items"), p.shared)}
	c.items = q.items
	if p.before != nil {
		before := p.Len()
		q.before = true
		q.steps(p.before)
		q.before = false
		if p.Len() > before {
			p.before = nil // told once
		}
	}
	steps := n.Get("steps")
	if steps == nil {
		p.At(n, "the case has no steps", "write steps: and below it what happens, and what to expect of it")
		return
	}
	q.steps(steps)
	if c.trace = p.trace(n); steps.Kind == doc.Sequence && n.Get("trace") == nil {
		q.close()
	}
	if p.Len() == problems {
		p.file.Cases = append(p.file.Cases, c)
	}
}

func (p *reader) caseName(n *doc.Node, c *Case) {
	name := n.Get("name")
	if name == nil {
		p.At(n, "the case has no name", "begin it with - name: and a few words that say what it shows")
		return
	}
	if c.Name = p.word(name, "name"); c.Name == "" {
		return
	}
	if strings.ContainsRune(c.Name, '\n') || utf8.RuneCountInString(c.Name) > maxName {
		p.At(name, "the name is too long", fmt.Sprintf("it has one line and at most %d characters", maxName))
	}
	if line, twice := p.names[c.Name]; twice {
		p.At(name, fmt.Sprintf("another case is named %q", c.Name), fmt.Sprintf("the other one is on line %d", line))
	}
	p.names[c.Name] = name.Line
}

func (p *reader) caseRules(n *doc.Node, c *Case) {
	switch {
	case n == nil:
	case n.Kind == doc.Scalar:
		c.rules = []*doc.Node{n}
	case n.Kind == doc.Sequence && len(n.Items) > 0:
		for _, r := range n.Items {
			if p.word(r, "a rule") != "" {
				c.rules = append(c.rules, r)
			}
		}
	default:
		p.At(n, "rules is not a list of names of rules", "write rules: [unpaid-at-exit], or leave it out to switch all on")
	}
}

func (p *reader) caseStart(n *doc.Node, c *Case) {
	if own := n.Get("start"); own != nil {
		c.start = p.moment(own)
		return
	}
	if p.start == nil {
		p.At(n, "the case does not say when it begins", "write start: 2026-03-10 09:30, local time at the site, here or once beside cases")
	}
	c.start = p.begins
}

// moment reads a local date and time, the zero time after a problem.
func (p *reader) moment(n *doc.Node) time.Time {
	w, err := parseWall(p.word(n, "start"))
	if err != nil || !w.hasDate {
		message := "start has no date"
		if err != nil {
			message = "start: " + err.Error()
		}
		p.At(n, message, "write a local date and time, such as 2026-03-10 09:30")
		return time.Time{}
	}
	t, bad := w.resolve(p.file.Layout.Location())
	if bad != nil {
		p.At(n, bad.message, bad.hint)
	}
	return t
}

// caseParser reads the steps of one case.
type caseParser struct {
	*reader
	c      *Case
	items  *things
	before bool // reading the steps that all cases begin with
	counts []string
	expect int // expectations so far
	loose  *doc.Node
}

func (p *caseParser) steps(n *doc.Node) {
	if n.Kind != doc.Sequence {
		p.At(n, "steps are not a list", "begin each step with -, such as - wait: 10m")
		return
	}
	for _, s := range n.Items {
		if len(p.c.steps) == MaxSteps {
			p.At(s, fmt.Sprintf("the case has more than %d steps", MaxSteps), "split it into several cases")
			return
		}
		if st := p.step(s); st != nil {
			p.c.steps = append(p.c.steps, st)
		}
	}
}

// close looks whether the case can fail, and whether its last steps matter.
func (p *caseParser) close() {
	switch {
	case p.expect == 0:
		p.Add(doc.Diagnostic{Line: p.c.Line, Column: p.c.Column, Length: 1, Reason: "the case expects nothing, so it can't fail",
			Hint: "end it with " + strings.Join(expectKeys, ":, ") + ":, or give it a trace:"})
	case p.loose != nil:
		p.At(p.loose, "nothing is expected after this step", "add an expectation such as exactly: or where: behind it, or remove it")
	}
}

// step reads one step: a table with one key that says what happens, or with the keys of an
// expectation.
func (p *caseParser) step(n *doc.Node) step {
	if n.Kind != doc.Mapping || len(n.Fields) == 0 {
		p.At(n, "a step is a word, a colon and what it is about", "such as - wait: 10m")
		return nil
	}
	if isExpectation(n) {
		if p.before {
			p.At(n, "before: is what all cases begin with, and expects nothing", "move the expectation into a case")
			return nil
		}
		p.expect++
		p.loose = nil
		return p.expectation(n)
	}
	key := n.Fields[0].Key
	read, ok := verbs[key.Text]
	if !ok {
		p.unknown(key, "unknown step", stepWords())
		return nil
	}
	if len(n.Fields) > 1 {
		p.At(n.Fields[1].Key, fmt.Sprintf("a step is one thing, and this one is %s already", key.Text),
			"begin the next step with -, or indent what belongs to this one")
		return nil
	}
	if !p.before {
		p.loose = n
	}
	return read(p, key, n.Fields[0].Value)
}

// layout takes the layout from a file or from the document itself.
func (p *reader) layout(n *doc.Node) {
	if n.Kind == doc.Mapping {
		if l := layout.Read(p.Report, n); l != nil {
			p.file.Layout = l
		}
		return
	}
	name, src := p.other(n, "layout")
	if src == nil {
		return
	}
	l, err := layout.Parse(src)
	if err == nil {
		p.file.Layout = l
		return
	}
	var problems doc.Errors
	errors.As(err, &problems)
	p.adopt(n, name, problems)
}

// adopt adds the problems of another document: a file, or a text that stands in this one.
func (p *reader) adopt(n *doc.Node, name string, problems doc.Errors) {
	for _, d := range problems {
		switch d.File = name; {
		case name != "":
			p.Add(d)
		case n.Style.Block() && d.Line > 0:
			reason := strings.TrimPrefix(d.Path+": ", ": ") + d.Reason
			p.Add(doc.Diagnostic{Line: n.Line + d.Line, Column: 1, Length: 1, Reason: reason, Hint: d.Hint})
		default:
			p.At(n, d.Summary(), "")
		}
	}
}

// products takes the products from a file or from the document itself.
func (p *reader) products(n *doc.Node) {
	if n.Kind == doc.Mapping || n.Kind == doc.Sequence {
		p.file.Products = catalog.Read(p.Report, n)
		return
	}
	name, src := p.other(n, "products")
	if src == nil {
		return
	}
	var problems doc.Errors
	if strings.EqualFold(path.Ext(name), ".json") {
		p.file.Products, problems = catalog.ParseJSON(src)
	} else {
		p.file.Products, problems = catalog.ParseCSV(bytes.NewReader(src), catalog.CSVOptions{})
	}
	p.adopt(n, name, problems)
}

// other returns a text that stands in the document, with no name, or the file that it names. src is
// nil after a problem.
func (p *reader) other(n *doc.Node, what string) (name string, src []byte) {
	switch {
	case n.Kind == doc.Scalar && strings.Contains(strings.TrimSpace(n.Text), "\n"):
		return "", []byte(n.Text)
	case n.Kind != doc.Scalar || strings.TrimSpace(n.Text) == "":
		p.At(n, what+" is neither the name of a file nor a document", "")
		return "", nil
	case p.ctx.ReadFile == nil:
		p.At(n, "no file can be named here", "write the "+what+" itself")
		return "", nil
	}
	name = strings.TrimSpace(n.Text)
	full := name
	if !path.IsAbs(name) {
		full = path.Join(path.Dir(p.File), name)
	}
	src, err := p.ctx.ReadFile(full)
	if err != nil {
		p.At(n, fmt.Sprintf("the %s can't be read: %v", what, err), "a name is taken from the folder of the case file")
		return "", nil
	}
	if src == nil {
		src = []byte{}
	}
	return name, src
}
