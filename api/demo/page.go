package demo

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"unicode/utf8"
)

// style is how a piece of text looks where colours are wanted (ECMA-48, "SGR").
type style string

const (
	plain  style = ""
	dim    style = "\x1b[2m"
	bold   style = "\x1b[1m"
	red    style = "\x1b[1;31m"
	yellow style = "\x1b[33m"
	green  style = "\x1b[32m"
	cyan   style = "\x1b[36m"
	reset        = "\x1b[0m"
)

// The columns of a line: when, what, and the rest.
const (
	whenWidth = 10
	whatWidth = 10
	pageWidth = 100
)

// page is where everything is written, line by line and whole lines only.
type page struct {
	color bool

	mu    sync.Mutex
	out   io.Writer
	err   error       // the first failure; nothing is written after it
	broke func(error) // is told of it
}

// Write lets a logger write between the lines.
func (p *page) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.err == nil {
		if _, p.err = p.out.Write(b); p.err != nil && p.broke != nil {
			p.broke(p.err)
		}
	}
	return len(b), nil
}

// onBreak has f called when nothing can be written any more.
func (p *page) onBreak(f func(error)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.broke = f
	if p.err != nil {
		f(p.err)
	}
}

// failure returns why nothing more could be written.
func (p *page) failure() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.err
}

// raw writes what must not be broken into lines, such as commands.
func (p *page) raw(s string) { _, _ = p.Write([]byte(s)) }

// line writes a line of the summary.
func (p *page) line(what, rest string, st style) {
	const width = 14
	var b strings.Builder
	for k, part := range wrap(rest, pageWidth-2-width) {
		if k > 0 {
			what = ""
		}
		b.WriteString("  " + p.paint(dim, pad(what, width)) + p.paint(st, part) + "\n")
	}
	_, _ = p.Write([]byte(b.String()))
}

func (p *page) paint(st style, s string) string {
	if !p.color || st == plain || s == "" {
		return s
	}
	return string(st) + s + reset
}

// text writes lines that are not part of the table.
func (p *page) text(st style, format string, args ...any) {
	var b strings.Builder
	for line := range strings.SplitSeq(fmt.Sprintf(format, args...), "\n") {
		for k, part := range wrap(line, pageWidth) {
			if k > 0 {
				part = strings.Repeat(" ", indentOf(line)) + part
			}
			b.WriteString(p.paint(st, part) + "\n")
		}
	}
	_, _ = p.Write([]byte(b.String()))
}

func indentOf(line string) int { return len(line) - len(strings.TrimLeft(line, " ")) }

// row writes a line of the table. What does not fit goes on below.
func (p *page) row(when, what string, whatStyle style, rest string, restStyle style) {
	var b strings.Builder
	for k, part := range wrap(rest, pageWidth-whenWidth-whatWidth) {
		if k > 0 {
			when, what = "", ""
		}
		line := pad(when, whenWidth)
		b.WriteString(p.paint(dim, line) + p.paint(whatStyle, what))
		if part != "" {
			b.WriteString(strings.Repeat(" ", max(1, whatWidth-utf8.RuneCountInString(what))) + p.paint(restStyle, part))
		}
		b.WriteByte('\n')
	}
	_, _ = p.Write([]byte(b.String()))
}

func pad(s string, width int) string {
	return s + strings.Repeat(" ", max(0, width-utf8.RuneCountInString(s)))
}

// wrap breaks a line at blanks so that its parts have at most width characters, where there are
// blanks.
func wrap(s string, width int) []string {
	var parts []string
	for utf8.RuneCountInString(s) > width {
		at, n, indent := -1, 0, indentOf(s)
		for i, r := range s {
			if n++; n > width+1 {
				break
			}
			if r == ' ' && i > indent {
				at = i
			}
		}
		if at < 0 {
			break
		}
		parts = append(parts, strings.ReplaceAll(strings.TrimRight(s[:at], " "), hardBlank, " "))
		s = strings.TrimLeft(s[at:], " ")
		width -= indent // what follows is indented alike
	}
	return append(parts, strings.ReplaceAll(s, hardBlank, " "))
}

// hardBlank is a blank where no line is broken; it is written as an ordinary one.
const hardBlank = "\u00a0"

// listed joins parts so that lines are broken between them.
func listed(parts ...string) string {
	for i := range parts {
		parts[i] = strings.ReplaceAll(parts[i], " ", hardBlank)
	}
	return strings.Join(parts, hardBlank+"· ")
}

// number writes a whole number with commas.
func number[T int | int64 | float64](v T) string {
	s := fmt.Sprintf("%.0f", float64(v))
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// some writes a number with its noun.
func some(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return number(n) + " " + many
}
