package rules

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"

	"lintel/rules/hours"
)

// What people write from the habits of spoken language, of spreadsheets and of other languages. A
// condition that cannot be read is searched for it, so that the answer names the slip and what to
// write; one that can be read is never searched.

// slip is a kind of slip: where it is, and what is said of it.
type slip struct {
	form *regexp.Regexp
	// say returns the message and the hint for a match, m[0] the whole and m[1:] the groups; an empty
	// message means that it is no slip. The group at, where there is one, is what is pointed at.
	say func(s *searched, m []string, at int) (message, hint string)
}

// searched is a condition whose texts and comments are blanked out, rune by rune.
type searched struct {
	source []rune
	bare   string // as long in bytes as in characters
}

// wordSlips are words and signs with what to write for them.
var wordSlips = map[string]string{
	"equals": "==", "equal": "==", "equal to": "==", "equals to": "==", "eq": "==", "not equal": "!=", "not equal to": "!=", "like": "contains",
	"includes": "contains", "starts with": "startsWith", "begins with": "startsWith", "ends with": "endsWith", "startswith": "startsWith",
	"endswith": "endsWith", "greater than": ">", "more than": ">", "above": ">", "over": ">", "less than": "<", "below": "<", "under": "<",
	"at least": ">=", "at most": "<=", "<>": "!=", "=>": ">=", "=<": "<=", "===": "==", "!==": "!=", "≥": ">=", "≤": "<=", "≠": "!=",
}

// before is what stands before a word that is no part of a name.
const before = `(?:^|[^.\w])`

func slipOf(form string, say func(s *searched, m []string, at int) (message, hint string)) slip {
	return slip{regexp.MustCompile(form), say}
}

// slips are looked for in this order; the first that is found in a condition is told.
var slips = []slip{
	slipOf(`[\x01\x02]`, func(s *searched, m []string, at int) (string, string) {
		hint := "write plain quotes"
		if strings.TrimSpace(s.bare[:at]) == "" {
			hint = "leave the quotes around the condition out"
		} else if text := s.quoted(at); text != "" {
			hint = fmt.Sprintf("write plain quotes: %q", text)
		}
		return fmt.Sprintf("%c is a typed quote", s.source[at]), hint
	}),
	slipOf(`[$\x03]\s*\d+|\d+\s*\x03|(?i)\d+\s*(?:euros?|eur|usd|dollars?|gbp|pounds?|chf|dkk|nok|sek)\b`,
		func(*searched, []string, int) (string, string) {
			return "a number has no currency", "write the number alone: product.price is in the shop's currency"
		}),
	slipOf(before+`(AND|And|OR|Or|NOT|Not|IN|In|TRUE|True|FALSE|False)\b`, func(_ *searched, m []string, _ int) (string, string) {
		return fmt.Sprintf("%s is written in lower case", m[1]), "write " + strings.ToLower(m[1])
	}),
	slipOf(`<>|=>|=<|!==|===|[\x04\x05\x06]`, func(s *searched, m []string, at int) (string, string) {
		sign := string(s.source[at : at+len(m[0])])
		return fmt.Sprintf("%q does not compare", sign), "write " + wordSlips[sign]
	}),
	slipOf(before+`([a-z_.]+)\s+(?P<at>is(\s+not)?)\s+([^\s()]+)`, sayIs),
	slipOf(`\bin\s*\(([^()\[\]]*)\)`, func(s *searched, m []string, at int) (string, string) {
		if !strings.ContainsAny(m[1], `,"`) {
			return "", ""
		}
		from := at + strings.IndexByte(m[0], '(') + 1
		return "a list is written in square brackets", "write in [" + string(s.source[from:from+len(m[1])]) + "]"
	}),
	slipOf(`\bin\s+("[^"]*"(?:\s*,\s*"[^"]*")+)`, func(s *searched, m []string, at int) (string, string) {
		from := at + len(m[0]) - len(m[1])
		return "a list is written in square brackets", "write in [" + string(s.source[from:from+len(m[1])]) + "]"
	}),
	slipOf(`([\d.]+)\s*%\s*(?:$|[)?,\]]|and\b|or\b)`, func(s *searched, m []string, at int) (string, string) {
		v, err := strconv.ParseFloat(m[1], 64)
		if e := s.nameBefore(at); err == nil && e != nil && e.Unit == "0 to 1" {
			return "a share is a number from 0 to 1", "write " + strconv.FormatFloat(v/100, 'g', 6, 64)
		}
		return "a number has no percent sign", "write " + m[1] +
			"; for a share of another number multiply: stock.count < stock.minimum * 0.5"
	}),
	slipOf(`(\d+),(\d+)`, func(s *searched, m []string, at int) (string, string) {
		if inside := s.inside(at); inside == '[' || inside == 'f' {
			return "", "" // two elements, or two arguments
		}
		if len(m[2]) == 3 {
			return "a number has no commas", "write " + m[1] + m[2]
		}
		return "a number has a decimal point, not a comma", "write " + m[1] + "." + m[2]
	}),
	slipOf(`\b\d{1,3}(?: \d{3})+\b`, func(_ *searched, m []string, _ int) (string, string) {
		return "a number has no blanks", "write " + strings.ReplaceAll(m[0], " ", "")
	}),
	slipOf(`(\d{1,2}):(\d{2})\b`, func(s *searched, m []string, at int) (string, string) {
		if strings.ContainsRune(s.bare[:at], '?') {
			return "", ""
		}
		return "a time of day goes into time_between, in quotes", `write time_between("` + m[0] + `", "24:00")`
	}),
	slipOf(`\b(\d+(?:\.\d+)?)\s*(seconds|second|secs|sec|minutes|minute|mins|min|hours|hour|hrs|hr|days|day|s|m|h|d)\b`,
		func(s *searched, m []string, at int) (string, string) {
			length, err := hours.ParsePeriod(m[1] + m[2][:1])
			if e := s.nameBefore(at); err == nil && e != nil && e.Unit == "seconds" {
				return "a number has no unit", fmt.Sprintf("write %g: %s is in seconds", length.Seconds(), e.Name.Name)
			}
			return "a number has no unit", "write " + m[1] + "; how long a condition must stay true goes into hold: " + m[1] + m[2][:1]
		}),
	slipOf(before+`([a-z_.]+)\s+(?P<at>between)\s+(\S+)\s+and\s+(\S+)`, func(_ *searched, m []string, _ int) (string, string) {
		return "between is not available", fmt.Sprintf("write %s >= %s and %s <= %s", m[1], m[3], m[1], m[4])
	}),
	slipOf(`([a-z_.]+)\s*(?:[<>=!]+)\s*\S+\s+(and|or)\s+(?P<at><=|>=|<|>|==|!=)\s*(\S+)`, func(s *searched, m []string, at int) (string, string) {
		return "a name is missing before " + m[3], fmt.Sprintf("write %s %s %s %s", m[2], m[1], m[3], m[4])
	}),
	slipOf(before+`(not equal to|not equal|equals to|equal to|equals|equal|eq|like|includes|starts with|begins with|ends with|startswith|`+
		`endswith|greater than|more than|above|over|less than|below|under|at least|at most)\b`,
		func(_ *searched, m []string, _ int) (string, string) {
			return fmt.Sprintf("%q is not available", m[1]), "write " + wordSlips[m[1]]
		}),
	slipOf(before+`(contains|startsWith|endsWith|matches)\s*\(([^(),]*),([^()]*)\)`, func(s *searched, m []string, at int) (string, string) {
		from := at + strings.IndexByte(m[0], '(') + 1
		left, right := s.source[from:from+len(m[2])], s.source[from+len(m[2])+1:from+len(m[2])+1+len(m[3])]
		return m[1] + " stands between two texts", "write " + strings.TrimSpace(string(left)) + " " + m[1] + " " + strings.TrimSpace(string(right))
	}),
	slipOf(`([a-z_.]+)\.(contains|startsWith|endsWith|matches)\s*\(([^()]*)\)`, func(s *searched, m []string, at int) (string, string) {
		from := at + len(m[0]) - 1 - len(m[3])
		return m[2] + " stands between two texts", "write " + m[1] + " " + m[2] + " " + string(s.source[from:from+len(m[3])])
	}),
	slipOf(before+`(null|NULL|None|undefined)\b`, func(_ *searched, m []string, _ int) (string, string) {
		return m[1] + " is not needed", `missing data reads as empty text, 0 or false: compare with "" or 0`
	}),
	slipOf(`(?:==|!=)\s*([a-z][\w-]*(?: [a-z][\w-]*)+)`, func(_ *searched, m []string, at int) (string, string) {
		words := strings.Fields(m[1])
		end := slices.IndexFunc(words, func(w string) bool { return slices.Contains(operators, w) })
		if end < 0 {
			end = len(words)
		}
		if end < 2 {
			return "", ""
		}
		return "a text is written in quotes", fmt.Sprintf("write %q", strings.Join(words[:end], " "))
	}),
	slipOf(before+`then\b`, func(*searched, []string, int) (string, string) {
		return "a condition has no then", "write the condition alone: what is done when it is true stands in the other keys of the rule"
	}),
	slipOf(`\)`, func(s *searched, _ []string, at int) (string, string) {
		if s.inside(at) != 0 {
			return "", ""
		}
		return "this bracket closes nothing", "remove it, or open one before"
	}),
	slipOf(`,`, func(s *searched, _ []string, at int) (string, string) {
		if s.inside(at) != 0 {
			return "", ""
		}
		return "a comma joins no conditions", "write and, or or"
	}),
}

// sayIs is about "item.paid is not true" and the like.
func sayIs(s *searched, m []string, at int) (string, string) {
	sign, right := "==", m[4]
	if m[3] != "" {
		sign = "!="
	}
	switch e, _ := lookup(m[1]); {
	case e != nil && e.yes != nil:
		not := (m[3] != "") != (right == "false" || right == "no")
		return "is does not compare", "write " + map[bool]string{true: "not "}[not] + m[1]
	case right == "empty":
		return "is does not compare", "write " + m[1] + " " + sign + ` ""`
	case m[1] == "item" || m[1] == "it":
		if e, _ := lookup("item." + right); e != nil && e.yes != nil {
			return "is does not compare", "write " + map[bool]string{true: "not "}[m[3] != ""] + "item." + right
		}
	}
	return "is does not compare", "write " + sign
}

// What the search for slips may take: in how many conditions of a document, and how many matches of
// one kind in each.
const (
	maxSearches = 50
	maxSlips    = 20
)

// findSlip looks for a slip in a condition that cannot be read; ok is false if there is none.
func findSlip(source string) (p problem, ok bool) {
	s := searchable(source)
	for _, slip := range slips {
		for _, m := range slip.form.FindAllStringSubmatchIndex(s.bare, maxSlips) {
			groups := make([]string, len(m)/2)
			for i := range groups {
				if m[2*i] >= 0 {
					groups[i] = s.bare[m[2*i]:m[2*i+1]]
				}
			}
			message, hint := slip.say(s, groups, m[0])
			if message == "" {
				continue
			}
			from, to := m[0], m[1]
			if k := 2 * max(0, slip.form.SubexpIndex("at")); k > 0 {
				from, to = m[k], m[k+1]
			}
			for from < to-1 && s.bare[from] == ' ' {
				from++
			}
			return problem{from: from, to: to, message: message, hint: hint}, true
		}
	}
	return p, false
}

// searchable blanks out what texts and comments hold, and writes signs that are no ASCII as control
// characters, so that every character is one byte.
func searchable(source string) *searched {
	s := &searched{source: []rune(source)}
	bare := make([]byte, len(s.source))
	quote, comment := rune(0), rune(0)
	for i, r := range s.source {
		next := rune(0)
		if i+1 < len(s.source) {
			next = s.source[i+1]
		}
		escaped := i > 0 && s.source[i-1] == '\\'
		switch {
		case comment == '/' && r == '\n', comment == '*' && i > 0 && s.source[i-1] == '*' && r == '/':
			comment, bare[i] = 0, ' '
		case comment != 0:
			bare[i] = ' '
		case quote != 0 && r == quote && !escaped:
			quote, bare[i] = 0, '"'
		case quote != 0:
			bare[i] = '_'
		case r == '"' || r == '\'' || r == '`':
			quote, bare[i] = r, '"'
		case r == '/' && (next == '/' || next == '*'):
			comment, bare[i] = next, ' '
		case r < 0x80 && r >= ' ':
			bare[i] = byte(r)
		case strings.ContainsRune("“”„‟«»", r):
			bare[i] = 1
		case strings.ContainsRune("‘’‚‛", r):
			bare[i] = 2
		case unicode.Is(unicode.Sc, r):
			bare[i] = 3
		case r == '≥':
			bare[i] = 4
		case r == '≤':
			bare[i] = 5
		case r == '≠':
			bare[i] = 6
		case unicode.IsSpace(r):
			bare[i] = ' '
		default:
			bare[i] = '?'
		}
	}
	s.bare = string(bare)
	return s
}

// quoted returns the text between typed quotes that begins at a place, "" if it does not end.
func (s *searched) quoted(at int) string {
	if at+1 >= len(s.bare) {
		return ""
	}
	end := strings.IndexAny(s.bare[at+1:], "\x01\x02\"")
	if end < 1 || end > maxPattern {
		return ""
	}
	return string(s.source[at+1 : at+1+end])
}

// inside returns the bracket that is open at a place, 'f' for that of a call, 0 for none.
func (s *searched) inside(at int) byte {
	var open []byte
	for i := range at {
		switch c := s.bare[i]; c {
		case '(', '[', '{':
			if before := strings.TrimRight(s.bare[:i], " "); c == '(' && before != "" &&
				(unicode.IsLetter(rune(before[len(before)-1])) || before[len(before)-1] == '_') && !endsInOperator(before) {
				c = 'f'
			}
			open = append(open, c)
		case ')', ']', '}':
			open = open[:max(0, len(open)-1)]
		}
	}
	if len(open) == 0 {
		return 0
	}
	return open[len(open)-1]
}

// endsInOperator reports whether the last word of a text is an operator such as and.
func endsInOperator(text string) bool {
	words := strings.Fields(text)
	return slices.Contains(operators, words[len(words)-1])
}

var comparedName = regexp.MustCompile(`([a-z_.]+)\s*(?:[<>=!]+)\s*$`)

// nameBefore returns the name that is compared with what stands at a place, nil if there is none.
func (s *searched) nameBefore(at int) *entry {
	m := comparedName.FindStringSubmatch(s.bare[:at])
	if m == nil {
		return nil
	}
	e, _ := lookup(m[1])
	return e
}

// compared looks at a comparison before its names are resolved, and reports whether one side is a
// slip: a text without quotes, a number in quotes, or yes and no as words.
func (g *guard) compared(n *ast.BinaryNode) bool {
	name, other := writtenName(n.Left), n.Right
	if e, _ := lookup(name); e == nil && (n.Operator == "==" || n.Operator == "!=") {
		name, other = writtenName(n.Right), n.Left
	}
	e, _ := lookup(name)
	if e == nil {
		return false
	}
	fail := func(n ast.Node, message, hint string) bool {
		from, to := spanOf(n)
		g.fail(file.Location{From: from, To: to}, message, hint)
		return true
	}
	list, isList := other.(*ast.ArrayNode)
	text, isText := other.(*ast.StringNode)
	_, isNumber := literalNumber(other)
	word := ""
	if id, ok := other.(*ast.IdentifierNode); ok {
		word = id.Value
	} else if isText {
		word = text.Value
	}
	switch {
	case e.text != nil || e.attribute:
		values := []ast.Node{other}
		if isList {
			values = list.Nodes
		}
		for _, v := range values {
			if !g.unquoted(v) && !(isNumber || isDate(v)) {
				continue
			}
			from, to := spanOf(v)
			return fail(v, "a text is written in quotes", fmt.Sprintf("write %q", string(g.source[from:min(to, len(g.source))])))
		}
	case e.yes != nil && slices.Contains([]string{"yes", "no", "true", "false", "y", "n"}, strings.ToLower(word)):
		not := strings.ContainsAny(strings.ToLower(word)[:1], "nf") == (n.Operator == "==")
		return fail(other, name+" is yes or no by itself", "write "+map[bool]string{true: "not "}[not]+name)
	case (e.whole != nil || e.number != nil) && isText:
		hint := ""
		if _, err := strconv.ParseFloat(strings.TrimSpace(word), 64); err == nil {
			hint = "write " + strings.TrimSpace(word) + " without quotes"
		}
		return fail(other, name+" is a number", hint)
	}
	return false
}

// writtenName returns the dotted name that a node is, "" if it is none.
func writtenName(n ast.Node) string {
	switch n := n.(type) {
	case *ast.IdentifierNode:
		return n.Value
	case *ast.MemberNode:
		p, ok := n.Property.(*ast.StringNode)
		if base := writtenName(n.Node); ok && base != "" {
			return base + "." + p.Value
		}
	}
	return ""
}

// unquoted reports whether a node is a word that is no name, or several with hyphens.
func (g *guard) unquoted(n ast.Node) bool {
	switch n := n.(type) {
	case *ast.IdentifierNode:
		e, _ := lookup(n.Value)
		return e == nil && !groups[n.Value] && n.Value+"." != paramPrefix
	case *ast.BinaryNode:
		_, isNumber := literalNumber(n.Right)
		return n.Operator == "-" && g.unquoted(n.Left) && (isNumber || g.unquoted(n.Right))
	}
	return false
}

// isDate reports whether a node is a date without quotes, which reads as numbers that are
// subtracted.
func isDate(n ast.Node) bool {
	b, ok := n.(*ast.BinaryNode)
	if !ok || b.Operator != "-" {
		return false
	}
	left, ok := b.Left.(*ast.BinaryNode)
	_, isNumber := b.Right.(*ast.IntegerNode)
	return ok && isNumber && left.Operator == "-"
}

// textAlone looks at zone.kind == "shelf" or "floor", and reports whether it is that.
func (g *guard) textAlone(n *ast.BinaryNode) bool {
	left, isComparison := n.Left.(*ast.BinaryNode)
	for isComparison && left.Operator == "and" {
		left, isComparison = left.Right.(*ast.BinaryNode)
	}
	more, isText := n.Right.(*ast.StringNode)
	if !isComparison || !isText {
		return false
	}
	name, first := writtenName(left.Left), left.Right
	s, ok := first.(*ast.StringNode)
	if in := map[string]string{"==": "in", "!=": "not in"}[left.Operator]; ok && in != "" && name != "" {
		from, to := spanOf(more)
		g.fail(file.Location{From: from, To: to}, "this text is compared with nothing",
			fmt.Sprintf("write %s %s [%q, %q]", name, in, s.Value, more.Value))
		return true
	}
	return false
}
