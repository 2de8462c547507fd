package api

import (
	"net/http"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/cases"
	"lintel/rules"
	"lintel/rules/doc"
)

// RuleNames is what the text of a rule may use.
type RuleNames struct {
	Keys      []rules.Key      `json:"keys" jsonschema_description:"The members of a rule."`
	Names     []rules.Name     `json:"names" jsonschema_description:"What conditions and, in braces, messages may name."`
	Functions []rules.Function `json:"functions"`
}

// RuleCheckRequest is the text of one rule that is not stored, and if need be of its cases.
type RuleCheckRequest struct {
	Rule  string  `json:"rule" jsonschema_description:"One rule in YAML, as PUT takes it."`
	Cases *string `json:"cases,omitempty" jsonschema_description:"The cases to run on it, in the form of a case file; left out: those that are stored."`
}

// RuleCheck is what a check of one rule found. Places are those of the texts that were sent.
type RuleCheck struct {
	OK          bool               `json:"ok" jsonschema_description:"Whether the rule could be stored: there is no error; there may be warnings."`
	Version     int                `json:"version" jsonschema_description:"Of the document in which it was checked; 0: there are no rules yet."`
	Stored      bool               `json:"stored" jsonschema_description:"The document has a rule of this name."`
	Unchanged   bool               `json:"unchanged" jsonschema_description:"The document says this already: storing would make no version."`
	Rule        *RuleView          `json:"rule,omitempty"`
	Diagnostics []rules.Diagnostic `json:"diagnostics"`
	TrueNow     *TrueNow           `json:"true_now,omitempty" jsonschema_description:"What the rule is true of as things are; left out where it is off, and where that can't be said of such a rule."`
	Cases       *cases.Report      `json:"cases,omitempty" jsonschema_description:"What became of the cases; left out if there are none, or the rule has errors."`
}

// ruleCheck are the routes by which a rule is written.
func (h ruleRoutes) ruleCheck() []kit.Route {
	return []kit.Route{
		{
			Method: "GET", Path: "/v1/rules/names", Name: "ruleNames", Group: "Documents", Summary: "List what rules can be made of",
			About:  "For editors: the members of a rule, and the names and functions of conditions, each with its meaning.",
			Scopes: readers, Answers: []kit.Answer{kit.OK("Members, names and functions.", RuleNames{})},
			Handle: func(c *kit.Call) error {
				return c.JSON(http.StatusOK, RuleNames{Keys: rules.Keys(), Names: rules.Names(), Functions: rules.FunctionMeanings()})
			},
		}, {
			Method: "POST", Path: "/v1/rules/{name}/check", Name: "checkRule", Group: "Documents",
			Summary: "Check one rule, and run its cases, without storing either",
			About: "The rule is checked as it would stand in the stored document, with the others and the params. Its cases, " +
				"those that are sent or those that are stored, are run on it for 5 s at most, as if it were live.",
			Scopes: author, Params: []kit.Param{kit.Query("site", "The site whose layout the cases play in, where they have none of their own.")},
			Body:    kit.JSON(RuleCheckRequest{}),
			Answers: []kit.Answer{kit.OK("What was found; errors and cases that fail are an answer too.", RuleCheck{})},
			Codes:   []kit.Code{kit.CodeInvalidJSON, kit.CodeInvalidDocument, kit.CodeUnknownSite, kit.CodeMissingSite}, Handle: h.checkRule,
		},
	}
}

// withRule returns a document of rules with one rule in it. It is false where the text is no rule of that
// name by itself, such as a whole document.
func withRule(document, text []byte, name string) ([]byte, bool) {
	if _, problem := doc.OpenEntries(text, rules.ListKey, rules.Form); problem == nil {
		return nil, false
	}
	entry, problem := doc.ReadEntry(text, rules.ListKey, rules.Form)
	if problem != nil {
		return nil, false
	}
	e, err := ruleEntries(document)
	if err == nil {
		entry, err = entry.Named(name, rules.Form)
	}
	if err == nil {
		document, err = e.Put(entry)
	}
	return document, err == nil
}

func (h ruleRoutes) checkRule(c *kit.Call) error {
	name := c.PathParam("name")
	var req RuleCheckRequest
	if err := c.DecodeJSON(&req); err != nil {
		return err
	}
	known, err := h.knownNames(c.Ctx())
	if err != nil {
		return err
	}
	d, err := h.rulesDocument(c.Ctx())
	if err != nil {
		return err
	}
	answer := RuleCheck{Version: d.Version, Diagnostics: []rules.Diagnostic{}}
	var set *rules.Set
	var text []byte
	err = c.Parse(func() error {
		e, err := ruleEntries(d.Body)
		if err != nil {
			return err
		}
		sent, problem := doc.ReadEntry([]byte(req.Rule), rules.ListKey, rules.Form)
		if problem == nil {
			problem = otherName(sent.Node, name)
		}
		if problem != nil {
			answer.Diagnostics = append(answer.Diagnostics, *problem)
			return nil
		}
		entry, err := sent.Named(name, rules.Form)
		if err == nil {
			_, answer.Stored, err = e.Get(name)
		}
		if err == nil {
			text, err = e.Put(entry)
		}
		if err == nil {
			e, err = ruleEntries(text)
		}
		if err != nil {
			return shape(err)
		}
		there, _, _ := e.Get(name)
		var found []rules.Diagnostic
		set, found = rules.Check(engine.RulesDocument, text, known)
		for _, f := range found {
			if set == nil && f.Severity == doc.SeverityError || f.Rule == name {
				answer.Diagnostics = append(answer.Diagnostics, sent.Moved(f, there))
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	if set == nil {
		return c.JSON(http.StatusOK, answer)
	}
	answer.OK, answer.Unchanged, answer.Rule = true, string(text) == string(d.Body), ruleView(set, name)
	now, err := h.trueNowOf(c, set, []*rules.Rule{set.Rule(name)})
	if err != nil {
		return err
	}
	if len(now) > 0 {
		answer.TrueNow = &now[0]
	}
	var examples []byte
	if req.Cases != nil {
		examples = []byte(*req.Cases)
	} else if examples, err = h.storedCases(c.Ctx(), name); err != nil {
		return err
	}
	if len(examples) > 0 {
		answer.Cases, err = h.runCases(c, name, text, examples)
	}
	return c.Answer(answer, err)
}

// otherName says that a rule has another name than the path.
func otherName(n *doc.Node, name string) *doc.Diagnostic {
	own := n.Get("name")
	if own == nil || own.Text == name {
		return nil
	}
	return &doc.Diagnostic{Line: own.Line, Column: own.Column, Length: len([]rune(own.Text)), Severity: doc.SeverityError,
		Reason: "the rule is called " + name + " where it is checked", Hint: "to rename a rule, store it under the new name and remove the old one"}
}
