package rules

import (
	"errors"
	"fmt"
	"reflect"
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

// condition is a compiled `when`, `first` or `unless`. It is read-only and may be shared.
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

// The functions of our own that programs call, by their slots in every set.
const (
	stepSlot   = 0 // the step counter of list functions
	numberSlot = 1 // reads a number out of a text
	ownSlots   = 2
)

// slots gives numbers to the names that a set reads.
type slots struct {
	list   []slot
	number map[string]int
}

func newSlots() *slots {
	return &slots{list: []slot{{name: stepName}, {name: numberFunc}}, number: map[string]int{stepName: stepSlot, numberFunc: numberSlot}}
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
	params *paramSet

	searches int // for slips
}

func newLanguage(known *Known, params *paramSet) *language {
	env := types.Map{stepName: types.TypeOf((func(int) bool)(nil)), numberFunc: types.TypeOf((func(string) float64)(nil))}
	for i := range entries {
		if e := &entries[i]; !e.attribute {
			env[e.Name.Name] = types.TypeOf(e.zero())
		}
	}
	c := conf.New(env)
	c.Expect = reflect.Bool
	c.MaxNodes = maxNodes
	c.DisableIfOperator = true
	return &language{config: c, known: known, params: params}
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
	text   file.Source
	root   ast.Node
	always *bool // it is the same whatever the environment
	cost   int   // of evaluating it, at worst, in the units of MaxCost
	work   int   // the same, with texts and lists as long as an evaluator lets in
}

// parse checks a condition. The problems are in the result; without an error among them root is
// ready for compile.
func (l *language) parse(source, about string) *parsed {
	p := l.read(source, about)
	if p.unreadable && l.searches < maxSearches {
		l.searches++
		if slip, ok := findSlip(source); ok {
			p.problems = append(slices.DeleteFunc(p.problems, func(q problem) bool { return !q.warning }), slip)
		}
	}
	return p
}

// read is parse without the search for slips.
func (l *language) read(source, about string) *parsed {
	p := &parsed{guard: guard{about: about, known: l.known, params: l.params, leaves: make(map[ast.Node]bool), source: []rune(source)},
		text: file.NewSource(source)}
	p.length = utf8.RuneCountInString(source)
	if len(source) > MaxCondition {
		p.fail(file.Location{}, fmt.Sprintf("the condition has %d bytes; at most %d are allowed", len(source),
			MaxCondition), "split it into several rules")
		return p
	}
	if strings.TrimSpace(source) == "" {
		p.fail(file.Location{}, "the condition is empty", `write for instance: when: zone.kind == "exit"`)
		return p
	}
	tokens, err := lexer.Lex(p.text)
	if p.unreadable = true; err != nil {
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
	p.unreadable = false
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

// limitWork refuses conditions that can take too long and puts the step counter into list
// functions.
func (p *parsed) limitWork(tree *parser.Tree, config *conf.Config) {
	p.cost = costOf(p.root, p.instructions)
	w := worker{sizes: hardest, weights: make(map[*ast.PredicateNode]int)}
	w.node(p.root)
	w.work += p.instructions * workPattern * maxTextValue
	p.work = w.work
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

// count makes every list function say how much work a round is: the body b becomes "step(weight);
// b".
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

// checkTypes refuses what the checker of the language lets pass but could fail or surprise while
// running.
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

// compile makes a program of a checked tree.
func (l *language) compile(p *parsed, root ast.Node, s *slots, optimize bool) (*condition, error) {
	config := *l.config
	config.Optimize = optimize
	tree := &parser.Tree{Node: root, Source: p.text}
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
		if v, err := e.run(c, &Env{}); err == nil {
			p.always = &v
		}
	}
	return c, err
}

// allowedOps is a second wall behind the guard: what a program may consist of. Anything else, such
// as reading a variable, a field or the whole environment, calling an arbitrary function, or
// building a map, is refused.
var allowedOps = func() (ops [256]bool) {
	for _, op := range []vm.Opcode{vm.OpPush, vm.OpInt, vm.OpPop, vm.OpLoadFast, vm.OpLoadVar, vm.OpTrue, vm.OpFalse, vm.OpNegate, vm.OpNot,
		vm.OpEqual, vm.OpEqualInt, vm.OpEqualString, vm.OpJump, vm.OpJumpIfTrue, vm.OpJumpIfFalse, vm.OpJumpIfEnd,
		vm.OpJumpBackward, vm.OpIn,
		vm.OpLess, vm.OpMore, vm.OpLessOrEqual, vm.OpMoreOrEqual, vm.OpAdd, vm.OpSubtract, vm.OpMultiply, vm.OpDivide,
		vm.OpModulo, vm.OpRange,
		vm.OpMatchesConst, vm.OpContains, vm.OpStartsWith, vm.OpEndsWith, vm.OpCall1, vm.OpCall2, vm.OpCall3, vm.OpCallN, vm.OpLoadFunc,
		vm.OpCallTyped, vm.OpCallBuiltin1, vm.OpArray, vm.OpLen, vm.OpCast, vm.OpIncrementIndex, vm.OpIncrementCount, vm.OpGetIndex,
		vm.OpGetCount, vm.OpGetLen, vm.OpPointer, vm.OpBegin, vm.OpEnd} {
		ops[op] = true
	}
	return ops
}()

// link replaces each look-up of a name in a map by a load from a numbered variable, which is what
// the evaluator fills. Conditions have no variables of their own, so the numbers are free. Of the
// ways measured on Env this was the fastest: a map that is filled anew for each environment costs
// about a third more, reading the struct through a pointer ten times as much and three allocations.
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
		if n >= ownSlots && !slices.Contains(c.reads, n) {
			c.reads = append(c.reads, n)
		}
	}
	return c, nil
}
