package trial

import (
	"fmt"
	"strings"

	"lintel/rules"
	"lintel/rules/doc"
)

// Version is one rule of a document, ready to be tried by itself.
type Version struct {
	Rule   *rules.Rule // as it is written
	live   *rules.Set  // it alone, in mode live
	always *rules.Set  // the same at all hours; nil where it is at work at all hours
}

// Digest identifies how the rule behaves once it is live: two versions with the same one come to
// the same.
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

// Pick takes one rule out of a document. known says what there is, and with its Site, whose params
// hold. An empty name means the only rule. The version is nil if the document has errors, which the
// diagnostics tell; the error is an *UnknownRuleError, or says why the rule can't stand alone.
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
	var err error
	if v.live, err = alone(set, v.Rule.Name, "mode"); err != nil {
		return nil, found, err
	}
	if v.Rule.Hours != rules.HoursAlways {
		if v.always, err = alone(set, v.Rule.Name, "mode", "hours"); err != nil {
			return nil, found, err
		}
	}
	return v, found, nil
}

// alone compiles one rule of a document by itself, without some of its keys. What the document says
// beside its rules stays.
func alone(all *rules.Set, rule string, without ...string) (*rules.Set, error) {
	set, found := all.Only([]string{rule}, without...)
	for _, d := range found {
		if set == nil && d.Severity == doc.SeverityError {
			return nil, fmt.Errorf("the rule %q can't be tried by itself: %s", rule, d.Reason)
		}
	}
	return set, nil
}
