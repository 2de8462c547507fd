package api

import (
	"errors"
	"net/http"
	"slices"
	"strings"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/store"
)

// ruleHistory are the routes about what one rule was.
func (h ruleRoutes) ruleHistory() []kit.Route {
	diff := h.diffRoute("/v1/rules/{name}", "rule", named(engine.RulesDocument), diffRule)
	diff.Codes = append(diff.Codes, kit.CodeInvalidDocument)
	return []kit.Route{diff, {
		Method: "GET", Path: "/v1/rules/{name}/versions", Name: "ruleChanges", Group: "Documents",
		Summary: "List the versions of the rules in which one rule changed",
		Scopes:  readers, Params: []kit.Param{kit.Query("before", "Only versions before this one.").Of(kit.IntSchema(1, 0, 0)),
			kit.Query("limit", "How many versions of the document are looked through, at most.").Of(kit.IntSchema(1, 500, 100))},
		Answers: []kit.Answer{kit.OK("The versions, newest first.", RuleHistory{})},
		Codes:   []kit.Code{codeUnknownDocument}, Handle: h.ruleVersions,
	}}
}

// RuleHistory is in which versions of the rules one rule changed.
type RuleHistory struct {
	Rule     string        `json:"rule"`
	Versions []RuleVersion `json:"versions" jsonschema_description:"Newest first."`
	Before   int           `json:"before,omitempty" jsonschema_description:"To see what was before, ask again with this; left out: that is all."`
}

// RuleVersion is one version of the rules in which a rule changed.
type RuleVersion struct {
	VersionView
	Change string `json:"change" jsonschema:"enum=added,enum=changed,enum=removed"`
}

// standing is how one rule stands in a version of the document.
type standing struct {
	text        string   // of the rule, "" if there is none of that name
	lines       []string // of the document
	first, last int      // of them, those of the rule with its comment
}

// standingOf finds one rule in a document.
func standingOf(document []byte, name string) (standing, error) {
	s := standing{lines: strings.Split(string(document), "\n")}
	e, err := ruleEntries(document)
	if err != nil {
		return s, err
	}
	entry, ok, err := e.Get(name)
	if err != nil || !ok {
		return s, shape(err)
	}
	s.text, s.first = entry.Text(), entry.Line-1-len(entry.Comment)
	s.last = entry.Line - 2 + len(entry.Lines)
	return s, nil
}

// unchanged finds the rule in an older document without reading it, where all that differs is before or
// behind it: the line next to it is the same, too.
func (s standing) unchanged(older []byte) (standing, bool) {
	old := strings.Split(string(older), "\n")
	most := min(len(s.lines), len(old))
	same := 0
	for same < most && s.lines[same] == old[same] {
		same++
	}
	if s.text == "" || s.last+1 >= same { // it does not lie before what differs
		for same = 0; same < most && s.lines[len(s.lines)-1-same] == old[len(old)-1-same]; {
			same++
		}
		if s.text == "" || s.first-1 < len(s.lines)-same {
			return s, false
		}
		moved := len(old) - len(s.lines)
		s.first, s.last = s.first+moved, s.last+moved
	}
	s.lines = old
	return s, true
}

func diffRule(c *kit.Call, fromName string, from []byte, toName string, to []byte) (changes Changes, err error) {
	name := c.PathParam("name")
	err = c.Parse(func() error {
		before, err := standingOf(from, name)
		if err != nil {
			return err
		}
		after, err := standingOf(to, name)
		changes = changesOfText(fromName+" "+name, []byte(before.text), toName+" "+name, []byte(after.text), 0)
		return err
	})
	return changes, err
}

func (h ruleRoutes) ruleVersions(c *kit.Call) error {
	list, err := h.store.DocumentVersions(c.Ctx(), engine.RulesDocument)
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return unavailable(err)
	}
	if len(list) == 0 {
		return kit.Problemf(codeUnknownDocument, "There are no rules yet.")
	}
	answer := RuleHistory{Rule: c.PathParam("name"), Versions: []RuleVersion{}}
	if before := c.Int("before"); before > 0 {
		list = slices.DeleteFunc(list, func(v store.Document) bool { return v.Version >= before })
	}
	// find reads the rule of a version, which is the one before a newer one. A version that can't be read by
	// now counts as if nothing had changed.
	find := func(version int, newer standing) (standing, error) {
		d, err := h.versionOf(c.Ctx(), engine.RulesDocument, version)
		if err != nil {
			return newer, err
		}
		if s, ok := newer.unchanged(d.Body); ok {
			return s, nil
		}
		err = c.Parse(func() error {
			if s, err := standingOf(d.Body, answer.Rule); err == nil {
				newer = s
			}
			return nil
		})
		return newer, err
	}
	var after, before standing
	for i, v := range list {
		if i == 0 {
			if after, err = find(v.Version, after); err != nil {
				return err
			}
		}
		if i == c.Int("limit") {
			answer.Before = list[i-1].Version
			break
		}
		if before = (standing{}); i+1 < len(list) {
			if before, err = find(list[i+1].Version, after); err != nil {
				return err
			}
		}
		change := "changed"
		switch {
		case before.text == after.text:
			change = ""
		case before.text == "":
			change = "added"
		case after.text == "":
			change = "removed"
		}
		if change != "" {
			answer.Versions = append(answer.Versions, RuleVersion{versionView(v), change})
		}
		after = before
	}
	return c.JSON(http.StatusOK, answer)
}
