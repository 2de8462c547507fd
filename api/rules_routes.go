package api

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/runner"
	"lintel/rules"
	"lintel/rules/hours"
)

var (
	codeUnknownRule = kit.Code{Name: "unknown_rule", Status: 404, Meaning: "There is no such rule."}
)

// ruleRoutes are the routes about rules.
type ruleRoutes struct{ documents }

func (h ruleRoutes) table() []kit.Route {
	return append([]kit.Route{
		{
			Method: "GET", Path: "/v1/rules", Name: "getRules", Group: "Documents", Summary: "Get the rules",
			Scopes: readers, Params: []kit.Param{paramVersion, paramFormat, ifNoneMatch},
			Answers: []kit.Answer{kit.Reply(200, "The rules, as they were written or parsed.", kit.As(mediaYAML, nil),
				kit.As(kit.MediaJSON, RulesView{})), notChanged}, Headers: withVersion,
			Codes: []kit.Code{codeUnknownDocument, kit.CodeNotAcceptable}, Handle: h.getRules,
		}, {
			Method: "PUT", Path: "/v1/rules", Name: "putRules", Group: "Documents", Summary: "Store the rules",
			Scopes: author, AllSites: true, Params: []kit.Param{paramNote, paramRemoval, ifMatch, ifNoneMatch},
			Body:    []kit.Content{kit.As(mediaYAML, nil)},
			Answers: savedAnswers(RulesSaved{}, nil), Headers: withETag, Codes: append([]kit.Code{codeRemoval}, savedCodes...), Handle: h.putRules,
		}, {
			Method: "POST", Path: "/v1/rules/check", Name: "checkRules", Group: "Documents", Summary: "Check rules without storing them",
			Scopes: readers, Body: []kit.Content{kit.As(mediaYAML, nil)},
			Answers: []kit.Answer{kit.OK("What was found; errors are an answer too.", CheckAnswer{})}, Handle: h.checkRules,
		},
	}, slices.Concat(h.versioned("/v1/rules", "rule", "rules", named(engine.RulesDocument), diffRules), h.ruleCheck(), h.oneRule(), h.ruleCases(), h.ruleHistory())...)
}

const mediaYAML = "text/yaml"

// yamlTypes are the media types that people send YAML with (RFC 9512 registers the first).
var yamlTypes = []string{mediaYAML, "application/yaml", "text/x-yaml", "application/x-yaml", "text/plain"}

// RuleView is a rule as answers show it.
type RuleView struct {
	Name     string   `json:"name"`
	About    string   `json:"about"`
	Items    string   `json:"items,omitempty" jsonschema_description:"About a zone: which items of it count; left out: all of known products."`
	Within   string   `json:"within,omitempty" jsonschema_description:"How long after first the rest counts; about a zone: how far items.came and items.went look back."`
	When     string   `json:"when"`
	Hold     string   `json:"hold,omitempty"`
	Clear    string   `json:"clear,omitempty"`
	Gather   string   `json:"gather,omitempty"`
	GatherBy string   `json:"gather_by,omitempty"`
	Needs    int      `json:"needs,omitempty" jsonschema_description:"So many must come together within gather."`
	Limit    string   `json:"limit" jsonschema_description:"How many alerts are sent one by one in which time: the rule's own limit, or the document's."`
	Quiet    string   `json:"quiet,omitempty"`
	Remind   string   `json:"remind,omitempty"`
	Escalate string   `json:"escalate,omitempty"`
	To       []string `json:"escalate_to,omitempty"`
	First    string   `json:"first,omitempty" jsonschema_description:"What must come before the condition."`
	Unless   string   `json:"unless,omitempty" jsonschema_description:"What calls it off."`
	Same     string   `json:"same,omitempty" jsonschema_description:"What both steps are about: item (what the rule is about) or product."`
	Severity string   `json:"severity"`
	Hours    string   `json:"hours,omitempty"`
	Say      string   `json:"say,omitempty" jsonschema_description:"The message as written; of one in several languages the default."`
	Send     []string `json:"send,omitempty"`

	Says map[string]string `json:"say_in,omitempty" jsonschema_description:"The message in other languages, by tag."`
	But  []AlternativeView `json:"but,omitempty" jsonschema_description:"Alternatives: the first that is true when an alert opens replaces what it has."`

	Mode   string   `json:"mode"`
	Digest string   `json:"hash" jsonschema_description:"A hash of all that the rule means: alerts name the rule they came of by it."`
	Uses   []string `json:"uses,omitempty" jsonschema_description:"Names that the condition reads."`
	Line   int      `json:"line"`
	Words  string   `json:"words" jsonschema_description:"What the rule does, in ordinary words."`
}

// AlternativeView is an alternative of a rule as answers show it: what it leaves to the rule is left
// out.
type AlternativeView struct {
	When     string            `json:"when"`
	Severity string            `json:"severity,omitempty"`
	Say      string            `json:"say,omitempty"`
	Says     map[string]string `json:"say_in,omitempty"`
	Send     *[]string         `json:"send,omitempty"`
	Line     int               `json:"line"`
}

// RulesView is the document of rules, as text and parsed.
type RulesView struct {
	Version int            `json:"version"`
	Text    string         `json:"text"`
	Params  []*rules.Param `json:"params,omitempty"`
	Rules   []RuleView     `json:"rules"`
}

// CheckAnswer is what a check of rules found.
type CheckAnswer struct {
	OK          bool               `json:"ok" jsonschema_description:"Whether the rules could be stored: there is no error; there may be warnings."`
	Rules       []RuleView         `json:"rules"`
	Diagnostics []rules.Diagnostic `json:"diagnostics"`
	TrueNow     []TrueNow          `json:"true_now,omitempty" jsonschema_description:"What those are true of as things are that are not stored like this."`
}

// RulesSaved is the answer to storing rules.
type RulesSaved struct {
	Saved
	Rules       int                `json:"rules"`
	Diagnostics []rules.Diagnostic `json:"diagnostics" jsonschema_description:"Warnings; errors would have kept the rules from being stored."`
}

func ruleViews(set *rules.Set) []RuleView {
	views := []RuleView{}
	if set == nil {
		return views
	}
	for _, r := range set.Rules() {
		views = append(views, viewOfRule(set, r))
	}
	return views
}

// viewOfRule returns a rule of a set as answers show it.
func viewOfRule(set *rules.Set, r *rules.Rule) RuleView {
	v := RuleView{
		Name: r.Name, About: r.About, When: r.When, Severity: string(r.Severity), Hours: r.Hours, Say: r.Say, Send: r.Send,
		Mode: string(r.Mode), Digest: r.Digest, Uses: r.Uses(), Line: r.Line,
	}
	if r.Tally != nil {
		if v.Items = r.Tally.Items; r.Tally.Within > 0 {
			v.Within = r.Tally.Within.String()
		}
	}
	v.Limit = set.LimitOf(r).String()
	v.Needs, v.To, v.Says, v.Words = r.Needs, r.EscalateTo, r.Says, r.Sentence()
	for _, a := range r.But {
		view := AlternativeView{When: a.When, Line: a.Line}
		if a.Sets("severity") {
			view.Severity = string(a.Severity)
		}
		if a.Sets("say") {
			view.Say, view.Says = a.Say, a.Says
		}
		if a.Sets("send") {
			view.Send = &a.Send
		}
		v.But = append(v.But, view)
	}
	if r.Gather > 0 {
		v.GatherBy = r.GatherBy
	}
	if q := r.Sequence; q != nil {
		v.First, v.Unless, v.Within, v.Same = q.First, q.Unless, hours.OpenPeriod(q.Within, q.Open), q.Same
	}
	for text, d := range map[*string]time.Duration{&v.Hold: r.Hold, &v.Clear: r.Clear, &v.Gather: r.Gather,
		&v.Quiet: r.Quiet, &v.Remind: r.Remind, &v.Escalate: r.Escalate} {
		if d > 0 {
			*text = d.String()
		}
	}
	if r.HoldOpen {
		v.Hold = hours.OpenPeriod(r.Hold, true)
	}
	return v
}

func (h ruleRoutes) getRules(c *kit.Call) error {
	form, err := c.Accepts(mediaYAML, kit.MediaJSON)
	if err != nil {
		return err
	}
	d, done, err := h.document(c, engine.RulesDocument)
	if err != nil || done {
		return err
	}
	if form == mediaYAML {
		return c.Blob(http.StatusOK, mediaYAML+"; charset=utf-8", d.Body)
	}
	var set *rules.Set
	err = c.Parse(func() error { set, _ = runner.CompileRules(engine.RulesDocument, d.Body, rules.Known{}); return nil })
	if err != nil {
		return err
	}
	view := RulesView{Version: d.Version, Text: string(d.Body), Rules: ruleViews(set)}
	if set != nil {
		view.Params = set.Params()
	}
	return c.JSON(http.StatusOK, view)
}

// checkRules reads and checks a document of rules.
func (h ruleRoutes) checkBody(c *kit.Call) (text []byte, set *rules.Set, found []rules.Diagnostic, err error) {
	if _, err := c.WantType(yamlTypes...); err != nil {
		return nil, nil, nil, err
	}
	body, err := c.ReadBody(min(h.opt.BodyLimit, rules.MaxDocument+1))
	if err != nil {
		return nil, nil, nil, err
	}
	defer body.Release()
	known, err := h.knownNames(c.Ctx())
	if err != nil {
		return nil, nil, nil, err
	}
	text = append([]byte(nil), body.B...)
	err = c.Parse(func() error { set, found = rules.Check(engine.RulesDocument, text, known); return nil })
	if found == nil {
		found = []rules.Diagnostic{}
	}
	return text, set, found, err
}

func (h ruleRoutes) checkRules(c *kit.Call) error {
	_, set, found, err := h.checkBody(c)
	if err != nil {
		return err
	}
	answer := CheckAnswer{OK: set != nil, Rules: ruleViews(set), Diagnostics: found}
	if set != nil {
		stored, err := h.storedSet(c.Ctx())
		if err == nil {
			answer.TrueNow, err = h.trueNow(c, stored, set)
		}
		if err != nil {
			return err
		}
	}
	return c.JSON(http.StatusOK, answer)
}

// rulesRemoved counts the rules that a new document does not have any more.
func rulesRemoved(before []*rules.Rule, after *rules.Set) (removed int) {
	for _, r := range before {
		if !slices.ContainsFunc(after.Rules(), func(n *rules.Rule) bool { return n.Name == r.Name }) {
			removed++
		}
	}
	return removed
}

func (h ruleRoutes) putRules(c *kit.Call) error {
	expect, err := h.expectation(c, engine.RulesDocument)
	if err != nil {
		return err
	}
	text, set, found, err := h.checkBody(c)
	if err != nil {
		return err
	}
	if set == nil {
		return kit.Problemf(kit.CodeInvalidDocument, "The rules have errors. Nothing was stored.").With("errors", found)
	}
	before, err := h.storedRules(c.Ctx())
	if err != nil {
		return err
	}
	if err := removes(c, "rules", rulesRemoved(before, set), len(before)); err != nil {
		return err
	}
	saved, err := h.save(c, engine.RulesDocument, text, expect)
	if err != nil {
		return err
	}
	return answerSaved(c, saved, RulesSaved{Saved: saved, Rules: len(set.Rules()), Diagnostics: found})
}

// sentTo lists the channels that the stored rules send to.
func (h documents) sentTo(c *kit.Call) (map[string][]string, error) {
	list, err := h.storedRules(c.Ctx())
	if err != nil {
		return nil, err
	}
	to := make(map[string][]string)
	for _, r := range list {
		for _, ch := range r.Channels() {
			to[ch] = append(to[ch], strings.TrimSpace(r.Name))
		}
	}
	return to, nil
}
