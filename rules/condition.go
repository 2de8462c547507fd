package rules

import (
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/checker"
	"github.com/expr-lang/expr/checker/nature"
	"github.com/expr-lang/expr/compiler"
	"github.com/expr-lang/expr/conf"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/optimizer"
	"github.com/expr-lang/expr/parser"
	"github.com/expr-lang/expr/parser/lexer"
	"github.com/expr-lang/expr/types"
	"github.com/expr-lang/expr/vm"
)

// condition is a compiled `when`. It is read-only and may be shared.
type condition struct {
	program *vm.Program
	reads   []int // slots that must be loaded before it runs
}

// slot is one value of the environment that some rule of a set reads.
type slot struct {
	name  string
	entry *entry
	key   string // of an attribute
}

// stepSlot holds the step counter of list functions in every set.
const stepSlot = 0

// slots gives numbers to the names that a set reads.
type slots struct {
	list   []slot
	number map[string]int
}

func newSlots() *slots {
	return &slots{list: []slot{{name: stepName}}, number: map[string]int{stepName: stepSlot}}
}

func (s *slots) of(name string) int {
	if n, ok := s.number[name]; ok {
		return n
	}
	e, key := lookup(name)
	s.list = append(s.list, slot{name: name, entry: e, key: key})
	s.number[name] = len(s.list) - 1
	return len(s.list) - 1
}

// language is the checker's view of the environment. It is not for concurrent use.
type language struct {
	config *conf.Config
	known  *Known
}

func newLanguage(known *Known) *language {
	env := types.Map{stepName: types.TypeOf((func(int) bool)(nil))}
	for i := range entries {
		if e := &entries[i]; !e.attribute {
			env[e.Name.Name] = types.TypeOf(e.zero())
		}
	}
	c := conf.New(env)
	c.Expect = reflect.Bool
	c.MaxNodes = maxNodes
	c.DisableIfOperator = true
	return &language{config: c, known: known}
}

// zero is a value of the entry's type.
func (e *entry) zero() any {
	switch {
	case e.yes != nil:
		return false
	case e.whole != nil:
		return 0
	case e.number != nil:
		return 0.0
	case e.list != nil:
		return []string(nil)
	}
	return ""
}

// parsed is a condition that passed the guard and the type checker.
type parsed struct {
	guard
	source file.Source
	root   ast.Node
	always *bool // it is the same whatever the environment
}

// parse checks a condition. The problems are in the result; without an error among them root is ready for compile.
func (l *language) parse(source, about string) *parsed {
	p := &parsed{guard: guard{about: about, known: l.known, leaves: make(map[ast.Node]bool)}, source: file.NewSource(source)}
	p.length = utf8.RuneCountInString(source)
	if len(source) > MaxCondition {
		p.fail(file.Location{}, fmt.Sprintf("the condition has %d bytes; at most %d are allowed", len(source), MaxCondition), "split it into several rules")
		return p
	}
	if strings.TrimSpace(source) == "" {
		p.fail(file.Location{}, "the condition is empty", `write for instance: when: zone.kind == "exit"`)
		return p
	}
	tokens, err := lexer.Lex(p.source)
	if err != nil {
		p.translate(err, source)
		return p
	}
	p.tokens = tokens
	if p.checkTokens(); p.failed() {
		return p
	}
	tree, err := parser.ParseWithConfig(source, l.config)
	if err != nil {
		p.translate(err, source)
		return p
	}
	p.root = p.node(tree.Node, 0)
	if p.failed() {
		return p
	}
	for _, name := range p.uses {
		if _, key := lookup(name); key != "" {
			l.config.Env.Fields[name] = nature.FromType(reflect.TypeFor[string]())
		}
	}
	tree.Node = p.root
	if _, err := checker.Check(tree, l.config); err != nil {
		p.translate(err, source)
		return p
	}
	p.checkTypes(p.root, &l.config.NtCache, 0)
	if p.failed() {
		return p
	}
	p.limitWork(tree, l.config)
	return p
}

// limitWork refuses conditions that can take too long and puts the step counter into list functions.
func (p *parsed) limitWork(tree *parser.Tree, config *conf.Config) {
	w := worker{weights: make(map[*ast.PredicateNode]int)}
	w.node(p.root)
	w.work += p.instructions * workPattern * maxTextValue
	switch {
	case w.work > maxWork:
		p.fail(file.Location{}, "the condition can take too long", "compare fewer and shorter texts, or split it into several rules")
	case w.built > maxTextBuilt:
		p.fail(file.Location{}, "the condition can build too much text", "join fewer texts with +")
	case w.steps > maxSteps:
		p.fail(file.Location{}, "the list functions of this condition go round too often", "use shorter ranges, or compare with >= and <=")
	}
	if p.failed() || len(w.weights) == 0 {
		return
	}
	p.count(p.root, w.weights)
	if _, err := checker.Check(tree, config); err != nil {
		p.translate(err, tree.Source.String())
	}
}

// count makes every list function say how much work a round is: the body b becomes "step(weight); b".
func (p *parsed) count(n ast.Node, weights map[*ast.PredicateNode]int) {
	if pred, ok := n.(*ast.PredicateNode); ok {
		p.count(pred.Node, weights)
		id, weight := &ast.IdentifierNode{Value: stepName}, &ast.IntegerNode{Value: weights[pred]}
		call := &ast.CallNode{Callee: id, Arguments: []ast.Node{weight}}
		seq := &ast.SequenceNode{Nodes: []ast.Node{call, pred.Node}}
		for _, x := range []ast.Node{id, weight, call, seq} {
			x.SetLocation(pred.Location())
		}
		pred.Node = seq
		return
	}
	for _, c := range children(n) {
		p.count(c, weights)
	}
}

// checkTypes refuses what the checker of the language lets pass but could fail or surprise while running.
func (p *parsed) checkTypes(n ast.Node, cache *nature.Cache, depth int) {
	for _, c := range children(n) {
		if _, ok := n.(*ast.PredicateNode); ok {
			p.checkTypes(c, cache, depth+1)
			continue
		}
		p.checkTypes(c, cache, depth)
	}
	if p.failed() {
		return
	}
	fail := func(message, hint string) {
		from, to := p.span(n)
		p.fail(file.Location{From: from, To: to}, message, hint)
	}
	t := n.Nature()
	switch n := n.(type) {
	case *ast.PredicateNode:
		return
	case *ast.ArrayNode:
		for _, c := range n.Nodes[1:] {
			if k, first := c.Nature(), n.Nodes[0].Nature(); !sameKind(k, first) {
				fail("a list holds either texts or numbers, not both", "")
				return
			}
		}
		return // its elements may be whole numbers and numbers mixed
	case *ast.BinaryNode:
		l, r := n.Left.Nature(), n.Right.Nature()
		switch n.Operator {
		case "==", "!=", "<", ">", "<=", ">=":
			if l.IsArray() || r.IsArray() {
				fail("lists cannot be compared", "write value in list, or any(list, # == value)")
				return
			}
		case "in":
			if l.IsArray() || !r.IsArray() {
				fail("in needs one value on its left and a list on its right", inHint)
				return
			}
		case "+":
			if t.IsString() && depth > 0 {
				fail("texts cannot be joined inside list functions", "compare the parts")
				return
			}
		}
	case *ast.BuiltinNode:
		switch n.Name {
		case "min", "max":
			for _, a := range n.Arguments {
				if k := a.Nature(); !k.IsNumber() {
					fail(n.Name+" takes numbers", "write "+n.Name+"(stock.count, 10)")
					return
				}
			}
		case "abs", "ceil", "floor", "round":
			if k := n.Arguments[0].Nature(); !k.IsNumber() {
				fail(n.Name+" takes a number", "")
				return
			}
		case "trim":
			if len(n.Arguments) > 1 {
				fail("trim takes one text", "")
				return
			}
		case "len":
			if k := n.Arguments[0].Nature(); !k.IsString() && !k.IsArray() {
				fail("len takes a text or a list", "")
				return
			}
		}
	}
	if c, ok := n.(*ast.ConditionalNode); ok && t.IsUnknown(cache) && c.Exp1.Nature().IsNumber() && c.Exp2.Nature().IsNumber() {
		fail("one side of ? : is a whole number, the other is not", "write 0.0 instead of 0")
		return
	}
	if t.IsUnknown(cache) || t.Nil {
		fail("this can be of different types", "make both sides texts, or both numbers")
	}
}

func sameKind(a, b *nature.Nature) bool {
	return a.IsString() && b.IsString() || a.IsNumber() && b.IsNumber() || a.IsBool() && b.IsBool()
}

const inHint = `write zone.kind in ["shelf", "floor"]; for parts of texts write contains`

var (
	mismatch   = regexp.MustCompile(`^invalid operation: (\S+) \(mismatched types? (.+)\)$`)
	unexpected = regexp.MustCompile(`^unexpected token (\w+)(?:\((.*)\))?$`)
	wrongType  = regexp.MustCompile(`^expected bool, but got (.+)$`)
	goTypes    = strings.NewReplacer("[]interface {}", "list", "[]string", typeList, "float64", typeFloat, "string", typeText, "bool", typeBool,
		"[]int", "list of numbers", "int", typeInt, "interface {}", "any value")
)

// phrases says in plain words what the checker says of calls. Each $n is a type or a function.
var phrases = []struct {
	was *regexp.Regexp
	is  string
}{
	{regexp.MustCompile(`^predicate should return boolean \(got (.+)\)$`), "the condition for each element must be yes/no, but this is a $1"},
	{regexp.MustCompile(`^builtin (\w+) takes only array \(got (.+)\)$`), "$1 takes a list, not a $2"},
	{regexp.MustCompile(`^cannot use (.+) as argument \(type (.+)\) to call (\w+) ?$`), "$3 takes a $2, not a $1"},
	{regexp.MustCompile(`^invalid argument for (\w+) \(type (.+)\)$`), "$1 does not take a $2"},
	{regexp.MustCompile(`^cannot use (.+) as type (.+) in array$`), "a $1 cannot be in a list of $2"},
	{regexp.MustCompile(`^expected at least 2 arguments$`), "a list function takes a list and a condition: any(product.home_zones, # == zone.id)"},
}

// goType finds the names of Go types in a message of the checker.
var goType = regexp.MustCompile(`\[\]interface \{\}|\[\]string|\[\]int|interface \{\}|\bfloat64\b|\bstring\b|\bbool\b|\bint\b`)

func rephrase(message string) string {
	for _, p := range phrases {
		if p.was.MatchString(message) {
			message = p.was.ReplaceAllString(message, p.is)
			break
		}
	}
	return goType.ReplaceAllStringFunc(message, goTypes.Replace)
}

// translate turns an error of the language's own parser or checker into plain words.
func (p *parsed) translate(err error, source string) {
	loc := file.Location{}
	message, hint := err.Error(), ""
	var fe *file.Error
	if errors.As(err, &fe) {
		loc, message = fe.Location, fe.Message
	}
	if m := mismatch.FindStringSubmatch(message); m != nil {
		op, kinds := m[1], goTypes.Replace(m[2])
		message = fmt.Sprintf("%q cannot be used on %s", op, kinds)
		switch {
		case op == "in":
			hint = inHint
		case strings.Contains(" and or not ", " "+op+" "):
			hint = "both sides of and, or, not must be yes/no: compare the value with something"
		case strings.Contains(kinds, typeText) && strings.Contains(kinds, typeInt):
			hint = "numbers are written without quotes, texts with quotes"
		}
	} else if m := unexpected.FindStringSubmatch(message); m != nil {
		message, hint = "unexpected "+m[2], ""
		if m[1] == "EOF" || m[2] == "" {
			message, hint = "the condition ends too early", "a value or a closing bracket is missing"
			end := utf8.RuneCountInString(strings.TrimRight(source, " \t\n"))
			loc = file.Location{From: end, To: end + 1}
		} else if m[2] == `"#"` {
			hint = "comments in a condition begin with //; # is the element inside a list function"
		} else if m[1] == "Identifier" || m[1] == "Number" || m[1] == "String" {
			hint = "an operator such as ==, and, or is missing before it"
		}
	} else if m := wrongType.FindStringSubmatch(message); m != nil {
		message = "the condition must be yes/no, but this is a " + goTypes.Replace(m[1])
		hint = "compare it with something"
		loc = file.Location{From: 0, To: p.length}
	} else {
		switch {
		case strings.Contains(message, "exceeds maximum allowed nodes"):
			message, hint = fmt.Sprintf("the condition has more than %d parts", maxNodes), "split it into several rules"
			loc = file.Location{}
		case strings.HasPrefix(message, "invalid ") && strings.Contains(message, " literal: "), strings.HasSuffix(message, "literal is too large"):
			message, loc = "the number is too large", p.numberBefore(loc)
		case message == "literal not terminated":
			message, hint = "a quote is not closed", "close it on the same line"
		case strings.HasPrefix(message, "unrecognized character"), strings.HasPrefix(message, "bad number syntax"):
			message = strings.Replace(message, "unrecognized character:", "unexpected character", 1)
		case strings.HasPrefix(message, "not enough arguments"), strings.HasPrefix(message, "too many arguments"), strings.HasPrefix(message, "invalid number of arguments"):
			message = strings.Replace(message, " to call ", " for ", 1)
		default:
			message = rephrase(message)
		}
	}
	p.fail(loc, message, hint)
}

// numberBefore is the place of the last number before loc, which is where the parser was when it met it.
func (p *parsed) numberBefore(loc file.Location) file.Location {
	for i := len(p.tokens) - 1; i >= 0; i-- {
		if t := p.tokens[i]; t.Kind == lexer.Number && t.From < max(loc.From, 1) {
			return t.Location
		}
	}
	return loc
}

// compile makes a program of a checked tree.
func (l *language) compile(p *parsed, root ast.Node, s *slots, optimize bool) (*condition, error) {
	config := *l.config
	config.Optimize = optimize
	tree := &parser.Tree{Node: root, Source: p.source}
	if optimize {
		if err := optimizer.Optimize(&tree.Node, &config); err != nil {
			return nil, err
		}
		if b, ok := tree.Node.(*ast.BoolNode); ok {
			p.always = &b.Value
		}
	}
	program, err := compiler.Compile(tree, &config)
	if err != nil {
		return nil, err
	}
	c, err := link(program, s)
	if optimize && err == nil && p.always == nil && len(p.uses) == 0 {
		e := (&Set{slots: s.list}).NewEvaluator()
		if v, err := e.run(c); err == nil {
			p.always = &v
		}
	}
	return c, err
}

// allowedOps is a second wall behind the guard: what a program may consist of. Anything else, such as reading a variable, a field or the
// whole environment, calling an arbitrary function, or building a map, is refused.
var allowedOps = func() (ops [256]bool) {
	for _, op := range []vm.Opcode{vm.OpPush, vm.OpInt, vm.OpPop, vm.OpLoadFast, vm.OpLoadVar, vm.OpTrue, vm.OpFalse, vm.OpNegate, vm.OpNot,
		vm.OpEqual, vm.OpEqualInt, vm.OpEqualString, vm.OpJump, vm.OpJumpIfTrue, vm.OpJumpIfFalse, vm.OpJumpIfEnd, vm.OpJumpBackward, vm.OpIn,
		vm.OpLess, vm.OpMore, vm.OpLessOrEqual, vm.OpMoreOrEqual, vm.OpAdd, vm.OpSubtract, vm.OpMultiply, vm.OpDivide, vm.OpModulo, vm.OpRange,
		vm.OpMatchesConst, vm.OpContains, vm.OpStartsWith, vm.OpEndsWith, vm.OpCall1, vm.OpCall2, vm.OpCall3, vm.OpCallN, vm.OpLoadFunc,
		vm.OpCallTyped, vm.OpCallBuiltin1, vm.OpArray, vm.OpLen, vm.OpCast, vm.OpIncrementIndex, vm.OpIncrementCount, vm.OpGetIndex,
		vm.OpGetCount, vm.OpGetLen, vm.OpPointer, vm.OpBegin, vm.OpEnd} {
		ops[op] = true
	}
	return ops
}()

// link replaces each look-up of a name in a map by a load from a numbered variable, which is what the evaluator fills. Conditions have no
// variables of their own, so the numbers are free. Of the ways measured on Env this was the fastest: a map that is filled anew for each
// environment costs about a third more, reading the struct through a pointer ten times as much and three allocations.
func link(program *vm.Program, s *slots) (*condition, error) {
	c := &condition{program: program}
	for i, op := range program.Bytecode {
		if !allowedOps[op] {
			return nil, fmt.Errorf("the condition needs operation %d, which is not allowed", op)
		}
		if op == vm.OpLoadVar {
			return nil, errors.New("the condition has a variable, which is not allowed")
		}
		if op != vm.OpLoadFast {
			continue
		}
		name, ok := program.Constants[program.Arguments[i]].(string)
		if !ok {
			return nil, errors.New("the condition reads something without a name")
		}
		n := s.of(name)
		program.Bytecode[i], program.Arguments[i] = vm.OpLoadVar, n
		if n != stepSlot && !slices.Contains(c.reads, n) {
			c.reads = append(c.reads, n)
		}
	}
	return c, nil
}
