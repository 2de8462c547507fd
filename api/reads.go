package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/rules/hours"
)

var (
	codeNothingAccepted = kit.Code{Name: "nothing_accepted", Status: 422,
		Meaning: "Nothing of the batch was taken; the answer lists why, in \"rejected\"."}
	codeBatchTooLarge = kit.Code{Name: "batch_too_large", Status: 413,
		Meaning: "The batch has more elements than the limit, which the answer names."}
)

// intakeRoutes are the routes by which reads and business events come in.
type intakeRoutes struct{ *backend }

func (h intakeRoutes) table() []kit.Route {
	return []kit.Route{
		{
			Method: "POST", Path: "/v1/sites/{site}/reads", Name: "postReads", Group: "What comes in", Summary: "Post a batch of tag reads",
			About: "202 means: durable in the site's journal, and it will be worked through whatever happens. A " +
				"bad read is rejected with its place and the reason; the rest of the batch stands. If nothing is left, " +
				"it is 422.\n\n" +
				"An Idempotency-Key makes it safe to send a batch again: it counts once, and the answer has the same entry.",
			Scopes: []string{kit.ScopeReads}, Appends: true, Params: []kit.Param{paramWait},
			Body:    []kit.Content{kit.As(kit.MediaJSON, kit.OneOf{[]readRequest{}, readsRequest{}}), kit.As(mediaNDJSON, nil)},
			Answers: batchAnswers,
			Codes:   []kit.Code{codeBatchTooLarge, codeNothingAccepted}, Handle: h.postReads,
		}, {
			Method: "POST", Path: "/v1/sites/{site}/events", Name: "postEvents", Group: "What comes in",
			Summary: "Post business events: sales, returns, deliveries from suppliers, moves",
			About:   "One event, or an array of events. Answers like a batch of reads.",
			Scopes:  []string{kit.ScopeSales}, Appends: true, Params: []kit.Param{paramWait},
			Body:    []kit.Content{kit.As(kit.MediaJSON, kit.OneOf{EventRequest{}, []EventRequest{}})},
			Answers: batchAnswers,
			Codes:   []kit.Code{codeBatchTooLarge, codeNothingAccepted}, Handle: h.postEvents,
		},
	}
}

const mediaNDJSON = "application/x-ndjson"

// lineTypes are the media types that people send JSON with, one value a line: none is registered.
var lineTypes = []string{mediaNDJSON, "application/ndjson", "application/jsonl", "application/x-jsonlines", "application/jsonlines"}

// BatchAnswer says what became of a batch of reads or events. Its last members are there only if
// the caller asked to wait.
type BatchAnswer struct {
	Accepted  int               `json:"accepted" jsonschema_description:"How many elements of the batch were taken."`
	Rejected  []Rejection       `json:"rejected" jsonschema_description:"Those that were not, in order; the rest of the batch stands."`
	Entry     *uint64           `json:"sequence" jsonschema:"nullable" jsonschema_description:"Number of the journal entry that holds what was taken; null if nothing was."`
	Processed *bool             `json:"processed,omitempty" jsonschema_description:"With wait: whether it was processed in time."`
	Complete  *bool             `json:"complete,omitempty" jsonschema_description:"With wait: whether facts and alerts are all that came of it."`
	Facts     []FactView        `json:"facts,omitempty"`
	Alerts    []AlertChangeView `json:"alerts,omitempty"`
}

// maxWait is the longest that a caller may wait for the fold.
const maxWait = 10 * time.Second

// leastAppend is how long a batch may wait for the store at least, however short the caller's wait.
const leastAppend = time.Second

// waitParam reads "2s", "500ms" or a bare number of seconds, and returns until when the caller
// waits, counted from now: zero if not at all.
func waitParam(c *kit.Call) (until time.Time, err error) {
	v := c.QueryParam("wait")
	if v == "" {
		return until, nil
	}
	if _, err := strconv.ParseFloat(v, 64); err == nil {
		v += "s"
	}
	d, reason, _ := hours.PeriodWithin(v, 0, maxWait)
	if reason != "" {
		return until, kit.BadParam("wait", "%s; write it like 2s", reason)
	}
	if d > 0 {
		until = time.Now().Add(d)
	}
	return until, nil
}

func (h intakeRoutes) postReads(c *kit.Call) error {
	return h.postBatch(c, "read", func(*layout.Layout) (*countScope, error) { return nil, nil })
}

// postBatch takes a batch of reads. Scope says what they must fit, and of which count they are;
// nil: of none.
func (h intakeRoutes) postBatch(c *kit.Call, kind string, scope func(*layout.Layout) (*countScope, error)) error {
	until, err := waitParam(c)
	if err != nil {
		return err
	}
	types := append([]string{kit.MediaJSON}, lineTypes...)
	if kind == "count" {
		types = append(types, mediaText, mediaCSV)
	}
	media, err := c.WantType(types...)
	if err != nil {
		return err
	}
	lay, err := h.layoutOf(c.Ctx(), c.Site)
	if err != nil {
		return err
	}
	fit, err := scope(lay)
	if err != nil {
		return err
	}
	body, err := c.ReadBody(h.opt.BodyLimit)
	if err != nil {
		return err
	}
	defer body.Release()
	d := newReadDecoder(lay, c.Arrived.UnixMilli(), h.opt.BatchLimit)
	defer d.release()
	d.scope, d.stamps = fit, &h.stamps
	switch media {
	case kit.MediaJSON:
		err = d.array(body.B)
	case mediaText, mediaCSV:
		reads, lines, bad := upload(c, media, body.B, h.opt.BatchLimit)
		if bad != nil {
			return bad
		}
		err = d.lines(reads)
		nameLines(d.rejected, lines)
	default:
		err = d.lines(body.B)
	}
	if err != nil {
		return err
	}
	if fit != nil {
		d.entry.Count = fit.count
	}
	return h.appendBatch(c, kind, &d.entry, d.accepted(), d.rejected, body.B, until)
}

// appendBatch puts the entry into the site's journal and answers. A caller who waits until some time
// gets an answer by then, though the store may be writing a large commit: the batch is taken back
// from the queue.
func (h intakeRoutes) appendBatch(c *kit.Call, kind string, e *event.Entry, accepted int, rejected []Rejection,
	body []byte, until time.Time) error {
	ctx := c.Ctx()
	key, err := kit.IdempotencyKey(c.Request())
	if err != nil {
		return err
	}
	answer := BatchAnswer{Accepted: accepted, Rejected: rejected}
	if rejected == nil {
		answer.Rejected = []Rejection{}
	}
	if accepted == 0 {
		h.count(c.Site, kind, 0, rejected)
		detail := "The batch is empty."
		if len(rejected) > 0 {
			detail = fmt.Sprintf("Nothing of the batch was taken. The first reason: %s.", rejected[0].Reason)
		}
		return kit.Problemf(codeNothingAccepted, "%s", detail).With("rejected", answer.Rejected)
	}
	e.By = c.Key.Name
	print := ""
	if key != "" {
		key, print = c.Key.Owner()+" "+key, kit.Fingerprint(c.Request(), body)
	}
	var site *runner.Site
	var sub *runner.Subscription
	appendCtx := ctx
	if !until.IsZero() {
		var cancel context.CancelFunc
		appendCtx, cancel = context.WithTimeout(ctx, max(time.Until(until), leastAppend))
		defer cancel()
		if site, err = h.runner.Site(ctx, c.Site); err != nil {
			return unavailable(err)
		}
		sub = site.Subscribe(256)
		defer sub.Close()
	}
	res, err := h.runner.Append(appendCtx, c.Site, e, key, print)
	if errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
		return kit.Problemf(kit.CodeUnavailable, "The store is busy with a large change. Send the batch again, with the same "+
			"Idempotency-Key if it has one.").Because(err)
	}
	if err != nil {
		return unavailable(err)
	}
	seq := uint64(res.Seq)
	answer.Entry = &seq
	if res.Replayed {
		c.Response().Header().Set(kit.HeaderReplayed, "true")
	} else {
		h.count(c.Site, kind, accepted, rejected)
	}
	if until.IsZero() {
		return c.JSON(http.StatusAccepted, answer)
	}
	return h.awaitFold(c, &answer, sub, res, until)
}

// count counts what became of a batch. That something was rejected is logged too, once a minute for a
// read point: whoever sends may look at nothing but the status.
func (h intakeRoutes) count(site, kind string, accepted int, rejected []Rejection) {
	h.metrics.batch(site, kind, accepted, rejected)
	if len(rejected) == 0 {
		return
	}
	first := &rejected[0]
	if more, due := h.rejecting.Due(site+" "+kind+" "+first.point, time.Now()); due {
		h.log.Warn("a part of a batch was rejected", "site", site, "kind", kind, "read_point", first.point, "rejected",
			len(rejected), "accepted", accepted, "first", first.Reason, "not_logged", more)
	}
}

// awaitFold answers once the entry is folded, or when the caller's patience ends.
func (h intakeRoutes) awaitFold(c *kit.Call, answer *BatchAnswer, sub *runner.Subscription, res store.Appended, until time.Time) error {
	ctx, cancel := context.WithDeadline(c.Ctx(), until)
	defer cancel()
	var facts []event.Fact
	var changes []engine.AlertChange
	var err error
	complete := false
	folded := res.Replayed
	if res.Replayed {
		// It may have been folded long ago: what it came to is on record.
		facts, changes, complete, folded, err = h.recall(ctx, c.Site, res.Seq)
	}
	if !folded && err == nil {
		facts, changes, complete, err = sub.Await(ctx, uint64(res.Seq))
		folded = err == nil
	}
	if err != nil && ctx.Err() == nil {
		return unavailable(err)
	}
	if !folded {
		if c.Ctx().Err() != nil {
			return c.Ctx().Err()
		}
		answer.Processed = new(bool)
		return c.JSON(http.StatusAccepted, answer)
	}
	answer.Processed, answer.Complete = &folded, &complete
	answer.Facts = factViews(facts)
	answer.Alerts = make([]AlertChangeView, 0, len(changes))
	for i := range changes {
		answer.Alerts = append(answer.Alerts, AlertChangeView{Change: changes[i].Type, Alert: changes[i].Alert.View(c.Site)})
	}
	return c.JSON(http.StatusOK, answer)
}

// recallLimit bounds the facts that are looked through for what an old entry came to.
const recallLimit = 200_000

// recall finds what an entry that was folded before came to: its facts, and the alerts that it
// raised as they are now. folded is false if it was not folded yet.
func (b *backend) recall(ctx context.Context, site string, seq store.Seq) (facts []event.Fact,
	changes []engine.AlertChange, complete, folded bool, err error) {
	cursor, _, err := b.store.Cursor(ctx, site)
	if err != nil || cursor < seq {
		return nil, nil, false, false, err
	}
	entries, err := b.store.Read(ctx, site, seq-1, 1, 0)
	if err != nil || len(entries) == 0 {
		return nil, nil, false, true, nil // trimmed: it is too old to be told apart
	}
	e := event.Entry{Seq: uint64(seq)}
	if err := event.DecodeEntry(entries[0].Data, &e); err != nil {
		return nil, nil, false, true, err
	}
	complete = true
	seen := 0
	err = b.eachFact(ctx, site, store.FactID{Ms: e.At}, store.FactID{}, 0, func(_ store.FactID, f *event.Fact) error {
		if seen++; seen > recallLimit {
			complete = false
			return errEnough
		}
		switch {
		case f.Seq > uint64(seq):
			return errEnough
		case f.Seq == uint64(seq):
			facts = append(facts, *f)
		}
		return nil
	})
	if err != nil {
		return nil, nil, false, true, err
	}
	err = b.scanAlerts(ctx, site, func() { changes = nil }, func(al *event.Alert) {
		if alertEntry(al.ID) == uint64(seq) && al.Status != event.AlertPending && al.Lead == "" {
			changes = append(changes, engine.AlertChange{Seq: uint64(seq), Type: event.ChangeOpened, Alert: *al})
		}
	})
	return facts, changes, complete, true, err
}
