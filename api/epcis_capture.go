package api

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine/epcis"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/store"
)

// CaptureJob is a capture job of EPCIS 2.0, with what Lintel has to say beyond the standard.
type CaptureJob struct {
	epcis.Job
	Events  int           `json:"lintel:events" jsonschema_description:"Events that were taken."`
	Entries int           `json:"lintel:parts" jsonschema_description:"Journal entries that hold what they mean."`
	Notes   []CaptureNote `json:"lintel:notes,omitempty" jsonschema_description:"What of the events had no effect, and why; the first 200."`
	More    int           `json:"lintel:moreNotes,omitempty" jsonschema_description:"How many notes are not shown."`
}

// CaptureNote says what of an event had no effect.
type CaptureNote struct {
	Instance string `json:"instance" jsonschema_description:"JSON pointer into the document, as a fragment."`
	Reason   string `json:"reason"`
	Ignored  bool   `json:"ignored,omitempty" jsonschema_description:"It is never used here, so there is nothing to put right."`
}

// kindCapture is the kind of capture jobs among the store's values; the key is the job's id.
const kindCapture store.Kind = "capture"

const (
	captureKeep   = 7 * 24 * time.Hour
	captureRepeat = store.IdempotencyWindow - time.Hour // for which a document that is sent again finds its job
	captureNotes  = 200
)

// keptCapture is a job on record.
type keptCapture struct {
	Job   CaptureJob           `json:"job"`
	At    int64                `json:"at"`    // Unix milliseconds
	Seqs  map[string]store.Seq `json:"seqs"`  // the last entry in the journal of each site
	Sites []string             `json:"sites"` // that the events belong to
}

// capture takes in a document of events.
func (h *epcisRoutes) capture(c *kit.Call) error {
	h.epcisHeaders(c.Response().Header())
	if _, err := c.WantType(kit.MediaJSON, mediaJSONLD); err != nil {
		return err
	}
	behaviour, err := epcis.ParseErrorBehaviour(c.Request().Header.Get(epcis.HeaderErrorBehaviour))
	if err != nil {
		return kit.Problemf(kit.CodeInvalidParameter, "%v.", err).With("parameter", epcis.HeaderErrorBehaviour)
	}
	if v := c.Request().Header.Get(epcis.HeaderEPCISVersion); v != "" && v != "2.0" && v != epcis.Version {
		return kit.Problemf(kit.CodeNotAcceptable, "EPCIS %s is not spoken here; send EPCIS %s.", kit.Shown([]byte(v)), epcis.Version)
	}
	site := c.QueryParam("site")
	if site != "" {
		if _, err := h.sites(c); err != nil {
			return err
		}
	}
	body, err := c.ReadBody(h.opt.ProductsLimit)
	if err != nil {
		return err
	}
	defer body.Release()
	sum := sha256.Sum256(fmt.Appendf(nil, "%q %q %q %x", c.Key.Owner(), site, behaviour, sha256.Sum256(body.B)))
	id := hex.EncodeToString(sum[:16])
	now := h.opt.Now()
	if had, err := h.capturedJob(c, id); err != nil {
		return err
	} else if had != nil && now.UnixMilli()-had.At < captureRepeat.Milliseconds() {
		c.Response().Header().Set(kit.HeaderReplayed, "true")
		return h.answerJob(c, http.StatusAccepted, had)
	}
	var doc *epcis.Document
	err = c.Parse(func() (err error) {
		doc, err = epcis.Parse(body.B, epcis.Options{MaxBytes: int(h.opt.ProductsLimit), MaxEvents: h.opt.BatchLimit,
			Proceed: behaviour == epcis.Proceed})
		return err
	})
	if p := busy(err); p != nil {
		return p
	}
	if err != nil {
		return captureFault(err)
	}
	p := &capturePlan{c: c, h: h, doc: doc, now: now.UnixMilli(), only: site, places: make(map[string]*placesOf)}
	if err := p.events(); err != nil {
		return err
	}
	if behaviour == epcis.Rollback {
		if len(p.faults) > 0 {
			return captureFault(p.faults)
		}
		if len(p.places) > 1 {
			return kit.Problemf(codeInvalidEPCIS, "The events belong to %d sites: %s. Taking all or nothing holds "+
				"for one site: send a document for each, or send the header %s: proceed.",
				len(p.places), strings.Join(slices.Sorted(maps.Keys(p.places)), ", "), epcis.HeaderErrorBehaviour)
		}
	}
	return p.appendAll(id, behaviour, now)
}

// captureFault turns what is wrong with a document into a problem.
func captureFault(err error) error {
	var limit *epcis.LimitError
	if errors.As(err, &limit) {
		return kit.Problemf(codeBatchTooLarge, "%v.", limit).With("limit", limit.Limit)
	}
	var problems epcis.Errors
	if !errors.As(err, &problems) {
		return err
	}
	return kit.Problemf(codeInvalidEPCIS, "The document has %d problems. Nothing was taken. The first: %s.",
		len(problems), problems[0]).With("errors", epcis.JobErrors(problems))
}

// placesOf is a site as a capture sees it, with what goes into its journal.
type placesOf struct {
	*epcis.Directory
	lay     *layout.Layout
	entries []*event.Entry
	tags    int // in the last entry
}

// capturePlan turns events into journal entries.
type capturePlan struct {
	c      *kit.Call
	h      *epcisRoutes
	doc    *epcis.Document
	now    int64
	only   string // the site of events that name no place
	places map[string]*placesOf
	taken  int
	notes  []CaptureNote
	more   int
	faults epcis.Errors
}

func (p *capturePlan) pointer(ev *epcis.Event) string {
	switch p.doc.Type {
	case epcis.TypeDocument:
		return fmt.Sprintf("/epcisBody/eventList/%d", ev.Index)
	case epcis.TypeQueryDocument:
		return fmt.Sprintf("/epcisBody/queryResults/resultsBody/eventList/%d", ev.Index)
	}
	return ""
}

func (p *capturePlan) fault(ev *epcis.Event, member, hint, format string, args ...any) {
	p.faults = append(p.faults, epcis.Problem{Pointer: p.pointer(ev) + member, Event: ev.Index,
		Reason: fmt.Sprintf(format, args...), Hint: hint})
}

func (p *capturePlan) note(ev *epcis.Event, n epcis.Note) {
	if len(p.notes) == captureNotes {
		p.more++
		return
	}
	p.notes = append(p.notes, CaptureNote{Instance: "#" + p.pointer(ev) + n.Pointer, Reason: n.Reason, Ignored: n.Ignored})
}

// events plans every event. An error is one that has nothing to do with a single event.
func (p *capturePlan) events() error {
	for i := range p.doc.Events {
		ev := &p.doc.Events[i]
		site, ok := p.siteOf(ev)
		if !ok {
			p.fault(ev, "", "name a readPoint or bizLocation as "+epcis.LocationURI(p.h.opt.PublicURL, "{site}",
				"{zone}")+", or send ?site=", "the event names no place of a site, so nobody knows whose it is")
			continue
		}
		at, err := p.site(site)
		switch {
		case kit.AsProblem(err).Code == kit.CodeUnknownSite && err != nil:
			p.fault(ev, "", "", "there is no site %q", site)
			continue
		case err != nil:
			return err
		}
		if _, err := checkInstant(ev.At, p.now); err != nil {
			p.fault(ev, "/eventTime", "", "%v", err)
			continue
		}
		effects, notes := epcis.Meaning(ev, at.Directory)
		for _, n := range notes {
			p.note(ev, n)
		}
		for k := range effects {
			p.effect(ev, at, &effects[k])
		}
		p.taken++
	}
	return nil
}

// siteOf tells whose event it is.
func (p *capturePlan) siteOf(ev *epcis.Event) (string, bool) {
	for _, l := range []*epcis.Location{ev.BizLocation, ev.ReadPoint} {
		if l == nil {
			continue
		}
		if place, ok := epcis.ParseLocationURI(p.h.opt.PublicURL, l.ID); ok && kit.ValidSite(place.Site) {
			return place.Site, true
		}
	}
	return p.only, p.only != ""
}

// site returns the places of a site that the caller may write to.
func (p *capturePlan) site(id string) (*placesOf, error) {
	if s := p.places[id]; s != nil {
		return s, nil
	}
	if !p.c.Key.ForSite(id) {
		return nil, kit.Problemf(kit.CodeMissingSite, "%s is not for the site %q, to which an event "+
			"belongs. Nothing was taken.", p.c.Key.Who(), id).With("site", id)
	}
	lay, err := p.h.layoutOf(p.c.Ctx(), id)
	if err != nil {
		return nil, err
	}
	dir, err := epcis.NewDirectory(p.h.opt.PublicURL, lay, nil)
	if err != nil {
		return nil, err
	}
	s := &placesOf{Directory: dir, lay: lay}
	p.places[id] = s
	return s, nil
}

// effect adds what an event means to the entries of its site, in the order of events.
func (p *capturePlan) effect(ev *epcis.Event, s *placesOf, e *epcis.Effect) {
	if business, ok := e.Event(); ok {
		entry := s.entry(event.EntryEvents, len(e.Tags), p.now, p.c.Key.Name)
		entry.Events = append(entry.Events, business)
		return
	}
	i, ok := s.lay.ReadPointIndex(e.ReadPoint)
	if !ok || s.lay.ReadPoints[i].Zone < 0 {
		p.note(ev, epcis.Note{Pointer: "/readPoint/id", Reason: "the read point has no zone of its own: name the zone as bizLocation"})
		return
	}
	entry := s.entry(event.EntryReads, len(e.Tags), p.now, p.c.Key.Name)
	k := slices.Index(entry.Points, e.ReadPoint)
	if k < 0 {
		k = len(entry.Points)
		entry.Points = append(entry.Points, e.ReadPoint)
	}
	for _, t := range e.Tags {
		entry.Reads = append(entry.Reads, event.Read{Key: t.Key, Text: t.Text, Point: uint16(k), RSSI: event.NoRSSI, N: 1, T: e.At})
	}
}

// entry returns the entry that something of this kind goes into: the last one, unless it is of
// another kind or full.
func (s *placesOf) entry(kind event.EntryKind, tags int, now int64, by string) *event.Entry {
	if n := len(s.entries); n == 0 || s.entries[n-1].Kind != kind || s.tags >= bulkTags {
		s.entries = append(s.entries, &event.Entry{Kind: kind, At: now, By: by})
		s.tags = 0
	}
	s.tags += tags
	return s.entries[len(s.entries)-1]
}

// appendAll puts the entries into the journals, in one step for each site, keeps the job, and
// answers.
func (p *capturePlan) appendAll(id string, behaviour epcis.ErrorBehaviour, now time.Time) error {
	ctx := p.c.Ctx()
	when := now.UTC().Format("2006-01-02T15:04:05.000Z07:00")
	faults := slices.Concat(p.doc.Refused, p.faults)
	slices.SortStableFunc(faults, func(a, b epcis.Problem) int { return a.Event - b.Event })
	kept := &keptCapture{
		At: now.UnixMilli(), Seqs: make(map[string]store.Seq), Sites: slices.Sorted(maps.Keys(p.places)),
		Job: CaptureJob{
			Job: epcis.Job{ID: id, CreatedAt: when, FinishedAt: when, Success: len(faults) == 0,
				ErrorBehaviour: behaviour, Errors: []epcis.JobError{}},
			Events: p.taken, Notes: p.notes, More: p.more,
		},
	}
	if len(faults) > 0 {
		kept.Job.Errors = epcis.JobErrors(faults)
	}
	for _, site := range kept.Sites {
		entries := p.places[site].entries
		if len(entries) == 0 {
			continue
		}
		list := make([]store.NewEntry, len(entries))
		for i, e := range entries {
			// The keys make a document that is sent again, because its answer was lost, count once.
			list[i] = store.NewEntry{Data: event.AppendEntry(nil, e), IdempotencyKey: fmt.Sprintf("epcis %s %d", id, i), Fingerprint: id}
		}
		res, err := p.h.store.Append(ctx, site, list...)
		if err != nil {
			return unavailable(err)
		}
		kept.Seqs[site] = res[len(res)-1].Seq
		kept.Job.Entries += len(entries)
	}
	if err := p.h.keepCapture(p.c, id, kept); err != nil {
		return unavailable(err)
	}
	return p.h.answerJob(p.c, http.StatusAccepted, kept)
}
