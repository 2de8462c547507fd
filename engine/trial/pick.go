package trial

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"lintel/rules"
)

// Version is one rule of a document, ready to be tried by itself.
type Version struct {
	Rule   *rules.Rule // as it is written
	live   *rules.Set  // it alone, in mode live
	always *rules.Set  // the same at all hours; nil where it is at work at all hours
}

// Digest identifies how the rule behaves once it is live: two versions with the same one come to the same.
func (v *Version) Digest() string { return v.live.Rules()[0].Digest }

// UnknownRuleError says that a document has no rule of a name.
type UnknownRuleError struct {
	Name string   // "" if none was named and there are several
	Have []string // the rules that there are
}

func (e *UnknownRuleError) Error() string {
	have := strings.Join(e.Have[:min(len(e.Have), 20)], ", ")
	switch {
	case len(e.Have) == 0:
		return "there are no rules"
	case e.Name == "":
		return "there are several rules; name one of " + have
	}
	return fmt.Sprintf("there is no rule %q; there are %s", e.Name, have)
}

// Pick takes one rule out of a document. known says what there is, and with its Site, whose params hold. An empty name means the only rule. The version is nil if the document has
// errors, which the diagnostics tell; the error is an *UnknownRuleError, or says why the rule can't stand alone.
func Pick(file string, text []byte, known rules.Known, name string) (*Version, []rules.Diagnostic, error) {
	set, found := rules.Check(file, text, known)
	if set == nil {
		return nil, found, nil
	}
	v := &Version{}
	var have []string
	for _, r := range set.Rules() {
		have = append(have, r.Name)
		if r.Name == name {
			v.Rule = r
		}
	}
	if name == "" && len(have) == 1 {
		v.Rule = set.Rules()[0]
	}
	if v.Rule == nil {
		return nil, found, &UnknownRuleError{name, have}
	}
	live := func(key string) bool { return key != "mode" }
	var err error
	if v.live, err = alone(text, known.Site, v.Rule.Name, live); err != nil {
		return nil, found, err
	}
	if v.Rule.Hours != rules.HoursAlways {
		if v.always, err = alone(text, known.Site, v.Rule.Name, func(key string) bool { return key != "hours" && live(key) }); err != nil {
			return nil, found, err
		}
	}
	return v, found, nil
}

// alone compiles one rule of a document by itself, with those of its keys that keep lets through. What the document says beside its rules stays.
func alone(text []byte, site, rule string, keep func(key string) bool) (*rules.Set, error) {
	src, err := writeAlone(text, rule, keep)
	if err != nil {
		return nil, fmt.Errorf("the rule %q can't be tried by itself: %w", rule, err)
	}
	set, found := rules.Check(rule, src, rules.Known{Site: site})
	for _, d := range found {
		if set == nil && d.Severity == rules.SeverityError {
			return nil, fmt.Errorf("the rule %q can't be tried by itself: %s", rule, d.Message)
		}
	}
	return set, nil
}

// writeAlone writes a document with one rule of another.
func writeAlone(text []byte, rule string, keep func(key string) bool) (src []byte, err error) {
	clean := strings.ReplaceAll(strings.TrimPrefix(string(text), "\ufeff"), "\r\n", "\n")
	f, err := parser.ParseBytes([]byte(clean), 0)
	if err != nil || len(f.Docs) == 0 {
		return nil, errors.Join(err, errors.New("its document can't be read"))
	}
	var b strings.Builder
	for _, p := range pairs(f.Docs[0].Body) {
		key, _ := plain(p.Key)
		seq, ok := p.Value.(*ast.SequenceNode)
		if key != "rules" || !ok {
			v, err := flow(p.Value)
			if err != nil {
				return nil, err
			}
			fmt.Fprintf(&b, "%s: %s\n", key, v)
			continue
		}
		b.WriteString("rules:\n")
		for _, n := range seq.Values {
			members := pairs(n)
			if !slices.ContainsFunc(members, func(p *ast.MappingValueNode) bool {
				k, _ := plain(p.Key)
				v, _ := plain(p.Value)
				return k == "name" && v == rule
			}) {
				continue
			}
			indent := "  - "
			for _, m := range members {
				k, _ := plain(m.Key)
				if !keep(k) {
					continue
				}
				v, err := flow(m.Value)
				if err != nil {
					return nil, err
				}
				fmt.Fprintf(&b, "%s%s: %s\n", indent, k, v)
				indent = "    "
			}
		}
	}
	return []byte(b.String()), nil
}

func pairs(n ast.Node) []*ast.MappingValueNode {
	switch m := n.(type) {
	case *ast.MappingNode:
		return m.Values
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{m}
	}
	return nil
}

// plain returns a scalar as the text that was written, as the reader of rules takes it. quote says that it must be in quotes to stay a text.
func plain(n ast.Node) (text string, quote bool) {
	switch v := n.(type) {
	case *ast.LiteralNode:
		return v.Value.Value, true
	case *ast.StringNode:
		return v.Value, true
	case nil:
		return "", false
	}
	return n.GetToken().Value, false
}

// flow writes a value on one line.
func flow(n ast.Node) (string, error) {
	switch v := n.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		var parts []string
		for _, p := range pairs(n) {
			key, err := flow(p.Key)
			if err != nil {
				return "", err
			}
			value, err := flow(p.Value)
			if err != nil {
				return "", err
			}
			parts = append(parts, key+": "+value)
		}
		return "{" + strings.Join(parts, ", ") + "}", nil
	case *ast.SequenceNode:
		var parts []string
		for _, e := range v.Values {
			s, err := flow(e)
			if err != nil {
				return "", err
			}
			parts = append(parts, s)
		}
		return "[" + strings.Join(parts, ", ") + "]", nil
	case *ast.StringNode, *ast.LiteralNode, *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.NullNode, *ast.InfinityNode, *ast.NanNode:
		text, quote := plain(n)
		if !quote {
			return text, nil
		}
		// A JSON string is a double-quoted YAML one (YAML 1.2.2, section 1.2).
		q, err := json.Marshal(text)
		return unescapeHTML.Replace(string(q)), err
	}
	return "", fmt.Errorf("it holds a %T", n)
}

// unescapeHTML undoes what encoding/json does for web pages, which only makes a long condition longer.
var unescapeHTML = strings.NewReplacer(`\u003c`, "<", `\u003e`, ">", `\u0026`, "&")
