package api

import (
	"bytes"
	"errors"
	"net/http"
	"slices"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/cases"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/rules"
	"lintel/rules/doc"
)

const mediaMergePatch = "application/merge-patch+json" // RFC 7396

// oneRule are the routes about one rule of the document.
func (h ruleRoutes) oneRule() []kit.Route {
	const path = "/v1/rules/{name}"
	codes := append([]kit.Code{codeUnknownRule, codeCasesFailed}, savedCodes...)
	answers := []kit.Answer{kit.Reply(201, "The rule is new.", kit.JSON(RuleSaved{})...),
		kit.OK("Stored as the next version of the document; unchanged if it says this already; or with dry_run, what "+
			"storing would change.", RuleSaved{})}
	const about = "Nothing else in the document changes, not a byte: other rules, comments and order stay. If-Match " +
		"is the document's version. "
	return []kit.Route{
		{
			Method: "GET", Path: path, Name: "getRule", Group: "Documents", Summary: "Get one rule",
			About:  "As YAML, it is the rule's own lines with the comment directly above them. The ETag is that of the document.",
			Scopes: readers, Params: []kit.Param{paramVersion, paramFormat, ifNoneMatch},
			Answers: []kit.Answer{kit.Reply(200, "The rule.", kit.As(mediaYAML, nil), kit.As(kit.MediaJSON, RuleText{})), notChanged}, Headers: withVersion,
			Codes:  []kit.Code{codeUnknownDocument, codeUnknownRule, kit.CodeNotAcceptable, kit.CodeInvalidDocument},
			Handle: h.getRule,
		}, {
			Method: "PUT", Path: path, Name: "putRule", Group: "Documents", Summary: "Store one rule",
			About: about + "In YAML it is stored as it is written, with its comments; in JSON it has the members " +
				"that a rule has in YAML. A new rule " +
				"comes last. With If-None-Match: * it must be new.",
			Scopes: author, AllSites: true, Params: []kit.Param{paramNote, paramDryRun, paramAnyway, ifMatch, ifNoneMatch},
			Body:    []kit.Content{kit.As(mediaYAML, nil), kit.As(kit.MediaJSON, map[string]any{})},
			Answers: answers, Headers: withETag, Codes: append([]kit.Code{kit.CodeInvalidBody, codeCasesFailed}, savedCodes...), Handle: h.putRule,
		}, {
			Method: "PATCH", Path: path, Name: "patchRule", Group: "Documents", Summary: "Change some members of one rule",
			About: about + "The body is a JSON merge patch (RFC 7396): `{\"mode\": \"watch\"}` switches the mode, " +
				"null takes a member away. Lines and comments " +
				"of the other members stay as they are.",
			Scopes: author, AllSites: true, Params: []kit.Param{paramNote, paramDryRun, paramAnyway, ifMatch},
			Body:    []kit.Content{kit.As(mediaMergePatch, map[string]any{}), kit.As(kit.MediaJSON, map[string]any{})},
			Answers: answers[1:], Headers: withETag, Codes: append([]kit.Code{kit.CodeInvalidBody}, codes...), Handle: h.patchRule,
		}, {
			Method: "DELETE", Path: path, Name: "deleteRule", Group: "Documents", Summary: "Remove one rule",
			About:  about + "The comment directly above it goes too. Its open alerts are cleared.",
			Scopes: author, AllSites: true, Params: []kit.Param{paramNote, paramDryRun, ifMatch},
			Answers: answers[1:], Headers: withETag, Codes: append([]kit.Code{codeUnknownRule}, savedCodes...), Handle: h.deleteRule,
		},
	}
}

// RuleText is one rule as it stands in the document, and parsed.
type RuleText struct {
	Version int      `json:"version" jsonschema_description:"Of the document."`
	Text    string   `json:"text" jsonschema_description:"Its own lines, with the comment directly above them."`
	Rule    RuleView `json:"rule"`
	Cases   string   `json:"cases,omitempty" jsonschema_description:"Its newest cases, as they were written."`
}

// RuleSaved is the answer to changing one rule.
type RuleSaved struct {
	Saved
	DryRun      bool               `json:"dry_run,omitempty" jsonschema_description:"Nothing was stored."`
	Text        string             `json:"text,omitempty" jsonschema_description:"The rule as it stands in the document now; left out when it was removed."`
	Rule        *RuleView          `json:"rule,omitempty"`
	Changes     *Changes           `json:"changes,omitempty" jsonschema_description:"What differs from the document before."`
	Cases       *cases.Report      `json:"cases,omitempty" jsonschema_description:"What became of the rule's stored cases; left out if it has none."`
	Diagnostics []rules.Diagnostic `json:"diagnostics" jsonschema_description:"Warnings about the rule; errors would have kept it from being stored."`
	TrueNow     []TrueNow          `json:"true_now,omitempty" jsonschema_description:"What the rule is true of as things are, where it is new or its condition changed."`
}

// ruleEntries opens the text of a document of rules.
func ruleEntries(text []byte) (*doc.Entries, error) {
	if len(text) == 0 {
		text = []byte(rules.ListKey + ": []\n") // there are no rules yet
	}
	e, problem := doc.OpenEntries(text, rules.ListKey, rules.Form)
	if problem != nil {
		return nil, kit.Problemf(kit.CodeInvalidDocument, "The stored rules can't be read: send the whole "+
			"document.").With("errors", []doc.Diagnostic{*problem})
	}
	return e, nil
}

// shape turns doc.ErrShape into what the caller can do.
func shape(err error) error {
	if errors.Is(err, doc.ErrShape) {
		return kit.Problemf(kit.CodeInvalidDocument, "The rules are written in a way in which one of them can't be "+
			"changed alone. Nothing was stored; send the whole document.")
	}
	return err
}

func (h ruleRoutes) unknownRule(text []byte, name string) error {
	set, _ := runner.CompileRules(engine.RulesDocument, text, rules.Known{})
	p := kit.Problemf(codeUnknownRule, "There is no rule %s.", kit.Shown([]byte(name)))
	if set != nil {
		p = kit.Problemf(codeUnknownRule, "There is no rule %s%s.", kit.Shown([]byte(name)), doc.OrDidYouMean(name, ruleNames(set)))
	}
	return p
}

func (h ruleRoutes) getRule(c *kit.Call) error {
	form, err := c.Accepts(mediaYAML, kit.MediaJSON)
	if err != nil {
		return err
	}
	d, done, err := h.document(c, engine.RulesDocument)
	if err != nil || done {
		return err
	}
	name := c.PathParam("name")
	var entry doc.Entry
	var set *rules.Set
	err = c.Parse(func() error {
		e, err := ruleEntries(d.Body)
		if err != nil {
			return err
		}
		var ok bool
		if entry, ok, err = e.Get(name); err == nil && !ok {
			err = h.unknownRule(d.Body, name)
		}
		if err == nil && form != mediaYAML {
			set, _ = runner.CompileRules(engine.RulesDocument, d.Body, rules.Known{})
		}
		return shape(err)
	})
	if err != nil {
		return err
	}
	if form == mediaYAML {
		return c.Blob(http.StatusOK, mediaYAML+"; charset=utf-8", []byte(entry.Text()))
	}
	v := RuleText{Version: d.Version, Text: entry.Text()}
	if r := ruleView(set, name); r != nil {
		v.Rule = *r
	}
	text, err := h.storedCases(c.Ctx(), name)
	if err != nil {
		return err
	}
	v.Cases = string(text)
	return c.JSON(http.StatusOK, v)
}

// ruleView returns one rule of a set as answers show it, nil if there is none.
func ruleView(set *rules.Set, name string) *RuleView {
	if set == nil || set.Rule(name) == nil {
		return nil
	}
	v := viewOfRule(set, set.Rule(name))
	return &v
}

// ruleChange makes the next text of a document from the present one.
type ruleChange func(e *doc.Entries) ([]byte, error)

// changeRule changes one rule of the newest document, as change says, and answers with what came of it.
func (h ruleRoutes) changeRule(c *kit.Call, change ruleChange) error {
	name, dry := c.PathParam("name"), c.Flag("dry_run")
	if _, err := noteParam(c); err != nil {
		return err
	}
	known, err := h.knownNames(c.Ctx())
	if err != nil {
		return err
	}
	match, none := c.Request().Header.Get("If-Match"), c.Request().Header.Get("If-None-Match")
	for try := 0; ; try++ {
		d, err := h.rulesDocument(c.Ctx())
		if err != nil {
			return err
		}
		if match != "" && (d.Version == 0 || !kit.Tagged(match, d.Version)) {
			return kit.Problemf(kit.CodeVersionMismatch, "The document is at version %d. Get it, look what changed, "+
				"and send your change again.",
				d.Version).With("version", d.Version)
		}
		var text []byte
		var before, set *rules.Set
		var found []rules.Diagnostic
		answer := RuleSaved{DryRun: dry}
		created := false
		err = c.Parse(func() error {
			e, err := ruleEntries(d.Body)
			if err != nil {
				return err
			}
			_, there, _ := e.Get(name)
			if there && (none == "*" || none != "" && kit.Tagged(none, d.Version)) {
				return kit.Problemf(kit.CodeVersionMismatch, "There is a rule %s already.",
					kit.Shown([]byte(name))).With("version", d.Version)
			}
			created = !there
			if text, err = change(e); err != nil {
				return shape(err)
			}
			set, found = rules.Check(engine.RulesDocument, text, known)
			if d.Version > 0 {
				before, _ = runner.CompileRules(engine.RulesDocument, d.Body, rules.Known{})
			}
			if e, err = ruleEntries(text); err == nil {
				if entry, ok, _ := e.Get(name); ok {
					answer.Text = entry.Text()
				}
			}
			return err
		})
		if err != nil {
			return err
		}
		if set == nil {
			return kit.Problemf(kit.CodeInvalidDocument, "The rule has errors. Nothing was stored.").With("errors", found)
		}
		answer.Rule, answer.Diagnostics = ruleView(set, name), []rules.Diagnostic{}
		for _, f := range found {
			if f.Rule == name {
				answer.Diagnostics = append(answer.Diagnostics, f)
			}
		}
		if answer.TrueNow, err = h.trueNow(c, before, set); err != nil {
			return err
		}
		if answer.Rule != nil && string(text) != string(d.Body) {
			examples, err := h.storedCases(c.Ctx(), name)
			if err == nil && examples != nil {
				answer.Cases, err = h.runCases(c, name, text, examples)
			}
			if err != nil {
				return err
			}
			if answer.Cases != nil && !answer.Cases.OK() && !dry && !c.Flag("anyway") {
				return casesFailed(answer.Cases)
			}
		}
		if dry {
			answer.Saved = Saved{Document: engine.RulesDocument, Version: d.Version, At: d.At.UTC(), By: d.By, Note: d.Note,
				Unchanged: string(text) == string(d.Body)}
		} else {
			answer.Saved, err = h.save(c, engine.RulesDocument, text, d.Version)
		}
		if errors.Is(err, store.ErrConflict) && match == "" && try < applyTries {
			continue // somebody else was first: the change is made to what they stored
		}
		if err != nil {
			return err
		}
		if !answer.Unchanged {
			changes := changesOfText("rules before", d.Body, "rules", text, shortText)
			answer.Changes = &changes
		}
		c.Response().Header().Set("ETag", kit.ETag(answer.Version))
		status := http.StatusOK
		if created && !dry {
			status = http.StatusCreated
		}
		return c.JSON(status, answer)
	}
}

func (h ruleRoutes) putRule(c *kit.Call) error {
	name := c.PathParam("name")
	entry, plain, err := h.sentRule(c, name)
	if err != nil {
		return err
	}
	return h.changeRule(c, func(e *doc.Entries) ([]byte, error) {
		if old, ok, err := e.Get(name); plain && err == nil && ok && doc.Same(old.Node, entry.Node) {
			return e.Put(old) // JSON says nothing of how it is written
		}
		return e.Put(entry)
	})
}

// sentRule reads the rule of a body, which must have that name. plain: it was JSON.
func (h ruleRoutes) sentRule(c *kit.Call, name string) (entry doc.Entry, plain bool, err error) {
	media, err := c.WantType(append(slices.Clone(yamlTypes), kit.MediaJSON)...)
	if err != nil {
		return entry, false, err
	}
	body, err := c.ReadBody(min(h.opt.BodyLimit, rules.MaxDocument+1))
	if err != nil {
		return entry, false, err
	}
	defer body.Release()
	plain = media == kit.MediaJSON || c.Request().Header.Get("Content-Type") == "" && bytes.HasPrefix(bytes.TrimSpace(body.B),
		[]byte("{"))
	err = c.Parse(func() error {
		var problem *doc.Diagnostic
		if plain {
			var node *doc.Node
			if node, problem = ruleMembers(body.B); problem == nil {
				entry, err = doc.EntryOf(node, rules.Form)
			}
		} else {
			entry, problem = doc.ReadEntry(slices.Clone(body.B), rules.ListKey, rules.Form)
		}
		if problem != nil {
			return kit.Problemf(kit.CodeInvalidDocument, "The body is not one rule. Nothing was stored.").With("errors",
				[]doc.Diagnostic{*problem})
		}
		if err == nil {
			entry, err = entry.Named(name, rules.Form)
		}
		return shape(err)
	})
	if err != nil {
		return entry, plain, err
	}
	if own := entry.Node.Get("name"); own == nil || own.Text != name {
		return entry, plain, kit.Problemf(kit.CodeInvalidBody, "The rule's name must be %q, as in the path. To "+
			"rename a rule, store it under the new name and "+
			"remove the old one.", name)
	}
	return entry, plain, nil
}

// ruleMembers reads a JSON object of a rule's members.
func ruleMembers(body []byte) (*doc.Node, *doc.Diagnostic) {
	d, problem := doc.JSON(slices.Clone(body), rules.MaxDocument)
	if problem == nil && d.Root.Kind != doc.Mapping {
		problem = &doc.Diagnostic{Line: 1, Column: 1, Severity: doc.SeverityError, Reason: "the body is " + d.Root.Is() + ", not an object",
			Hint: `send the rule's members, such as {"mode": "watch"}`}
	}
	if problem != nil {
		return nil, problem
	}
	seen := make(map[string]bool)
	for _, f := range d.Root.Fields {
		if seen[f.Key.Text] {
			return nil, &doc.Diagnostic{Line: f.Key.Line, Column: f.Key.Column, Severity: doc.SeverityError,
				Reason: "the member " + f.Key.Text + " stands twice"}
		}
		seen[f.Key.Text] = true
	}
	return d.Root, nil
}

func (h ruleRoutes) patchRule(c *kit.Call) error {
	name := c.PathParam("name")
	if _, err := c.WantType(mediaMergePatch, kit.MediaJSON); err != nil {
		return err
	}
	body, err := c.ReadBody(min(h.opt.BodyLimit, rules.MaxDocument+1))
	if err != nil {
		return err
	}
	defer body.Release()
	patch, problem := ruleMembers(body.B)
	if problem != nil {
		return kit.Problemf(kit.CodeInvalidBody, "The patch can't be read: %s.", problem.Summary())
	}
	if own := patch.Get("name"); own != nil && own.Text != name {
		return kit.Problemf(kit.CodeInvalidBody, "A rule's name can't be changed: store it under the new name and remove the old one.")
	}
	return h.changeRule(c, func(e *doc.Entries) ([]byte, error) {
		entry, err := h.ruleEntry(e, name)
		if err != nil {
			return nil, err
		}
		for _, f := range patch.Fields {
			if old := entry.Node.Get(f.Key.Text); old != nil && old.Kind == doc.Mapping && f.Value.Kind == doc.Mapping {
				f.Value = merged(old, f.Value)
			}
			if old := entry.Node.Get(f.Key.Text); old != nil && doc.Same(old, f.Value) {
				continue // it says this already
			}
			if entry, err = entry.Set([]doc.Field{f}, rules.Form); err != nil {
				return nil, err
			}
		}
		return e.Put(entry)
	})
}

// merged applies a merge patch to a mapping, as RFC 7396 says.
func merged(old, patch *doc.Node) *doc.Node {
	out := &doc.Node{Kind: doc.Mapping, Fields: slices.Clone(old.Fields)}
	for _, f := range patch.Fields {
		k := slices.IndexFunc(out.Fields, func(g doc.Field) bool { return g.Key.Text == f.Key.Text })
		switch {
		case f.Value.Kind == doc.Empty && k >= 0:
			out.Fields = slices.Delete(out.Fields, k, k+1)
		case f.Value.Kind == doc.Empty:
		case k < 0:
			out.Fields = append(out.Fields, f)
		case out.Fields[k].Value.Kind == doc.Mapping && f.Value.Kind == doc.Mapping:
			out.Fields[k].Value = merged(out.Fields[k].Value, f.Value)
		default:
			out.Fields[k].Value = f.Value
		}
	}
	return out
}

// ruleEntry returns a rule that must be there.
func (h ruleRoutes) ruleEntry(e *doc.Entries, name string) (doc.Entry, error) {
	entry, ok, err := e.Get(name)
	if err == nil && !ok {
		err = h.unknownRule(e.Source(), name)
	}
	return entry, err
}

func (h ruleRoutes) deleteRule(c *kit.Call) error {
	name := c.PathParam("name")
	return h.changeRule(c, func(e *doc.Entries) ([]byte, error) {
		if _, err := h.ruleEntry(e, name); err != nil {
			return nil, err
		}
		return e.Remove(name)
	})
}
