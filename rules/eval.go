package rules

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/vm"
)

// RunError says that a rule failed while it ran. It is about the rule, not about the fact: report
// it once per rule, and treat the answer as unknown.
type RunError struct {
	Rule   string
	File   string
	Line   int
	Column int
	Reason string
}

func (e *RunError) Error() string {
	return fmt.Sprintf("%s:%d:%d: rule %s: %s", e.File, e.Line, e.Column, e.Rule, e.Reason)
}

// Evaluator runs the rules of a set on environments. It is not for concurrent use; make one for
// each goroutine.
type Evaluator struct {
	set        *Set
	vm         vm.VM
	steps      int
	candidates []*Rule
	interned   map[string]any
	message    []byte
}

var errSteps = errors.New("the list functions of this condition go round too often")

// NewEvaluator makes an evaluator of the set.
func (s *Set) NewEvaluator() *Evaluator {
	e := &Evaluator{set: s, interned: make(map[string]any)}
	e.vm.MemoryBudget = memoryBudget
	e.vm.Stack = make([]any, 0, 16)
	e.vm.Variables = make([]any, len(s.slots))
	e.vm.Variables[stepSlot] = func(weight int) bool {
		if e.steps += weight; e.steps > maxSteps {
			panic(errSteps)
		}
		return true
	}
	e.vm.Variables[numberSlot] = numberIn
	return e
}

// maxNumber is how long a text may be that numberIn reads.
const maxNumber = 40

// numberIn reads a text as a number, "2.5" or "2,5"; what is none is 0.
func numberIn(text string) float64 {
	text = strings.TrimSpace(text)
	if len(text) > maxNumber {
		return 0
	}
	if !strings.Contains(text, ".") {
		text = strings.Replace(text, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || v-v != 0 {
		return 0
	}
	return v
}

// Candidates returns the rules about this subject that could be true in env after a fact of this
// kind, in the order of the document: rules that are off, that the cause cannot make true, or that
// ask for another zone, product or the like are left out. For a cause that is not known, and for
// "", only the environment narrows them down. The slice is valid until the next call.
func (e *Evaluator) Candidates(about, cause string, env *Env) []*Rule {
	e.candidates = e.candidates[:0]
	s := e.set.index[about]
	if s == nil {
		return e.candidates
	}
	b := s.byCause[cause]
	if b == nil {
		b = s.any
	}
	e.candidates = b.candidates(e.candidates, e.set.rules, env)
	return e.candidates
}

// True reports whether the rule's condition is true in env: of a sequence, whether what comes last is
// true and nothing calls it off. The rule must be of this evaluator's set. The error is a *RunError.
func (e *Evaluator) True(r *Rule, env *Env) (bool, error) {
	if yes, err := e.Then(r, env); !yes || err != nil {
		return false, err
	}
	off, err := e.CalledOff(r, env)
	return !off && err == nil, err
}

// holds reports whether one of the rule's conditions is true in env.
func (e *Evaluator) holds(r *Rule, c *clause, env *Env) (bool, error) {
	if !e.owns(r) {
		return false, &RunError{Rule: r.Name, File: r.File, Line: r.Line, Column: 1, Reason: "the rule is of another set"}
	}
	out, err := e.run(c.condition, env)
	if err != nil {
		return false, r.runError(c, err)
	}
	return out, nil
}

// owns tells rules of this set from those of an older version, whose programs read other numbers.
func (e *Evaluator) owns(r *Rule) bool {
	return r.Index < len(e.set.rules) && e.set.rules[r.Index] == r
}

func (e *Evaluator) run(c *condition, env *Env) (bool, error) {
	e.steps = 0
	return e.goOn(c, env)
}

// goOn is run for one of several conditions that share what list functions may do.
func (e *Evaluator) goOn(c *condition, env *Env) (bool, error) {
	for _, n := range c.reads {
		e.load(n, env)
	}
	out, err := e.vm.Run(c.program, nil)
	if err != nil {
		return false, err
	}
	b, ok := out.(bool)
	if !ok {
		return false, errors.New("the condition has no answer")
	}
	return b, nil
}

func (r *Rule) runError(c *clause, err error) error {
	e := &RunError{Rule: r.Name, File: r.File, Line: r.Line, Column: 1, Reason: err.Error()}
	var fe *file.Error
	if errors.As(err, &fe) {
		at := c.source.place(fe.From)
		e.Line, e.Column, e.Reason = at.line, at.column, fe.Message
	}
	if errors.Is(err, errSteps) {
		e.Reason = errSteps.Error()
	}
	return e
}

// load puts the value of a name where programs find it. A value that was there before is used
// again, since boxing a new one costs an allocation; values that come back often are kept for
// longer.
func (e *Evaluator) load(n int, env *Env) {
	s := &e.set.slots[n]
	old := &e.vm.Variables[n]
	switch {
	case s.entry.text != nil:
		e.loadText(old, s.entry.text(env), s.entry.few)
	case s.entry.yes != nil:
		*old = s.entry.yes(env)
	case s.entry.whole != nil:
		v := s.entry.whole(env)
		if was, ok := (*old).(int); !ok || was != v {
			*old = v
		}
	case s.entry.number != nil:
		v := s.entry.number(env)
		if was, ok := (*old).(float64); !ok || math.Float64bits(was) != math.Float64bits(v) {
			*old = v
		}
	case s.entry.list != nil:
		v := cutList(s.entry.list(env))
		if was, ok := (*old).([]string); !ok || len(was) != len(v) || len(v) == 0 || &was[0] != &v[0] {
			*old = v
		}
	default:
		e.loadText(old, env.Product.Attributes[s.key], true)
	}
}

// What an evaluator keeps boxed: so many texts of so many bytes each.
const (
	maxInterned     = 4096
	maxInternedText = 256
)

func (e *Evaluator) loadText(old *any, v string, few bool) {
	v = cut(v)
	if was, ok := (*old).(string); ok && was == v {
		return
	}
	if !few || len(v) > maxInternedText {
		*old = v
		return
	}
	boxed, ok := e.interned[v]
	if !ok {
		if len(e.interned) == maxInterned {
			clear(e.interned)
		}
		v = strings.Clone(v)
		boxed = v
		e.interned[v] = boxed
	}
	*old = boxed
}

// cut bounds a text of the environment.
func cut(s string) string {
	if len(s) <= maxTextValue {
		return s
	}
	return cutAt(s, maxTextValue)
}

// cutAt cuts a text that is longer than n bytes, between characters.
func cutAt(s string, n int) string {
	for i := n; i > n-utf8.UTFMax && i > 0; i-- {
		if utf8.RuneStart(s[i]) {
			return s[:i]
		}
	}
	return s[:n] // it is not UTF-8
}

// cutList bounds a list of the environment and its texts.
func cutList(list []string) []string {
	list = list[:min(len(list), maxListValue)]
	for i, s := range list {
		if len(s) > maxTextValue {
			short := make([]string, len(list))
			copy(short, list[:i])
			for j := i; j < len(list); j++ {
				short[j] = cut(list[j])
			}
			return short
		}
	}
	return list
}
