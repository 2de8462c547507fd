package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"lintel/engine/cases"
	"lintel/engine/catalog"
	"lintel/engine/layout"
	"lintel/rules"
	"lintel/rules/doc"
)

type checkCmd struct {
	File     []string `arg:"" help:"Rules files; - reads standard input. The cases of rules.yaml are run too if there is a rules_cases.yaml beside it."`
	Cases    []string `help:"Case files to run instead of the one beside the rules." placeholder:"FILE"`
	Layout   string   `help:"A layout, for warnings about names that it does not have, and for cases that name no layout." placeholder:"FILE"`
	Products string   `help:"Products, as CSV or JSON, for the same warnings, and for cases that name no products." placeholder:"FILE"`
	Rewrite  bool     `help:"Write into the case files what each case that has a trace now does. That makes a wrong trace right too: read the difference before you keep it."`
	Strict   bool     `help:"Fail on warnings too."`
	Verbose  bool     `short:"v" help:"Say of each rule in ordinary words what it does."`
	JSON     bool     `name:"json" help:"Print one JSON object with all diagnostics and results."`
}

// Validate refuses flags that do not fit together.
func (c *checkCmd) Validate() error {
	if len(c.Cases) > 0 && len(c.File) > 1 {
		return errors.New("--cases belongs to one rules file: check the others by themselves")
	}
	return nil
}

// checked is what became of one rules file; it is also what --json prints.
type checked struct {
	File        string             `json:"file"`
	OK          bool               `json:"ok"`
	Rules       int                `json:"rules"`
	Words       []ruleWords        `json:"words"` // of each rule
	Diagnostics []rules.Diagnostic `json:"diagnostics"`
	Cases       []*cases.Report    `json:"cases"`

	compiled bool
}

// ruleWords say what a rule does.
type ruleWords struct {
	Rule  string `json:"rule"`
	Words string `json:"words"`
}

// warnings counts what does not keep the rules from being used.
func (c *checked) warnings() (n int) {
	for i := range c.Diagnostics {
		if c.Diagnostics[i].Severity == doc.SeverityWarning {
			n++
		}
	}
	return n
}

func (c *checkCmd) Run(s *streams) error {
	ctx := cases.Context{Rewrite: c.Rewrite}
	if ok, err := c.context(s, &ctx); err != nil || !ok {
		return err
	}
	known := cases.Known(ctx.Layout, ctx.Products)
	all := struct {
		OK    bool       `json:"ok"`
		Files []*checked `json:"files"`
	}{OK: !c.Strict || ctx.Layout == nil || len(ctx.Layout.Warnings()) == 0}
	for _, name := range c.File {
		src, err := readFile(s, name, rules.MaxDocument)
		if err != nil {
			return err
		}
		one, err := c.check(name, src, known, ctx)
		if err != nil {
			return err
		}
		if c.Strict && one.warnings() > 0 {
			one.OK = false
		}
		if !c.JSON {
			one.print(s.out, c.Verbose)
		}
		all.OK = all.OK && one.OK
		all.Files = append(all.Files, one)
	}
	if c.JSON {
		enc := json.NewEncoder(s.out)
		enc.SetEscapeHTML(false)
		enc.SetIndent("", "  ")
		if err := enc.Encode(all); err != nil {
			return err
		}
	}
	if !all.OK {
		return errRefused
	}
	return nil
}

// context reads the layout and the products. ok is false when they have errors, which are printed.
func (c *checkCmd) context(s *streams, ctx *cases.Context) (ok bool, err error) {
	if c.Layout != "" {
		if ctx.Layout, err = readLayout(s, c.Layout); err == nil {
			ctx.Layout.Warnings().Print(s.err, c.Layout)
		} else if !errors.Is(err, errRefused) {
			return false, err
		}
	}
	if c.Products != "" {
		products, productsErr := readProducts(s, c.Products)
		if ctx.Products = products; productsErr != nil {
			return false, productsErr
		}
	}
	return err == nil, err
}

// readLayout reads a layout from a file. If it has errors they are printed, and the error is
// errRefused.
func readLayout(s *streams, name string) (*layout.Layout, error) {
	src, err := readFile(s, name, layout.MaxBytes)
	if err != nil {
		return nil, err
	}
	lay, err := layout.Parse(src)
	var problems doc.Errors
	if errors.As(err, &problems) {
		problems.Print(s.err, name)
		return nil, errRefused
	}
	return lay, err
}

// readProducts reads products from a file, JSON or CSV. If they have errors they are printed, and
// the error is errRefused.
func readProducts(s *streams, name string) (*catalog.Catalog, error) {
	src, err := readFile(s, name, catalog.MaxFileBytes)
	if err != nil {
		return nil, err
	}
	var products *catalog.Catalog
	var problems doc.Errors
	if head := bytes.TrimLeft(src, "\ufeff \t\r\n"); len(head) > 0 && (head[0] == '{' || head[0] == '[') {
		products, problems = catalog.ParseJSON(src)
	} else {
		products, problems = catalog.ParseCSV(bytes.NewReader(src), catalog.CSVOptions{})
	}
	if len(problems) > 0 {
		problems.Print(s.err, name)
		return nil, errRefused
	}
	return products, nil
}

// check checks one rules file and runs its cases.
func (c *checkCmd) check(name string, src []byte, known rules.Known, ctx cases.Context) (*checked, error) {
	one := &checked{File: name, Words: []ruleWords{}, Diagnostics: []rules.Diagnostic{}, Cases: []*cases.Report{}}
	book, diagnostics := cases.NewBook(name, src, known)
	one.Diagnostics = append(one.Diagnostics, diagnostics...)
	if book == nil {
		return one, nil
	}
	one.OK, one.compiled, one.Rules = true, true, len(book.Rules().Rules())
	for _, r := range book.Rules().Rules() {
		one.Words = append(one.Words, ruleWords{r.Name, r.Sentence()})
	}
	files := c.Cases
	if len(files) == 0 && name != "-" {
		beside := cases.Beside(name)
		if _, err := os.Stat(beside); err == nil {
			files = []string{beside}
		} else if !errors.Is(err, fs.ErrNotExist) {
			return nil, err
		}
	}
	for _, file := range files {
		rep, err := book.RunFile(file, ctx)
		if err != nil {
			return nil, err
		}
		one.OK = one.OK && rep.OK()
		one.Cases = append(one.Cases, rep)
	}
	return one, nil
}

func (c *checked) print(w io.Writer, verbose bool) {
	for _, d := range c.Diagnostics {
		fmt.Fprintln(w, d)
	}
	if c.compiled {
		verdict := "all good"
		if n := c.warnings(); n > 0 {
			verdict = doc.Plural(n, "warning")
		}
		fmt.Fprintf(w, "%s: %s, %s\n", c.File, doc.Plural(c.Rules, "rule"), verdict)
	}
	for _, said := range c.Words {
		if verbose {
			fmt.Fprintf(w, "  %s: %s\n", said.Rule, said.Words)
		}
	}
	for _, rep := range c.Cases {
		fmt.Fprint(w, rep)
	}
}
