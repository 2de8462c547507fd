package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/deliver"
	"lintel/engine/event"
	"lintel/engine/store"
	"lintel/engine/trial"
	"lintel/rules"
	"lintel/rules/doc"
)

var (
	codeTooManyTrials = kit.Code{Name: "too_many_trials", Status: 503,
		Meaning: "The server runs as many trials as it takes. Try again when one has ended."}
)

// What one trial may take, unless Options say otherwise.
const (
	DefaultTrialTime  = time.Minute
	DefaultTrialFacts = 50_000_000
)

// Trials.
const (
	trialSpan   = 7 * 24 * time.Hour // the range of a trial that names none
	trialLeadIn = 24 * time.Hour     // facts that are folded before it, at least
)

// trialRoutes are the routes by which rules are tried.
type trialRoutes struct {
	*backend
	running chan struct{} // one token for each trial
}

func (h *trialRoutes) table() []kit.Route {
	about := fmt.Sprintf("The rule of this name in the body, or the saved one if there is no body, meets the facts that "+
		"were recorded of a site. The body is a rules document, or one rule as it would stand in the saved one. "+
		"Nobody is notified, and nothing is stored.\n\n"+
		"The answer streams, one JSON object a line, or as server-sent events where Accept asks for them: lines of "+
		"the type `progress` with how far it is, `alert` for the first alerts that it would have raised, "+
		"and at last `result`, or `problem` with what went wrong. With server-sent events the type is the event's "+
		"name too. A trial stops when its client goes away, and is bounded in time, facts and alerts, as "+
		"whoever runs the server set: the result then says what stopped it. "+
		"What the facts of the %s before the range say is known, what happens in them is not counted.\n\n%s", "day", event.Notice)
	return []kit.Route{{
		Method: "POST", Path: "/v1/rules/{name}/trial", Name: "tryRule", Group: "Documents",
		Summary: "Try a rule on what was recorded", About: about,
		Scopes: author, Stream: true,
		Params: []kit.Param{
			kit.Query("site", "The site whose facts the rule meets. A key for one site need not name it."),
			kit.Query("from", "What is counted begins here, by the site clock: RFC 3339, or Unix milliseconds. "+
				"Default: 7 days before \"to\"."),
			kit.Query("to", "And ends before this moment. Default: now."),
			kit.Query("alerts", "How many alerts are given in words, at most.").Of(kit.IntSchema(0, 1000, 100)),
		},
		Body: []kit.Content{kit.As(mediaYAML, nil)}, BodyOptional: true,
		Answers: []kit.Answer{kit.Reply(200, "The trial.",
			kit.As(mediaNDJSON, kit.OneOf{TrialProgressLine{}, TrialAlertLine{}, TrialResultLine{},
				TrialProblemLine{}}), kit.As(mediaEvents, nil))},
		Codes: []kit.Code{kit.CodeInvalidDocument, codeUnknownRule, kit.CodeUnknownSite, kit.CodeMissingSite,
			kit.CodeNotAcceptable, codeTooManyTrials},
		Handle: h.tryRule,
	}}
}

// tryRule streams a trial.
func (h *trialRoutes) tryRule(c *kit.Call) error {
	form, err := c.Accepts(mediaNDJSON, mediaEvents)
	if err != nil {
		return err
	}
	plan, err := h.trialPlan(c)
	if err != nil {
		return err
	}
	keep := c.Int("alerts")
	kept, notes, err := h.history(c, plan.From)
	if err != nil {
		return err
	}
	select {
	case h.running <- struct{}{}:
		defer func() { <-h.running }()
	default:
		return kit.Problemf(codeTooManyTrials, "The server runs %d trials at one time, and no more. Try again when "+
			"one has ended.", cap(h.running)).With("limit", cap(h.running))
	}
	ctx, cancel := context.WithCancelCause(c.Ctx())
	defer cancel(nil)
	stop := make(chan struct{})
	defer close(stop)
	go func() {
		select {
		case <-h.closing:
			cancel(store.ErrClosed)
		case <-stop:
		}
	}()
	c.SetRequest(c.Request().WithContext(ctx))
	s := &trialStream{c: c, h: h, rc: http.NewResponseController(c.Response()), events: form == mediaEvents}
	s.head(form)
	plan.Progress = s.progress
	plan.Opened = func(a *event.Alert) error {
		if keep--; keep < 0 {
			return nil
		}
		return s.alert(a, plan.Config)
	}
	// The oldest facts that can matter: those of the lead-in, or of the whole time for which a
	// condition has to hold.
	from := plan.From - max(trialLeadIn, plan.Tried.Rule.Reach()).Milliseconds()
	rep, err := trial.Run(ctx, *plan, h.facts(c, store.FactID{Ms: max(0, from)}, store.FactID{Ms: plan.To},
		func(*event.Fact) bool { return true }))
	if err == nil {
		rep.KeptFrom, rep.Notes = moment(kept), append(rep.Notes, notes...)
		rep.Partial = rep.Partial || kept > plan.From
		err = h.fillReport(c, rep)
	}
	if err == nil {
		return s.end(s.line(lineResult, TrialResultLine{lineResult, *rep}))
	}
	if cause := context.Cause(ctx); cause != nil {
		err = cause
	}
	return s.fail(err)
}

// trialPlan reads what is to be tried.
func (h *trialRoutes) trialPlan(c *kit.Call) (*trial.Plan, error) {
	name := c.PathParam("name")
	text, err := h.trialBody(c)
	if err != nil {
		return nil, err
	}
	if c.Site, err = h.trialSite(c); err != nil {
		return nil, err
	}
	plan := &trial.Plan{Site: c.Site, MaxFacts: h.opt.TrialFacts, MaxTime: h.opt.TrialTime, MaxAlerts: h.opt.TrialAlerts}
	now := h.opt.Now().UnixMilli()
	if plan.From, plan.To, err = h.timeRange(c, now, now, trialSpan); err != nil {
		return nil, err
	}
	if err := h.view(c, func(st *engine.State) error { plan.Config = st.Config(); return nil }); err != nil {
		return nil, err
	}
	if plan.Live, err = h.liveVersion(c, plan.Config, name); err != nil {
		return nil, err
	}
	if text == nil {
		if plan.Tried = plan.Live; plan.Tried == nil {
			return nil, kit.Problemf(codeUnknownRule, "There is no rule %s among those that the site %q goes by; "+
				"send it as the body, or save it first.", kit.Shown([]byte(name)), c.Site)
		}
		return plan, nil
	}
	known, err := h.knownNames(c.Ctx())
	if err != nil {
		return nil, err
	}
	known.Site = c.Site
	saved, err := h.rulesDocument(c.Ctx())
	if err != nil {
		return nil, err
	}
	var found []rules.Diagnostic
	err = c.Parse(func() error {
		if one, ok := withRule(saved.Body, text, name); ok {
			text = one
		}
		plan.Tried, found, err = trial.Pick(engine.RulesDocument, text, known, name)
		return err
	})
	if p := busy(err); p != nil {
		return nil, p
	}
	var unknown *trial.UnknownRuleError
	switch {
	case errors.As(err, &unknown):
		return nil, kit.Problemf(codeUnknownRule, "The document of the body has no rule %s%s.", kit.Shown([]byte(name)),
			doc.OrDidYouMean(name, unknown.Have))
	case err != nil:
		return nil, kit.Problemf(kit.CodeInvalidDocument, "%s.",
			strings.TrimSuffix(strings.ToUpper(err.Error()[:1])+err.Error()[1:], ".")).With("errors", found)
	case plan.Tried == nil:
		return nil, kit.Problemf(kit.CodeInvalidDocument, "The rules have errors. Nothing was tried.").With("errors", found)
	}
	return plan, nil
}

// trialBody reads the document of the body, nil if there is none.
func (h *trialRoutes) trialBody(c *kit.Call) ([]byte, error) {
	if c.Request().ContentLength == 0 {
		return nil, nil
	}
	if _, err := c.WantType(yamlTypes...); err != nil {
		return nil, err
	}
	body, err := c.ReadBody(min(h.opt.BodyLimit, rules.MaxDocument+1))
	if err != nil {
		return nil, err
	}
	defer body.Release()
	if len(body.B) == 0 {
		return nil, nil
	}
	return slices.Clone(body.B), nil
}

// trialSite returns the site of a trial: the one that is named, or the only one of the key.
func (h *trialRoutes) trialSite(c *kit.Call) (string, error) {
	list, err := h.sites(c)
	switch {
	case err != nil:
		return "", err
	case len(list) == 1:
		return list[0], nil
	case len(list) == 0:
		return "", kit.Problemf(kit.CodeUnknownSite, "There is no site yet: a site begins with its layout.")
	}
	return "", kit.BadParam("site", "name one of %s", strings.Join(list[:min(len(list), 10)], ", "))
}

// liveVersion returns the rule that the site goes by, nil if it has none of that name.
func (h *trialRoutes) liveVersion(c *kit.Call, cfg *engine.Config, name string) (*trial.Version, error) {
	for _, p := range cfg.Pins {
		if p.Doc != engine.RulesDocument {
			continue
		}
		d, err := h.store.GetDocument(c.Ctx(), p.Doc, p.Version)
		if err != nil {
			return nil, unavailable(err)
		}
		v, _, err := trial.Pick(engine.RulesDocument, d.Body, rules.Known{Site: c.Site}, name)
		var unknown *trial.UnknownRuleError
		if errors.As(err, &unknown) {
			return nil, nil
		}
		return v, err
	}
	return nil, nil
}

// history says since when facts of the site are kept, in Unix milliseconds, and what of the
// documents changed since a moment.
func (h *trialRoutes) history(c *kit.Call, from int64) (kept int64, notes []string, err error) {
	ctx := c.Ctx()
	err = h.store.Facts(ctx, c.Site, store.FactID{}, store.FactID{}, 1, func(id store.FactID, _ []byte) error {
		kept = id.Ms
		return nil
	})
	if err != nil {
		return 0, nil, unavailable(err)
	}
	switch {
	case kept == 0:
		notes = append(notes, "No facts are kept of this site.")
	case kept > from:
		notes = append(notes, fmt.Sprintf("Facts of this site are kept from %s on: of the time before nothing is known.",
			time.UnixMilli(kept).UTC().Format(time.RFC3339)))
	}
	for _, doc := range []struct{ name, what string }{{engine.LayoutDocument(c.Site), "layout was"},
		{engine.ProductsDocument, "products were"}} {
		docs, err := h.store.ListDocuments(ctx, doc.name)
		if err != nil {
			return 0, nil, unavailable(err)
		}
		for _, d := range docs {
			if d.Name == doc.name && d.Version > 1 && d.At.UnixMilli() > from {
				notes = append(notes, fmt.Sprintf("The %s changed at %s: facts before that meet what holds now.",
					doc.what, d.At.UTC().Format(time.RFC3339)))
			}
		}
	}
	return kept, notes, nil
}

// fillReport adds what a report needs to know of the site: the alerts that were recorded, and the
// channels.
func (h *trialRoutes) fillReport(c *kit.Call, rep *trial.Report) error {
	ctx := c.Ctx()
	var recorded []trial.Opening
	err := h.scanAlerts(ctx, c.Site, func() { recorded = nil }, func(a *event.Alert) {
		if a.Rule == rep.Rule && a.About != event.AboutRule && a.Status != event.AlertPending {
			recorded = append(recorded, trial.OpeningOf(a))
		}
	})
	if err != nil {
		return err
	}
	rep.CompareRecorded(recorded)
	channels, err := h.channels(ctx)
	if err != nil {
		return err
	}
	results := []*trial.Result{&rep.Tried}
	if rep.Live != nil && rep.Live.Result != nil {
		results = append(results, rep.Live.Result)
	}
	for _, res := range results {
		for i := range res.Messages {
			m := &res.Messages[i]
			k := slices.IndexFunc(channels, func(ch deliver.Channel) bool { return ch.Name == m.Channel })
			if m.Unknown = k < 0; m.Unknown {
				m.Sent, m.Unwanted = 0, m.Sent
				continue
			}
			for change, n := range m.ByChange {
				if channels[k].Disabled || !channels[k].Wants(change) {
					m.Sent, m.Unwanted = m.Sent-n, m.Unwanted+n
				}
			}
		}
	}
	return nil
}
