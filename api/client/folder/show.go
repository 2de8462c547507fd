package folder

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"unicode"

	"lintel/api"
	"lintel/engine"
	"lintel/rules/doc"
)

// How much of a plan is shown unless all of it is asked for.
const (
	shownLines = 40 // of a diff
	shownRows  = 20 // faults of products
)

// Show writes a plan for people: for each document what becomes of it, with what differs or what is
// wrong. dir is named before the files in diagnostics, so that an editor finds them. Without full,
// long diffs are cut short.
func (p *Planned) Show(w io.Writer, dir string, full bool) {
	out := &shower{w: w, full: full}
	var secrets []string
	for _, f := range p.files {
		secrets = append(secrets, f.secrets...)
	}
	out.hide = strings.NewReplacer(secrets...)
	counts := make(map[string]int)
	for i := range p.Documents {
		d := &p.Documents[i]
		counts[d.Change]++
		name := d.Document + " (on the server)"
		for _, f := range p.files {
			if f.Document == d.Document {
				name = f.Path
			}
		}
		out.line("%-28s %s%s", name, d.Change, summary(d.Changes))
		file := filepath.Join(dir, filepath.FromSlash(name))
		if strings.HasSuffix(name, ")") {
			file = name
		}
		out.faults(d, file)
		if d.Changes != nil && d.Version > 0 {
			out.changes(d.Changes)
		}
	}
	var parts []string
	for _, change := range []string{"new", "changed", "unchanged", "kept", "invalid"} {
		if n := counts[change]; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, change))
		}
	}
	out.line("Plan: %s.", strings.Join(parts, ", "))
}

type shower struct {
	w    io.Writer
	full bool
	hide *strings.Replacer // what a reference stands for, which may be in a template: answers show those
}

// line writes one line. What a server or a file says must not move the cursor of a terminal.
func (s *shower) line(format string, args ...any) {
	fmt.Fprintln(s.w, strings.Map(func(r rune) rune {
		if unicode.IsControl(r) && r != '\t' && r != '\n' || r == '\u2028' || r == '\u2029' {
			return unicode.ReplacementChar
		}
		return r
	}, s.hide.Replace(fmt.Sprintf(format, args...))))
}

func summary(c *api.Changes) string {
	switch {
	case c == nil:
		return ""
	case c.Products != nil:
		return fmt.Sprintf(": %d added, %d changed, %d removed", c.Products.Added, c.Products.Changed, c.Products.Removed)
	}
	return fmt.Sprintf(": +%d -%d lines", c.Added, c.Removed)
}

func (s *shower) faults(d *api.PlannedDocument, file string) {
	for i, diag := range d.Diagnostics {
		if i == shownRows && !s.full {
			s.line("%s: %d more problems", file, len(d.Diagnostics)-i)
			break
		}
		if diag.File = file; d.Document != engine.RulesDocument && diag.Path != "" && diag.Line > 0 {
			diag.Reason = diag.Path + ": " + diag.Reason
		}
		s.line("%s", diag)
	}
	for _, w := range d.Warnings {
		s.line("%s: %s: %s", file, doc.SeverityWarning, w)
	}
}

func (s *shower) changes(c *api.Changes) {
	n := 0
	for text := range strings.Lines(c.Text) {
		if n++; n > shownLines && !s.full {
			s.line("    ... %d more lines; --full shows them", strings.Count(c.Text, "\n")-shownLines)
			break
		}
		s.line("    %s", strings.TrimSuffix(text, "\n"))
	}
	if c.Truncated {
		s.line("    ... and more, which is too long to show")
	}
	for _, m := range c.Masked {
		s.line("    ~ %s", m)
	}
	if c.Products == nil {
		return
	}
	for _, p := range c.Products.List {
		mark, about := map[string]string{"added": "+", "removed": "-", "changed": "~"}[p.Change], p.Name
		for _, f := range p.Fields {
			about += fmt.Sprintf("; %s %q -> %q", f.Field, f.From, f.To)
		}
		s.line("    %s %s %s", mark, p.GTIN, about)
	}
	if c.Products.More > 0 {
		s.line("    ... and %d more products", c.Products.More)
	}
}
