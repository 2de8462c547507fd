package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/engine"
	"lintel/engine/deliver"
	"lintel/engine/event"
	"lintel/engine/store"
	"lintel/engine/trial"
	"lintel/rules"
	"lintel/rules/doc"
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

func trialRoutes() []route {
	about := fmt.Sprintf("The rule of this name in the body, which is a rules document, or the saved one if there is no body, meets the facts that were recorded of a site. Nobody is told, and nothing is stored.\n\n"+
		"The answer streams, one JSON object a line, or as server-sent events where Accept asks for them: lines of the type `progress` with how far it is, `alert` for the first alerts that it would have raised, "+
		"and at last `result`, or `problem` with what went wrong. With server-sent events the type is the event's name too. A trial stops when its client goes away, and is bounded in time, facts and alerts, as whoever runs the server set: the result then says what stopped it. "+
		"What the facts of the %s before the range say is known, what happens in them is not counted.\n\n%s", "day", event.Notice)
	return []route{{
		method: "POST", path: "/v1/rules/{name}/trial", name: "tryRule", group: "Documents", summary: "Try a rule on what was recorded", about: about,
		scopes: author, stream: true,
		params: []param{
			{"site", "query", "The site whose facts the rule meets. A key for one site need not name it.", stringSchema},
			{"from", "query", "What is counted begins here, by the site clock: RFC 3339, or Unix milliseconds. Default: 7 days before \"to\".", stringSchema},
			{"to", "query", "And ends before this moment. Default: now.", stringSchema},
			{"alerts", "query", "How many alerts are given in words, at most.", map[string]any{"type": "integer", "minimum": 0, "maximum": 1000, "default": 100}},
		},
		body:    []content{{mediaYAML, nil}},
		answers: []answer{{200, "The trial.", []content{{mediaNDJSON, oneOf{TrialProgressLine{}, TrialAlertLine{}, TrialResultLine{}, TrialProblemLine{}}}, {mediaEvents, nil}}}},
		codes:   []Code{codeInvalidDocument, codeUnknownRule, codeUnknownSite, codeMissingSite, codeNotAcceptable, codeTooManyTrials},
		handle:  (*call).tryRule,
	}}
}

// tryRule streams a trial.
func (c *call) tryRule() error {
	form, err := c.accepts(mediaNDJSON, mediaEvents)
	if err != nil {
		return err
	}
	plan, err := c.trialPlan()
	if err != nil {
		return err
	}
	keep, err := c.intParam("alerts", 100, 0, 1000)
	if err != nil {
		return err
	}
	kept, notes, err := c.history(plan.From)
	if err != nil {
		return err
	}
	select {
	case c.api.trials <- struct{}{}:
		defer func() { <-c.api.trials }()
	default:
		return problemf(codeTooManyTrials, "The server runs %d trials at one time, and no more. Try again when one has ended.", cap(c.api.trials)).with("limit", cap(c.api.trials))
	}
	ctx, cancel := context.WithCancelCause(c.Request().Context())
	defer cancel(nil)
	stop := make(chan struct{})
	defer close(stop)
	go func() {
		select {
		case <-c.api.closing:
			cancel(store.ErrClosed)
		case <-stop:
		}
	}()
	c.SetRequest(c.Request().WithContext(ctx))
	s := &trialStream{c: c, rc: http.NewResponseController(c.Response()), events: form == mediaEvents}
	s.head(form)
	plan.Progress = s.progress
	plan.Opened = func(a *event.Alert) error {
		if keep--; keep < 0 {
			return nil
		}
		return s.alert(a, plan.Config)
	}
	// The oldest facts that can matter: those of the lead-in, or of the whole time for which a condition has to hold.
	from := plan.From - max(trialLeadIn, plan.Tried.Rule.Hold).Milliseconds()
	rep, err := trial.Run(ctx, *plan, c.facts(store.FactID{Ms: max(0, from)}, store.FactID{Ms: plan.To}, func(*event.Fact) bool { return true }))
	if err == nil {
		rep.KeptFrom, rep.Notes = moment(kept), append(rep.Notes, notes...)
		rep.Partial = rep.Partial || kept > plan.From
		err = c.fillReport(rep)
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
func (c *call) trialPlan() (*trial.Plan, error) {
	name, err := c.pathValue("name")
	if err != nil {
		return nil, err
	}
	text, err := c.trialBody()
	if err != nil {
		return nil, err
	}
	if c.site, err = c.trialSite(); err != nil {
		return nil, err
	}
	plan := &trial.Plan{Site: c.site, MaxFacts: c.api.opt.TrialFacts, MaxTime: c.api.opt.TrialTime, MaxAlerts: c.api.opt.TrialAlerts}
	if plan.From, plan.To, err = c.trialRange(); err != nil {
		return nil, err
	}
	if err := c.view(func(st *engine.State) error { plan.Config = st.Config(); return nil }); err != nil {
		return nil, err
	}
	if plan.Live, err = c.liveVersion(plan.Config, name); err != nil {
		return nil, err
	}
	if text == nil {
		if plan.Tried = plan.Live; plan.Tried == nil {
			return nil, problemf(codeUnknownRule, "There is no rule %s among those that the site %q goes by; send it as the body, or save it first.", shown([]byte(name)), c.site)
		}
		return plan, nil
	}
	known, err := c.api.knownNames(c.Request().Context())
	if err != nil {
		return nil, err
	}
	known.Site = c.site
	var found []rules.Diagnostic
	plan.Tried, found, err = trial.Pick(engine.RulesDocument, text, known, name)
	var unknown *trial.UnknownRuleError
	switch {
	case errors.As(err, &unknown):
		return nil, problemf(codeUnknownRule, "The document of the body has no rule %s%s.", shown([]byte(name)), doc.OrDidYouMean(name, unknown.Have))
	case err != nil:
		return nil, problemf(codeInvalidDocument, "%s.", strings.TrimSuffix(strings.ToUpper(err.Error()[:1])+err.Error()[1:], ".")).with("errors", found)
	case plan.Tried == nil:
		return nil, problemf(codeInvalidDocument, "The rules have errors. Nothing was tried.").with("errors", found)
	}
	return plan, nil
}

// trialBody reads the document of the body, nil if there is none.
func (c *call) trialBody() ([]byte, error) {
	if c.Request().ContentLength == 0 {
		return nil, nil
	}
	if _, err := c.wantType(yamlTypes...); err != nil {
		return nil, err
	}
	rc := http.NewResponseController(c.Response())
	_ = rc.SetReadDeadline(time.Now().Add(c.api.opt.Timeout)) // a body that trickles in must not hold the request for ever
	body, err := c.readBody(min(c.api.opt.BodyLimit, rules.MaxDocument+1))
	if err != nil {
		return nil, err
	}
	defer body.release()
	_ = rc.SetReadDeadline(time.Time{})
	if len(body.b) == 0 {
		return nil, nil
	}
	return slices.Clone(body.b), nil
}

// trialSite returns the site of a trial: the one that is named, or the only one of the key.
func (c *call) trialSite() (string, error) {
	list, err := c.sites()
	switch {
	case err != nil:
		return "", err
	case len(list) == 1:
		return list[0], nil
	case len(list) == 0:
		return "", problemf(codeUnknownSite, "There is no site yet: a site begins with its layout.")
	}
	return "", badParam("site", "name one of %s", strings.Join(list[:min(len(list), 10)], ", "))
}

func (c *call) trialRange() (from, to int64, err error) {
	now := c.api.opt.Now().UnixMilli()
	if to, err = c.timeParam("to", now); err != nil {
		return 0, 0, err
	}
	to = min(to, now)
	if from, err = c.timeParam("from", max(0, to-trialSpan.Milliseconds())); err != nil {
		return 0, 0, err
	}
	if from > to {
		return 0, 0, badParam("from", "it is after \"to\", or after now")
	}
	return from, to, nil
}

// liveVersion returns the rule that the site goes by, nil if it has none of that name.
func (c *call) liveVersion(cfg *engine.Config, name string) (*trial.Version, error) {
	for _, p := range cfg.Pins {
		if p.Doc != engine.RulesDocument {
			continue
		}
		d, err := c.api.store.GetDocument(c.Request().Context(), p.Doc, p.Version)
		if err != nil {
			return nil, unavailable(err)
		}
		v, _, err := trial.Pick(engine.RulesDocument, d.Body, rules.Known{Site: c.site}, name)
		var unknown *trial.UnknownRuleError
		if errors.As(err, &unknown) {
			return nil, nil
		}
		return v, err
	}
	return nil, nil
}

// history says since when facts of the site are kept, in Unix milliseconds, and what of the documents changed since a moment.
func (c *call) history(from int64) (kept int64, notes []string, err error) {
	ctx := c.Request().Context()
	err = c.api.store.Facts(ctx, c.site, store.FactID{}, store.FactID{}, 1, func(id store.FactID, _ []byte) error {
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
		notes = append(notes, fmt.Sprintf("Facts of this site are kept from %s on: of the time before nothing is known.", time.UnixMilli(kept).UTC().Format(time.RFC3339)))
	}
	for _, doc := range []struct{ name, what string }{{engine.LayoutDocument(c.site), "layout was"}, {engine.ProductsDocument, "products were"}} {
		docs, err := c.api.store.ListDocuments(ctx, doc.name)
		if err != nil {
			return 0, nil, unavailable(err)
		}
		for _, d := range docs {
			if d.Name == doc.name && d.Version > 1 && d.At.UnixMilli() > from {
				notes = append(notes, fmt.Sprintf("The %s changed at %s: facts before that meet what holds now.", doc.what, d.At.UTC().Format(time.RFC3339)))
			}
		}
	}
	return kept, notes, nil
}

// fillReport adds what a report needs to know of the site: the alerts that were recorded, and the channels.
func (c *call) fillReport(rep *trial.Report) error {
	ctx := c.Request().Context()
	var recorded []trial.Opening
	err := c.api.scanAlerts(ctx, c.site, func() { recorded = nil }, func(a *event.Alert) {
		if a.Rule == rep.Rule && a.About != event.AboutRule && a.Status != event.AlertPending {
			recorded = append(recorded, trial.OpeningOf(a))
		}
	})
	if err != nil {
		return err
	}
	rep.CompareRecorded(recorded)
	channels, err := c.api.channels(ctx)
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
