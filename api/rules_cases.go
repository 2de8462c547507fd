package api

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"slices"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/cases"
	"lintel/engine/store"
	"lintel/rules"
	"lintel/rules/doc"
)

var codeCasesFailed = kit.Code{Name: "cases_failed", Status: 422,
	Meaning: "Cases of the rule do not pass. Nothing was stored; anyway says that it is meant."}

var paramAnyway = kit.Flag("anyway", "Store although cases do not pass.")

// casesTime is how long the cases of one rule may run.
const casesTime = 5 * time.Second

// casesDocument is the name of the document with the cases of a rule.
func casesDocument(rule string) string { return "cases/" + rule }

// CasesSaved is the answer to storing the cases of a rule.
type CasesSaved struct {
	Saved
	DryRun bool          `json:"dry_run,omitempty" jsonschema_description:"Nothing was stored."`
	Cases  *cases.Report `json:"cases"`
}

// ruleCases are the routes about the cases of one rule.
func (h ruleRoutes) ruleCases() []kit.Route {
	const path = "/v1/rules/{name}/cases"
	return []kit.Route{
		{
			Method: "GET", Path: path, Name: "getCases", Group: "Documents", Summary: "Get the cases of a rule",
			About:  "Examples that are run whenever the rule is stored by itself. The ETag is their own version.",
			Scopes: readers, Params: []kit.Param{paramVersion, ifNoneMatch},
			Answers: []kit.Answer{kit.Reply(200, "The cases, as they were written.", kit.As(mediaYAML, nil)), notChanged}, Headers: withVersion,
			Codes: []kit.Code{codeUnknownDocument}, Handle: h.getCases,
		}, {
			Method: "PUT", Path: path, Name: "putCases", Group: "Documents", Summary: "Store the cases of a rule",
			About: "In the form of a case file. What it does not say of layout and products is that of the site: the " +
				"parameter site, or the first one. " +
				"They are run on the rules as they are stored, as if this one were live, for 5 s at most. They stay " +
				"when the rule is removed.",
			Scopes: author, AllSites: true, Params: []kit.Param{kit.Query("site", "The site whose layout they play "+
				"in, where they have none of their own."),
				paramNote, paramDryRun, paramAnyway, ifMatch, ifNoneMatch},
			Body: []kit.Content{kit.As(mediaYAML, nil)},
			Answers: []kit.Answer{kit.Reply(201, "Stored as the first version.", kit.JSON(CasesSaved{})...),
				kit.OK("Stored, or with dry_run what became of them.", CasesSaved{})},
			Headers: withETag,
			Codes: append([]kit.Code{codeUnknownRule, codeCasesFailed, codeUnknownDocument, kit.CodeUnknownSite,
				kit.CodeMissingSite}, savedCodes...), Handle: h.putCases,
		},
	}
}

func (h ruleRoutes) getCases(c *kit.Call) error {
	d, done, err := h.document(c, casesDocument(c.PathParam("name")))
	if err != nil || done {
		return err
	}
	return c.Blob(http.StatusOK, mediaYAML+"; charset=utf-8", d.Body)
}

func (h ruleRoutes) putCases(c *kit.Call) error {
	name := c.PathParam("name")
	if _, err := noteParam(c); err != nil {
		return err
	}
	expect, err := h.expectation(c, casesDocument(name))
	if err != nil {
		return err
	}
	if _, err := c.WantType(yamlTypes...); err != nil {
		return err
	}
	body, err := c.ReadBody(min(h.opt.BodyLimit, cases.MaxDocument+1))
	if err != nil {
		return err
	}
	text := slices.Clone(body.B)
	body.Release()
	d, err := h.rulesDocument(c.Ctx())
	if err != nil {
		return err
	}
	if d.Version == 0 {
		return kit.Problemf(codeUnknownDocument, "There are no rules yet.")
	}
	rep, err := h.runCases(c, name, d.Body, text)
	if err != nil {
		return err
	}
	if len(rep.Diagnostics) > 0 {
		return kit.Problemf(kit.CodeInvalidDocument, "The cases have errors. Nothing was stored.").With("errors", rep.Diagnostics)
	}
	answer := CasesSaved{DryRun: c.Flag("dry_run"), Cases: rep}
	present, err := h.store.GetDocument(c.Ctx(), casesDocument(name), 0)
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return unavailable(err)
	}
	answer.Saved = Saved{Document: casesDocument(name), Version: present.Version, At: present.At.UTC(), By: present.By,
		Note: present.Note, InEffect: true,
		Unchanged: present.Version > 0 && bytes.Equal(present.Body, text)}
	switch {
	case answer.DryRun:
	case !rep.OK() && !c.Flag("anyway"):
		return casesFailed(rep)
	case !answer.Unchanged:
		note, _ := noteParam(c)
		if expect < 0 {
			expect = present.Version
		}
		put := store.DocumentPut{Document: store.Document{Name: casesDocument(name), By: c.Key.Name, Note: note, Body: text},
			Expect: expect}
		if err := h.runner.SaveDocuments(c.Ctx(), []store.DocumentPut{put}, c.Key.Name); errors.Is(err, store.ErrConflict) {
			return conflict(expect)
		} else if err != nil {
			return unavailable(err)
		}
		answer.Version, answer.At, answer.By, answer.Note = expect+1, h.opt.Now().UTC().Truncate(time.Millisecond), c.Key.Name, note
	}
	return answerSaved(c, answer.Saved, answer)
}

func casesFailed(rep *cases.Report) error {
	return kit.Problemf(codeCasesFailed, "%d of %s do not pass. Nothing was stored; if it is meant, send it with "+
		"?anyway=true.", rep.Failed,
		doc.Plural(rep.Passed+rep.Failed, "case")).With("cases", rep)
}

// storedCases returns the cases of a rule, nil if it has none.
func (h ruleRoutes) storedCases(ctx context.Context, rule string) ([]byte, error) {
	d, err := h.store.GetDocument(ctx, casesDocument(rule), 0)
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	}
	return d.Body, unavailable(err)
}

// runCases runs the cases of a rule on a document of rules, as if the rule were live: its mode says who
// is notified, not what it means.
func (h ruleRoutes) runCases(c *kit.Call, name string, document, text []byte) (*cases.Report, error) {
	shop, err := h.casesShop(c)
	if err != nil {
		return nil, err
	}
	var rep *cases.Report
	err = c.Parse(func() error {
		e, err := ruleEntries(document)
		if err != nil {
			return err
		}
		entry, err := h.ruleEntry(e, name)
		if err == nil {
			entry, err = entry.Set([]doc.Field{{Key: &doc.Node{Kind: doc.Scalar, Text: "mode"}, Value: &doc.Node{}}}, rules.Form)
		}
		if err == nil {
			document, err = e.Put(entry)
		}
		if err != nil {
			return shape(err)
		}
		book, found := cases.NewBook(engine.RulesDocument, document, rules.Known{})
		if book == nil {
			return kit.Problemf(kit.CodeInvalidDocument, "The rules have errors.").With("errors", found)
		}
		until := time.Now().Add(casesTime)
		book.Stop = func() bool { return time.Now().After(until) || c.Ctx().Err() != nil }
		file, bad := cases.Parse(casesDocument(name), text, shop)
		if file == nil {
			rep = &cases.Report{File: casesDocument(name), Diagnostics: bad}
			return nil
		}
		rep = cases.Run(file, book)
		return nil
	})
	return rep, err
}

// casesShop is the shop that cases play in which name none.
func (h ruleRoutes) casesShop(c *kit.Call) (shop cases.Context, err error) {
	list, err := h.sites(c)
	if err != nil || len(list) == 0 {
		return shop, err
	}
	err = h.viewSite(c.Ctx(), list[0], func(st *engine.State) error {
		shop.Layout, shop.Products = st.Config().Layout, st.Config().Catalog
		return nil
	})
	return shop, err
}
