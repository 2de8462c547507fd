package api

import (
	"context"
	"net/http"
	"strconv"
	"time"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/rules/hours"
)

const mediaNDJSON = "application/x-ndjson"

// BatchAnswer says what became of a batch of reads or events. Its last members are there only if the caller asked to wait.
type BatchAnswer struct {
	Accepted int               `json:"accepted" jsonschema_description:"How many elements of the batch were taken."`
	Rejected []Rejection       `json:"rejected" jsonschema_description:"Those that were not, in order; the rest of the batch stands."`
	Entry    *uint64           `json:"entry" jsonschema:"nullable" jsonschema_description:"Number of the journal entry that holds what was taken; null if nothing was."`
	Folded   *bool             `json:"folded,omitempty" jsonschema_description:"With wait: whether it was worked through in time."`
	Complete *bool             `json:"complete,omitempty" jsonschema_description:"With wait: whether facts and alerts are all that came of it."`
	Facts    []FactView        `json:"facts,omitempty"`
	Alerts   []AlertChangeView `json:"alerts,omitempty"`
}

// maxWait is the longest that a caller may wait for the fold.
const maxWait = 10 * time.Second

// waitParam reads "2s", "500ms" or a bare number of seconds; 0: don't wait.
func (c *call) waitParam() (time.Duration, error) {
	v := c.QueryParam("wait")
	if v == "" {
		return 0, nil
	}
	if _, err := strconv.ParseFloat(v, 64); err == nil {
		v += "s"
	}
	d, reason, _ := hours.PeriodWithin(v, 0, maxWait)
	if reason != "" {
		return 0, badParam("wait", "%s; write it like 2s", reason)
	}
	return d, nil
}

func (c *call) postReads() error {
	return c.postBatch("read", func(*layout.Layout) (*countScope, error) { return nil, nil })
}

// postBatch takes a batch of reads. Scope says what they must fit, and of which count they are; nil: of none.
func (c *call) postBatch(kind string, scope func(*layout.Layout) (*countScope, error)) error {
	wait, err := c.waitParam()
	if err != nil {
		return err
	}
	media, err := c.wantType(mediaJSON, mediaNDJSON)
	if err != nil {
		return err
	}
	lay, err := c.api.layoutOf(c.Request().Context(), c.site)
	if err != nil {
		return err
	}
	fit, err := scope(lay)
	if err != nil {
		return err
	}
	body, err := c.readBody(c.api.opt.BodyLimit)
	if err != nil {
		return err
	}
	defer body.release()
	d := newReadDecoder(lay, c.api.opt.Now().UnixMilli(), c.api.opt.BatchLimit)
	defer d.release()
	d.scope, d.stamps = fit, &c.api.stamps
	if media == mediaNDJSON {
		err = d.lines(body.b)
	} else {
		err = d.array(body.b)
	}
	if err != nil {
		return err
	}
	if fit != nil {
		d.entry.Count = fit.count
	}
	return c.appendBatch(kind, &d.entry, d.accepted(), d.rejected, body.b, wait)
}

// appendBatch puts the entry into the site's journal and answers.
func (c *call) appendBatch(kind string, e *event.Entry, accepted int, rejected []Rejection, body []byte, wait time.Duration) error {
	ctx := c.Request().Context()
	key, err := idempotencyKey(c.Request())
	if err != nil {
		return err
	}
	answer := BatchAnswer{Accepted: accepted, Rejected: rejected}
	if rejected == nil {
		answer.Rejected = []Rejection{}
	}
	if accepted == 0 {
		c.api.metrics.batch(c.site, kind, 0, rejected)
		return c.JSON(http.StatusAccepted, answer)
	}
	e.By = c.key.Name
	print := ""
	if key != "" {
		key, print = c.key.Name+" "+key, fingerprint(c.Request(), body)
	}
	var site *runner.Site
	var sub *runner.Subscription
	if wait > 0 {
		if site, err = c.api.runner.Site(ctx, c.site); err != nil {
			return unavailable(err)
		}
		sub = site.Subscribe(256)
		defer sub.Close()
	}
	res, err := c.api.runner.Append(ctx, c.site, e, key, print)
	if err != nil {
		return unavailable(err)
	}
	seq := uint64(res.Seq)
	answer.Entry = &seq
	if res.Replayed {
		c.Response().Header().Set(headerReplayed, "true")
	} else {
		c.api.metrics.batch(c.site, kind, accepted, rejected)
	}
	if wait == 0 {
		return c.JSON(http.StatusAccepted, answer)
	}
	return c.awaitFold(&answer, sub, res, wait)
}

// awaitFold answers once the entry is folded, or when the caller's patience ends.
func (c *call) awaitFold(answer *BatchAnswer, sub *runner.Subscription, res store.Appended, wait time.Duration) error {
	ctx, cancel := context.WithTimeout(c.Request().Context(), wait)
	defer cancel()
	var facts []event.Fact
	var changes []engine.AlertChange
	var err error
	complete := false
	folded := res.Replayed
	if res.Replayed {
		// It may have been folded long ago: what it came to is on record.
		facts, changes, complete, folded, err = c.api.recall(ctx, c.site, res.Seq)
	}
	if !folded && err == nil {
		facts, changes, complete, err = sub.Await(ctx, uint64(res.Seq))
		folded = err == nil
	}
	if err != nil && ctx.Err() == nil {
		return unavailable(err)
	}
	if !folded {
		if c.Request().Context().Err() != nil {
			return c.Request().Context().Err()
		}
		answer.Folded = new(bool)
		return c.JSON(http.StatusAccepted, answer)
	}
	answer.Folded, answer.Complete = &folded, &complete
	answer.Facts = factViews(facts)
	answer.Alerts = make([]AlertChangeView, 0, len(changes))
	for i := range changes {
		answer.Alerts = append(answer.Alerts, AlertChangeView{Change: changes[i].Type, Alert: changes[i].Alert.View(c.site)})
	}
	return c.JSON(http.StatusOK, answer)
}

// recallLimit bounds the facts that are looked through for what an old entry came to.
const recallLimit = 200_000

// recall finds what an entry that was folded before came to: its facts, and the alerts that it raised as they are now. folded is false if it was not folded yet.
func (a *API) recall(ctx context.Context, site string, seq store.Seq) (facts []event.Fact, changes []engine.AlertChange, complete, folded bool, err error) {
	cursor, _, err := a.store.Cursor(ctx, site)
	if err != nil || cursor < seq {
		return nil, nil, false, false, err
	}
	entries, err := a.store.Read(ctx, site, seq-1, 1, 0)
	if err != nil || len(entries) == 0 {
		return nil, nil, false, true, nil // trimmed: it is too old to be told apart
	}
	e := event.Entry{Seq: uint64(seq)}
	if err := event.DecodeEntry(entries[0].Data, &e); err != nil {
		return nil, nil, false, true, err
	}
	complete = true
	seen := 0
	err = a.store.Facts(ctx, site, store.FactID{Ms: e.At}, store.FactID{}, 0, func(id store.FactID, data []byte) error {
		var f event.Fact
		if err := event.DecodeFact(data, id.Ms, id.N, &f); err != nil {
			return err
		}
		if seen++; seen > recallLimit {
			complete = false
			return errEnough
		}
		switch {
		case f.Seq > uint64(seq):
			return errEnough
		case f.Seq == uint64(seq):
			facts = append(facts, f)
		}
		return nil
	})
	if err != nil && err != errEnough {
		return nil, nil, false, true, err
	}
	prefix := site + "-" + strconv.FormatUint(uint64(seq), 10) + "-"
	err = a.eachAlert(ctx, site, func(al *event.Alert) {
		if len(al.ID) > len(prefix) && al.ID[:len(prefix)] == prefix && al.Status != event.AlertPending && al.Lead == "" {
			changes = append(changes, engine.AlertChange{Seq: uint64(seq), Type: event.ChangeOpened, Alert: *al})
		}
	})
	return facts, changes, complete, true, err
}
