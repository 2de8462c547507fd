package rules

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/expr-lang/expr/file"
	"lintel/engine/event"
	"lintel/rules/doc"
)

// Limits of messages.
const (
	MaxSay     = 300 // characters of say as written
	MaxMessage = 500 // bytes of a message
	maxSaid    = 120 // bytes of one value in a message
)

// piece is a part of a message: a fixed text, or a name whose value stands there.
type piece struct {
	fixed string
	entry *entry
	key   string
}

// template parses say: text with names in braces. Two braces stand for one.
func (c *setCompiler) template(s *scalar, about string) []piece {
	if utf8.RuneCountInString(s.text) > MaxSay {
		c.errorAt(s, fmt.Sprintf("say has %d characters; at most %d are allowed", utf8.RuneCountInString(s.text), MaxSay), "")
		return nil
	}
	g := &guard{about: about, known: c.known, params: c.given}
	runes := []rune(s.text)
	var out []piece
	var fixed strings.Builder
	flush := func() {
		if fixed.Len() > 0 {
			out = append(out, piece{fixed: fixed.String()})
			fixed.Reset()
		}
	}
	for i := 0; i < len(runes); i++ {
		r := runes[i]
		if (r == '{' || r == '}') && i+1 < len(runes) && runes[i+1] == r {
			fixed.WriteRune(r)
			i++
			continue
		}
		if r == '}' {
			g.fail(file.Location{From: i, To: i + 1}, `"}" closes nothing`, "write }} for a brace")
			continue
		}
		if r != '{' {
			fixed.WriteRune(r)
			continue
		}
		end := i + 1
		for end < len(runes) && runes[end] != '}' && runes[end] != '{' {
			end++
		}
		if end == len(runes) || runes[end] == '{' {
			g.fail(file.Location{From: i, To: i + 1}, `"{" is not closed`, "write {zone.name} for a value, {{ for a brace")
			break
		}
		name := strings.TrimSpace(string(runes[i+1 : end]))
		before := len(g.problems)
		g.name(nil, name, file.Location{From: i + 1, To: end})
		if len(g.problems) == before || g.problems[before].warning {
			if param, ok := strings.CutPrefix(name, paramPrefix); ok {
				fixed.WriteString(c.given.values[param].text)
			} else {
				flush()
				e, key := lookup(name)
				out = append(out, piece{entry: e, key: key})
			}
		}
		i = end
	}
	flush()
	for _, q := range g.problems {
		at := s.place(q.from)
		d := Diagnostic{Line: at.line, Column: at.column, Length: max(1, q.to-q.from), Reason: q.message, Hint: q.hint,
			Rule: c.current.name()}
		if q.warning {
			d.Severity = doc.SeverityWarning
		}
		c.Add(d)
	}
	return out
}

// defaultSay is what a rule without say says: its name, and what it is about.
func defaultSay(r *Rule) string {
	title := strings.ReplaceAll(r.Name, "-", " ")
	switch r.About {
	case event.AboutItem:
		return title + ": {product.name} at {zone.name}"
	case event.AboutStock:
		return title + ": {product.name} in {zone.name}, {stock.count} left"
	case event.AboutReader:
		return title + ": {reader.id}"
	case event.AboutZone:
		return title + ": {items.count} items in {zone.name}"
	case event.AboutCount:
		return title + ": {count.missing} missing, {count.unexpected} unexpected"
	}
	return title
}

func defaultMessage(r *Rule) []piece {
	var out []piece
	for i, part := range strings.Split(r.Say, "{") {
		if i == 0 {
			out = append(out, piece{fixed: part})
			continue
		}
		name, rest, _ := strings.Cut(part, "}")
		e, key := lookup(name)
		out = append(out, piece{entry: e, key: key}, piece{fixed: rest})
	}
	return out
}

// Mentions reports whether any message of the rule has a name.
func (r *Rule) Mentions(name string) bool {
	has := func(p piece) bool { return p.entry != nil && p.entry.Name.Name == name }
	says := func(c *Choice) bool {
		for _, m := range c.messages {
			if slices.ContainsFunc(m, has) {
				return true
			}
		}
		return slices.ContainsFunc(c.message, has)
	}
	return says(&r.Choice) || slices.ContainsFunc(r.But, func(a *Alternative) bool { return says(&a.Choice) })
}

// Say returns the message of a rule, or of one of its alternatives, in env and in the language of its
// site: one line, at most MaxMessage bytes.
func (e *Evaluator) Say(c *Choice, env *Env) string {
	b := e.message[:0]
	for _, p := range c.in(env.Site.Language) {
		if p.entry == nil {
			b = append(b, p.fixed...)
			continue
		}
		b = p.append(b, env)
	}
	if len(b) > MaxMessage {
		b = append(b[:len(cutAt(string(b), MaxMessage-len("...")))], "..."...)
	}
	e.message = b
	return oneLine(string(b))
}

func (p piece) append(b []byte, env *Env) []byte {
	switch v := p.entry.value(env, p.key).(type) {
	case string:
		if v == "" {
			v = p.entry.Missing
			if v == "" {
				v = "unknown " + p.word()
			}
		}
		if len(v) > maxSaid {
			v = cutAt(v, maxSaid) + "..."
		}
		return append(b, v...)
	case bool:
		if v {
			return append(b, "yes"...)
		}
		return append(b, "no"...)
	case int:
		return strconv.AppendInt(b, int64(v), 10)
	case float64:
		if p.entry.Unit == "shop currency" {
			return strconv.AppendFloat(b, v, 'f', 2, 64)
		}
		if p.entry.Unit == "seconds" && math.Abs(v) >= 10 {
			v = math.Round(v)
		}
		if math.Abs(v) < 1e15 {
			v = math.Round(v*100) / 100
		}
		return strconv.AppendFloat(b, v, 'g', -1, 64)
	case []string:
		if len(v) == 0 {
			return append(b, "none"...)
		}
		shown := v[:min(len(v), 10)]
		s := strings.Join(shown, ", ")
		if len(s) > maxSaid {
			s = cutAt(s, maxSaid) + "..."
		}
		return append(b, s...)
	}
	return b
}

// word is the last part of the name, for "unknown colour".
func (p piece) word() string {
	if p.key != "" {
		return p.key
	}
	name := p.entry.Name.Name
	return strings.ReplaceAll(name[strings.LastIndexByte(name, '.')+1:], "_", " ")
}

// oneLine makes line ends blanks and drops other control characters, so that a product's name
// cannot shape the message.
func oneLine(s string) string {
	clean := func(r rune) bool { return !unicode.IsControl(r) && r != '\u2028' && r != '\u2029' && !doc.TurnsText(r) }
	ok := utf8.ValidString(s)
	for _, r := range s {
		ok = ok && clean(r)
	}
	if ok {
		return s
	}
	return strings.Map(func(r rune) rune {
		switch {
		case clean(r):
			return r
		case unicode.IsSpace(r) || r == '\u2028' || r == '\u2029':
			return ' '
		}
		return -1
	}, strings.ToValidUTF8(s, "\ufffd"))
}
