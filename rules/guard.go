package rules

import (
	"errors"
	"fmt"
	"regexp/syntax"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/parser/lexer"

	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/rules/doc"
	"lintel/rules/hours"
)

// problem is something to tell about a condition, with the span of characters that is meant.
type problem struct {
	from, to int
	message  string
	hint     string
	warning  bool
}

// guard walks a parsed condition: it refuses everything that is not on the lists above, resolves
// names, and turns each dotted name into one identifier, so that the compiled program reads it in
// one step.
type guard struct {
	about        string
	known        *Known
	problems     []problem
	uses         []string          // the names that it reads, in order of first use
	leaves       map[ast.Node]bool // rewritten calls, which an explanation shows as a whole
	tokens       []lexer.Token
	source       []rune // nil for a message
	unreadable   bool   // what is wrong is how it is written, which findSlip may know
	length       int    // characters of the source
	instructions int    // of all patterns
	params       *paramSet
	constants    map[ast.Node]string // nodes that stand for a param, with its name as written
}

func (g *guard) fail(loc file.Location, message, hint string) {
	g.problems = append(g.problems, problem{from: loc.From, to: loc.To, message: message, hint: hint})
}

func (g *guard) warn(loc file.Location, message, hint string) {
	g.problems = append(g.problems, problem{from: loc.From, to: loc.To, message: message, hint: hint, warning: true})
}

func (g *guard) failed() bool {
	return slices.ContainsFunc(g.problems, func(p problem) bool { return !p.warning })
}

// checkTokens looks at the words of a condition before it is parsed.
func (g *guard) checkTokens() {
	depth := 0
	for i, t := range g.tokens {
		switch t.Kind {
		case lexer.Bracket:
			switch t.Value {
			case "(", "[", "{":
				if depth++; depth > maxBrackets {
					g.fail(t.Location, fmt.Sprintf("brackets are nested more than %d deep", maxBrackets), "")
					return
				}
			default:
				depth--
			}
		case lexer.Operator:
			if slices.Contains(operators, t.Value) {
				continue
			}
			// Words such as in and matches may follow a dot as names; so may these.
			if i > 0 && g.tokens[i-1].Is(lexer.Operator, ".") && t.Value[0] >= 'a' {
				continue
			}
			r, ok := refusals[t.Value]
			if !ok {
				r[0] = fmt.Sprintf("%q is not available", t.Value)
			}
			g.fail(t.Location, r[0], r[1])
			return
		case lexer.Bytes:
			g.fail(t.Location, "byte strings are not available", "write the text without the b before the quote")
			return
		}
	}
}

// node checks n and what is below it and returns what takes its place. depth counts the list
// functions around it.
func (g *guard) node(n ast.Node, depth int) ast.Node {
	switch n := n.(type) {
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
		return n
	case *ast.StringNode:
		return n
	case *ast.NilNode:
		g.fail(n.Location(), "nil is not needed", `missing data reads as empty text, 0 or false: compare with "" or 0`)
	case *ast.IdentifierNode:
		return g.name(n, n.Value, n.Location())
	case *ast.MemberNode:
		return g.member(n)
	case *ast.UnaryNode:
		switch n.Operator {
		case "!":
			n.Operator = "not"
		case "not", "-", "+":
		default:
			g.fail(n.Location(), fmt.Sprintf("%q is not available", n.Operator), "")
		}
		n.Node = g.node(n.Node, depth)
		return n
	case *ast.BinaryNode:
		return g.binary(n, depth)
	case *ast.ConditionalNode:
		n.Cond, n.Exp1, n.Exp2 = g.node(n.Cond, depth), g.node(n.Exp1, depth), g.node(n.Exp2, depth)
		return n
	case *ast.ArrayNode:
		if len(n.Nodes) == 0 {
			g.fail(n.Location(), "an empty list holds nothing", "put values into the brackets")
		}
		for i := range n.Nodes {
			n.Nodes[i] = g.node(n.Nodes[i], depth)
		}
		return n
	case *ast.PointerNode:
		if n.Name != "" {
			g.fail(n.Location(), fmt.Sprintf("#%s is not available", n.Name), "# is the element")
		}
		return n
	case *ast.BuiltinNode:
		return g.call(n, n.Name, n.Arguments, depth)
	case *ast.CallNode:
		callee, ok := n.Callee.(*ast.IdentifierNode)
		if !ok {
			from, to := spanOf(n.Callee)
			g.unreadable = true
			g.fail(file.Location{From: from, To: to}, "a name cannot be called", "write a function before its argument: lower(zone.name)")
			return n
		}
		return g.call(n, callee.Value, n.Arguments, depth)
	case *ast.SliceNode:
		g.fail(n.Location(), "parts of texts and lists are not available", "use startsWith, endsWith, contains or matches")
	case *ast.MapNode:
		g.fail(n.Location(), "braces are not available", "write a list in square brackets")
	case *ast.ChainNode:
		g.fail(n.Location(), refusals["?."][0], refusals["?."][1])
	default:
		g.fail(n.Location(), "this is not available in conditions", "")
	}
	return n
}

func (g *guard) binary(n *ast.BinaryNode, depth int) ast.Node {
	switch n.Operator {
	case "&&":
		n.Operator = "and"
	case "||":
		n.Operator = "or"
	}
	if !slices.Contains(operators, n.Operator) {
		g.fail(n.Location(), fmt.Sprintf("%q is not available", n.Operator), "")
		return n
	}
	switch n.Operator {
	case "==", "!=", "<", ">", "<=", ">=", "in", "contains", "startsWith", "endsWith":
		if g.compared(n) {
			return n
		}
	case "and", "or":
		if g.textAlone(n) {
			return n
		}
	}
	n.Left = g.node(n.Left, depth)
	n.Right = g.node(n.Right, depth)
	switch n.Operator {
	case "/", "%":
		if v, ok := literalNumber(n.Right); !ok || v == 0 {
			g.fail(n.Location(), fmt.Sprintf("%q needs a number other than 0 on its right", n.Operator),
				"multiply the other side instead: a > b * 2, not a / b > 2")
		}
	case "..":
		from, ok1 := literalNumber(n.Left)
		to, ok2 := literalNumber(n.Right)
		_, isInt1 := n.Left.(*ast.IntegerNode)
		_, isInt2 := n.Right.(*ast.IntegerNode)
		switch {
		case !ok1 || !ok2 || !isInt1 || !isInt2:
			g.fail(n.Location(), "a range needs whole numbers on both sides", "write 1..10, or compare with >= and <=")
		case to < from || to-from > maxRange:
			g.fail(n.Location(), fmt.Sprintf("a range goes up, by at most %d", maxRange), "compare with >= and <= instead")
		}
	case "matches":
		g.pattern(n, depth)
	case "==", "!=", "in":
		g.literals(n)
	}
	return n
}

func (g *guard) pattern(n *ast.BinaryNode, depth int) {
	s, ok := n.Right.(*ast.StringNode)
	if !ok {
		g.fail(n.Location(), "matches needs a pattern in quotes on its right",
			"use contains, startsWith or endsWith to compare with another value")
		return
	}
	if depth > 0 {
		g.fail(n.Location(), "matches is not available inside list functions", "use contains, startsWith or endsWith")
	}
	if utf8.RuneCountInString(s.Value) > maxPattern {
		g.fail(s.Location(), fmt.Sprintf("the pattern is longer than %d characters", maxPattern), "")
		return
	}
	re, err := syntax.Parse(s.Value, syntax.Perl)
	if err != nil {
		g.fail(s.Location(), "bad pattern: "+strings.TrimPrefix(err.Error(), "error parsing regexp: "), "patterns follow RE2")
		return
	}
	prog, err := syntax.Compile(re.Simplify())
	if err != nil {
		g.fail(s.Location(), "bad pattern: "+err.Error(), "")
		return
	}
	g.instructions += len(prog.Inst)
	if g.instructions > maxWork/maxTextValue/workPattern {
		g.fail(s.Location(), "the pattern takes too long on long texts", "use fewer or smaller repetitions such as {10}")
	}
}

func (g *guard) call(n ast.Node, name string, args []ast.Node, depth int) ast.Node {
	if !slices.Contains(allFunctions, name) {
		hint := doc.Suggest(name, allFunctions, "functions are "+strings.Join(Functions(), ", "))
		what := "unknown function"
		if _, isBuiltin := n.(*ast.BuiltinNode); isBuiltin {
			what = "not available: function"
		}
		g.fail(n.Location(), fmt.Sprintf("%s %q", what, name), hint)
		return n
	}
	if name == withinName {
		return g.within(n, args)
	}
	if name == numberName {
		return g.number(n, args, depth)
	}
	if slices.Contains(listFunctions, name) {
		args[0] = g.node(args[0], depth)
		if depth == maxListDepth {
			g.fail(n.Location(), fmt.Sprintf("list functions are nested more than %d deep", maxListDepth), "")
			return n
		}
		for _, a := range args[1:] {
			if p, ok := a.(*ast.PredicateNode); ok {
				p.Node = g.node(p.Node, depth+1)
			} else {
				g.fail(a.Location(), "this is not available in conditions", "")
			}
		}
		return n
	}
	for i := range args {
		args[i] = g.node(args[i], depth)
	}
	return n
}

// number calls our own function, which no condition can spell.
func (g *guard) number(n ast.Node, args []ast.Node, depth int) ast.Node {
	if len(args) != 1 {
		g.fail(n.Location(), "number takes one text", "write number(product.attributes.pages) > 300")
		return n
	}
	callee := &ast.IdentifierNode{Value: numberFunc}
	callee.SetLocation(n.Location())
	call := &ast.CallNode{Callee: callee, Arguments: []ast.Node{g.node(args[0], depth)}}
	from, to := g.span(n)
	call.SetLocation(file.Location{From: from, To: to})
	return call
}

// within writes time_between("22:00", "06:00") as comparisons of the minute of the day.
func (g *guard) within(n ast.Node, args []ast.Node) ast.Node {
	var minutes [2]int
	for i, a := range args {
		s, ok := a.(*ast.StringNode)
		if !ok || len(args) != 2 {
			break
		}
		m, err := hours.ParseClock(s.Value)
		if err != nil {
			g.fail(s.Location(), err.Error(), "")
			return n
		}
		minutes[i] = m
		if i == 1 && minutes[0] != minutes[1] {
			g.use(minutesOfName)
			from, to := g.span(n)
			loc := file.Location{From: from, To: to}
			part := func(op string, value int) ast.Node {
				id, number := &ast.IdentifierNode{Value: minutesOfName}, &ast.IntegerNode{Value: value}
				b := &ast.BinaryNode{Operator: op, Left: id, Right: number}
				for _, x := range []ast.Node{id, number, b} {
					x.SetLocation(loc)
				}
				return b
			}
			b := &ast.BinaryNode{Operator: "and", Left: part(">=", minutes[0]), Right: part("<", minutes[1])}
			if minutes[0] > minutes[1] {
				b.Operator = "or"
			}
			b.SetLocation(loc)
			g.leaves[b] = true
			return b
		}
	}
	g.fail(n.Location(), withinName+" needs two different times of day in quotes", `write time_between("22:00", "06:00")`)
	return n
}

// member resolves a dotted name.
func (g *guard) member(n *ast.MemberNode) ast.Node {
	var parts []string
	whole := n
	from, to := spanOf(n)
	loc := file.Location{From: from, To: to}
	for {
		p, ok := n.Property.(*ast.StringNode)
		if !ok {
			g.fail(n.Location(), "elements of lists and texts are not available", "use in, any(...) or len(...)")
			return n
		}
		if n.Optional {
			g.fail(n.Location(), refusals["?."][0], refusals["?."][1])
			return n
		}
		parts = append(parts, p.Value)
		switch base := n.Node.(type) {
		case *ast.MemberNode:
			n = base
			continue
		case *ast.IdentifierNode:
			parts = append(parts, base.Value)
		default:
			g.fail(loc, "a dot follows something that has no parts", "names are written as zone.kind")
			return n
		}
		break
	}
	slices.Reverse(parts)
	if _, to := g.span(whole); to > loc.To {
		loc.To = to // the bracket in product.attributes["x"]
	}
	return g.name(n, strings.Join(parts, "."), loc)
}

// name resolves a name to one identifier.
func (g *guard) name(n ast.Node, name string, loc file.Location) ast.Node {
	if strings.HasPrefix(name, paramPrefix) {
		return g.param(n, name, loc)
	}
	e, attribute := lookup(name)
	switch {
	case e == nil:
		g.unknown(name, loc)
		return n
	case !e.allows(g.about):
		g.fail(loc, fmt.Sprintf("a rule about %s has no %s", g.about, name),
			fmt.Sprintf("%s belongs to rules about %s", name, strings.Join(e.Subjects, " or ")))
		return n
	case e.attribute && (utf8.RuneCountInString(attribute) > 64 || strings.Contains(attribute, ".")):
		g.fail(loc, "the name of an attribute has at most 64 characters and no dot", "")
		return n
	case e.attribute && g.known.Attributes != nil && !slices.Contains(g.known.Attributes, attribute):
		hint := doc.Nearest(attribute, g.known.Attributes)
		if hint != "" {
			hint = "did you mean " + attributePrefix + hint + "?"
		}
		g.warn(loc, fmt.Sprintf("no product has the attribute %q", attribute), hint)
	}
	if !e.attribute {
		name = e.Name.Name // where a former one is written
	}
	g.use(name)
	id := &ast.IdentifierNode{Value: name}
	id.SetLocation(loc)
	return id
}

func (g *guard) use(name string) {
	if !slices.Contains(g.uses, name) {
		g.uses = append(g.uses, name)
	}
}

func (g *guard) unknown(name string, loc file.Location) {
	if groups[name] {
		i := slices.IndexFunc(entries, func(e entry) bool {
			return strings.HasPrefix(e.Name.Name, name+".") && e.allows(g.about)
		})
		hint := ""
		if i >= 0 {
			hint = "write for instance " + entries[i].Name.Name
		}
		g.fail(loc, fmt.Sprintf("%q stands for several values", name), hint)
		return
	}
	if name == "product.attributes" {
		g.fail(loc, "product.attributes needs the name of one attribute", "write for instance product.attributes.colour")
		return
	}
	hint := ""
	g.unreadable = slices.Contains([]string{"null", "NULL", "None", "undefined"}, name)
	if n := nearestName(name, g.candidates()); n != "" {
		hint = "did you mean " + n + "?"
	} else if group, _, ok := strings.Cut(name, "."); ok && groups[group] {
		hint = "names of " + group + ": " + strings.Join(namesOf(group), ", ")
	}
	g.fail(loc, fmt.Sprintf("unknown name %q", name), hint)
}

// candidates are the names that the subject has; then the others, for the better message that
// follows a second try.
func (g *guard) candidates() []string {
	var own, other []string
	for i := range entries {
		switch {
		case entries[i].attribute:
		case entries[i].allows(g.about):
			own = append(own, entries[i].Name.Name)
		default:
			other = append(other, entries[i].Name.Name)
		}
	}
	return append(own, other...)
}

func namesOf(group string) []string {
	var names []string
	for i := range entries {
		if _, last, ok := strings.Cut(entries[i].Name.Name, "."); ok && strings.HasPrefix(entries[i].Name.Name, group+".") {
			names = append(names, last)
		}
	}
	return names
}

// literals warns about comparisons with a value that cannot occur.
func (g *guard) literals(n *ast.BinaryNode) {
	id, ok := n.Left.(*ast.IdentifierNode)
	values := []ast.Node{n.Right}
	if list, isList := n.Right.(*ast.ArrayNode); isList && n.Operator == "in" {
		values = list.Nodes
	} else if !ok && n.Operator != "in" {
		id, ok = n.Right.(*ast.IdentifierNode)
		values = []ast.Node{n.Left}
	}
	if !ok {
		return
	}
	e, _ := lookup(id.Value)
	if e == nil {
		return
	}
	if v, isNumber := literalNumber(n.Right); e.measured && n.Operator != "in" && isNumber && v != 0 && v != 1 {
		g.warn(n.Location(), e.Name.Name+" is measured, so it hardly ever is exactly one number", "write >= or <=")
	}
	set, what, closed := g.valuesOf(e)
	for _, v := range values {
		s, ok := v.(*ast.StringNode)
		if !ok || s.Value == "" {
			continue
		}
		if e.Name.Name == "product.gtin" {
			g.gtin(s)
		}
		if strings.HasSuffix(e.Name.Name, ".name") && slices.Contains(g.known.Zones, s.Value) {
			g.warn(s.Location(), fmt.Sprintf("%q is the id of a zone, not its name", s.Value),
				"write "+strings.TrimSuffix(e.Name.Name, "name")+"id")
		}
		if set == nil {
			continue
		}
		if slices.Contains(set, s.Value) {
			if strings.HasSuffix(e.Name.Name, ".kind") && g.known.ZoneKinds != nil && !slices.Contains(g.known.ZoneKinds, s.Value) {
				g.warn(s.Location(), fmt.Sprintf("this site has no zone of the kind %q", s.Value), "")
			}
			continue
		}
		hint := ""
		begin := slices.IndexFunc(set, func(v string) bool { return len(s.Value) > 2 && strings.HasPrefix(v, strings.ToLower(s.Value)) })
		if says := unsetDispositions[s.Value]; e.Name.Name == "item.disposition" && says != "" {
			hint = says
		} else if near := doc.Nearest(s.Value, set); e.Name.Name == "cause" && s.Value == event.EventMoved.String() {
			hint = fmt.Sprintf("an item that is moved has the cause %q in its new zone", event.Arrived)
		} else if near != "" {
			hint = fmt.Sprintf("did you mean %q?", near)
		} else if begin >= 0 {
			hint = fmt.Sprintf("did you mean %q?", set[begin])
		} else if closed && len(set) <= 15 {
			hint = "values are " + strings.Join(set, ", ")
		}
		g.warn(s.Location(), fmt.Sprintf(what, s.Value), hint)
	}
}

// unsetDispositions are words for the state of an item that people look for, with what there is
// instead: the fact that they mean, or a state that Lintel does set. Most are dispositions of the GS1
// Core Business Vocabulary 2.0 that nothing sets here.
var unsetDispositions = map[string]string{
	"returned":  `a return sets "sellable_not_accessible"; the return itself is cause == "returned"`,
	"missing":   `a count that does not find an item is cause == "missing"`,
	"stolen":    "no item is ever called stolen: an alert is a prompt to look, never proof",
	"sold":      `write item.paid, or "retail_sold"`,
	"available": `write item.sellable, or "sellable_accessible" for what lies where goods are sold`,
	"destroyed": `what is no longer in use is "inactive"`,
	"damaged":   "nothing reports damage; let the product list or a zone of its own say it",
	"reserved":  "nothing reports that an item is reserved; let a zone of its own say it",
}

// gtin warns of a number that no product can have.
func (g *guard) gtin(s *ast.StringNode) {
	var problem *epc.Error
	if _, err := epc.ParseGTIN(s.Value); errors.As(err, &problem) {
		g.warn(s.Location(), fmt.Sprintf("no product has the GTIN %q", s.Value), problem.Reason)
	} else if len(s.Value) != 14 {
		g.warn(s.Location(), fmt.Sprintf("product.gtin has 14 digits, %q has %d", s.Value, len(s.Value)),
			fmt.Sprintf("write %q", strings.Repeat("0", 14-len(s.Value))+s.Value))
	}
}

// valuesOf returns the values that a name can have, with the message for another one; nil if any
// can occur.
func (g *guard) valuesOf(e *entry) (set []string, message string, closed bool) {
	switch e.Name.Name {
	case "cause":
		return subjectCauses[g.about], "a rule about " + g.about + " is never evaluated for the cause %q", true
	case "zone.id", "from.id", "near.door", "passage.door":
		return g.known.Zones, "this site has no zone %q", false
	case "site.id":
		return g.known.Sites, "there is no site %q", false
	case "product.category":
		return g.known.Categories, "no product is in the category %q", false
	case "reader.id":
		return g.known.Readers, "this site has no read point %q", false
	}
	return e.Values, e.Name.Name + " is never %q", true
}

// literalNumber returns the value of a number, with its sign.
func literalNumber(n ast.Node) (float64, bool) {
	switch n := n.(type) {
	case *ast.IntegerNode:
		return float64(n.Value), true
	case *ast.FloatNode:
		return n.Value, true
	case *ast.UnaryNode:
		v, ok := literalNumber(n.Node)
		if n.Operator == "-" {
			v = -v
		}
		return v, ok && (n.Operator == "-" || n.Operator == "+")
	}
	return 0, false
}
