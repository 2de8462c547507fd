package api

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/store"
)

// CountRequest opens a count.
type CountRequest struct {
	Zones        []string         `json:"zones" jsonschema:"minItems=1" jsonschema_description:"The zones that are counted, together."`
	Note         string           `json:"note,omitempty" jsonschema_description:"At most 1,000 characters. Never anything about a person."`
	MissingAfter int              `json:"missing_after,omitempty" jsonschema:"minimum=1,maximum=2,default=2" jsonschema_description:"In how many counts running an item must be missed before it is reported as missing. One miss is often only a bad angle."`
	Delivery     *DeliveryRequest `json:"delivery,omitempty" jsonschema_description:"Check a delivery against its papers, instead of a shelf against what is known of it."`
	Blind        bool             `json:"blind,omitempty" jsonschema_description:"Keys that may only count are not shown what is expected until it is closed. So it is for zones that the count plan has as blind, too."`
	MissingOf    string           `json:"missing_of,omitempty" jsonschema_description:"A closed count: look for what it did not find, and for nothing else. zones may be left out. What is missed again is missed twice."`

	Fields map[string]FieldValue `json:"fields,omitempty" jsonschema_description:"What the shop asks of each count, by the ids that the layout declares."`
}

// FieldValue is a value of a field of the shop's own: a text, or a number.
type FieldValue string

// UnmarshalJSON takes a text or a number.
func (v *FieldValue) UnmarshalJSON(b []byte) error {
	var s string
	if b[0] != '"' {
		var n json.Number
		err := json.Unmarshal(b, &n)
		*v = FieldValue(n)
		return err
	}
	err := json.Unmarshal(b, &s)
	*v = FieldValue(s)
	return err
}

// DeliveryRequest is what the papers of a delivery say.
type DeliveryRequest struct {
	EPCs     []string      `json:"epcs,omitempty" jsonschema_description:"The items that the papers name, in any form of their identity; at most 50,000."`
	Products []PapersEntry `json:"products,omitempty" jsonschema_description:"How many of each product they say, beside epcs; at most 10,000."`
}

// PapersEntry is one line of the papers.
type PapersEntry struct {
	GTIN     string `json:"gtin,omitempty" jsonschema_description:"One of gtin and sku must be there."`
	SKU      string `json:"sku,omitempty"`
	Quantity int    `json:"quantity" jsonschema:"minimum=1,maximum=1000000"`
}

// PlaceError is one thing that is wrong with a body.
type PlaceError struct {
	Path   string `json:"path"`
	Reason string `json:"reason"`
}

// CountAnswer is a count after something was done to it.
type CountAnswer struct {
	Entry     uint64       `json:"sequence" jsonschema_description:"Number of the journal entry that holds what was done."`
	Processed bool         `json:"processed" jsonschema_description:"False if it was not processed in time; it will be."`
	ID        string       `json:"id"`
	Count     *CountDetail `json:"count,omitempty"`
}

// CountList is one page of counts, newest first.
type CountList struct {
	Counts []CountView `json:"counts"`
	Next   string      `json:"next,omitempty"`
}

// Limits of what a count may be opened with.
const (
	maxPapersTags     = 50_000
	maxPapersProducts = 10_000
	maxQuantity       = 1_000_000
)

// openCount opens a count of zones.
func (h countRoutes) openCount(c *kit.Call) error {
	var req CountRequest
	if err := c.DecodeJSONUpTo(h.opt.BodyLimit, &req); err != nil {
		return err
	}
	lay, err := h.layoutOf(c.Ctx(), c.Site)
	if err != nil {
		return err
	}
	var sought []event.Tag
	if req.MissingOf != "" {
		if sought, err = h.soughtOf(c, &req); err != nil {
			return err
		}
	}
	cmd, err := h.countCommandOf(c, &req, lay)
	if err != nil {
		return err
	}
	if sought != nil {
		cmd.Only, cmd.Tags = true, sought
	}
	if cmd.Careful = !c.Flag("also"); cmd.Careful {
		if err := h.zoneCounted(c, cmd.Zones); err != nil {
			return err
		}
	}
	done, err := h.carryOut(c.Ctx(), c.Site, &event.Entry{Kind: event.EntryCount, At: h.opt.Now().UnixMilli(),
		By: c.Key.Name, Command: *cmd})
	if err != nil {
		return err
	}
	id := event.CountID(c.Site, done.seq)
	answer := CountAnswer{Entry: done.seq, Processed: done.folded, ID: id}
	if !done.folded {
		return c.JSON(http.StatusAccepted, answer)
	}
	if answer.Count, err = h.countDetail(c, id); err != nil {
		if codeOf(err) == codeUnknownCount {
			if cmd.Careful {
				if err := h.zoneCounted(c, cmd.Zones); err != nil {
					return err // somebody else was first
				}
			}
			return kit.Problemf(kit.CodeConflict, "The zones were taken out of the layout at the same moment. Look "+
				"at the layout and open the count again.")
		}
		return err
	}
	c.Response().Header().Set("Location", "/v1/sites/"+c.Site+"/counts/"+id)
	return c.JSON(http.StatusCreated, answer)
}

// soughtOf returns what a closed count did not find, and fills in its zones where none are named.
func (h countRoutes) soughtOf(c *kit.Call, req *CountRequest) (sought []event.Tag, err error) {
	if req.Delivery != nil {
		return nil, kit.Problemf(kit.CodeInvalidBody, "missing_of looks for what a count missed, delivery checks papers: send one of them.")
	}
	v, err := h.closedCount(c, req.MissingOf, "what it missed is known once it is closed")
	if err != nil {
		return nil, err
	}
	for i := range v.res.Differences {
		if d := &v.res.Differences[i]; missed(d.Finding) {
			sought = append(sought, event.Tag{Key: d.Key, Text: d.Text})
		}
	}
	if sought == nil {
		return nil, kit.Problemf(codeCountStatus, "The count %s has nothing missing to look for.", v.Count.ID).
			With("count_status", v.Count.Status)
	}
	if len(req.Zones) == 0 {
		req.Zones = v.Count.Zones
	}
	return sought, nil
}

// missed reports whether an item with this finding was expected and not heard, as far as is known.
func missed(f event.Finding) bool {
	return f == event.MissedOnce || f == event.MissedNow || f == event.NotDelivered
}

// zoneCounted answers with the count that is open for one of the zones, nil if there is none.
func (h countRoutes) zoneCounted(c *kit.Call, zones []string) error {
	return h.view(c, func(st *engine.State) error {
		id, zone := st.Counting(zones)
		if id == "" {
			return nil
		}
		return kit.Problemf(codeZoneCounted, "The zone %q is being counted by %s. Post your reads to that count, close or discard it, or "+
			"open this one beside it with ?also=true.", zone, id).With("count", id).With("zone", zone)
	})
}

// littleRead answers for a count that was not closed since almost nothing of what should be there was
// read.
func littleRead(v *CountDetail) error {
	if v.Expected < 0 {
		return kit.Problemf(codeLittleRead, "Very little of what should be there was read. Post the reads that are missing, discard the "+
			"count, or close it with ?anyway=true: what was not read is then missed.")
	}
	return kit.Problemf(codeLittleRead, "Of %d items that should be there %d were read. Post the reads that are missing, discard the count, "+
		"or close it with ?anyway=true: what was not read is then missed.", v.Expected, v.Progress.Found).
		With("expected", v.Expected).With("found", v.Progress.Found)
}

// countCommandOf checks the request as a whole: everything that is wrong is listed.
func (h countRoutes) countCommandOf(c *kit.Call, req *CountRequest, lay *layout.Layout) (*event.CountCommand, error) {
	var faults []PlaceError
	more := 0
	fault := func(path, format string, args ...any) {
		if len(faults) == 100 {
			more++
			return
		}
		faults = append(faults, PlaceError{path, fmt.Sprintf(format, args...)})
	}
	cmd := &event.CountCommand{Do: "open", Note: req.Note, MissingAfter: cmp.Or(req.MissingAfter, 2)}
	if len(req.Zones) == 0 {
		fault("zones", "it is empty; name the zones that are counted")
	}
	for i, z := range req.Zones {
		if _, ok := lay.ZoneIndex(z); !ok {
			fault(fmt.Sprintf("zones[%d]", i), "%s", noZone(lay, z))
		} else if slices.Contains(cmd.Zones, z) {
			fault(fmt.Sprintf("zones[%d]", i), "the zone %q is there twice", z)
		} else {
			cmd.Zones = append(cmd.Zones, z)
		}
	}
	if len([]rune(req.Note)) > maxNote {
		fault("note", "it is longer than %d characters", maxNote)
	}
	if cmd.MissingAfter < 1 || cmd.MissingAfter > 2 {
		fault("missing_after", "%d must be 1 or 2", cmd.MissingAfter)
	}
	cmd.Blind = req.Blind
	for _, z := range cmd.Zones {
		p := lay.Counts.Planned(z)
		cmd.Blind = cmd.Blind || p != nil && p.Blind
	}
	given := make(map[string]string, len(req.Fields))
	for id, v := range req.Fields {
		given[id] = string(v)
	}
	values, wrong := lay.Counts.Check(given)
	cmd.Fields = values
	for _, id := range slices.Sorted(maps.Keys(wrong)) {
		fault("fields."+id, "%s", wrong[id])
	}
	if req.Delivery != nil {
		if err := h.papersOf(c, req.Delivery, cmd, fault); err != nil {
			return nil, err
		}
	}
	if len(faults) == 0 {
		return cmd, nil
	}
	return nil, kit.Problemf(kit.CodeInvalidBody, "The count can't be opened: %s: %s%s.", faults[0].Path,
		faults[0].Reason, andMore(len(faults)+more-1)).With("errors", faults)
}

func andMore(n int) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf(" (and %d more)", n)
}

// papersOf reads the papers of a delivery into the command.
func (h countRoutes) papersOf(c *kit.Call, d *DeliveryRequest, cmd *event.CountCommand, fault func(string, string, ...any)) error {
	cmd.Delivery = true
	switch {
	case len(d.EPCs)+len(d.Products) == 0:
		fault("delivery", "it says nothing; name items in epcs, or numbers of products in products")
	case len(d.EPCs) > maxPapersTags:
		fault("delivery.epcs", "it names %d items, at most %d are taken", len(d.EPCs), maxPapersTags)
		return nil
	case len(d.Products) > maxPapersProducts:
		fault("delivery.products", "it has %d lines, at most %d are taken", len(d.Products), maxPapersProducts)
		return nil
	}
	had := make(map[epc.Key]bool, len(d.EPCs))
	for i, s := range d.EPCs {
		id, err := parseIdentity(s, 0, false)
		if err != nil {
			fault(fmt.Sprintf("delivery.epcs[%d]", i), "%s", identityFault(err).Reason)
			continue
		}
		k, words := keyOf(id)
		if had[k] {
			fault(fmt.Sprintf("delivery.epcs[%d]", i), "the item %s is there twice", kit.Shown([]byte(s)))
			continue
		}
		had[k] = true
		cmd.Tags = append(cmd.Tags, event.Tag{Key: k, Text: strings.Clone(words)})
	}
	return h.view(c, func(st *engine.State) error {
		products := st.Config().Catalog
		for i, p := range d.Products {
			path := fmt.Sprintf("delivery.products[%d]", i)
			if p.Quantity < 1 || p.Quantity > maxQuantity {
				fault(path+".quantity", "%d is no number from 1 to %d", p.Quantity, maxQuantity)
			}
			gtin, err := oneProduct(p.GTIN, p.SKU, products)
			if err != nil {
				fault(path, "%s", err)
				continue
			}
			cmd.Papers = append(cmd.Papers, event.Line{GTIN: gtin, Count: p.Quantity})
		}
		return nil
	})
}

// countVerbs are what can be done to a count that is there, and in which statuses.
var countVerbs = []struct {
	do, summary, about string
	from               []event.CountStatus
	to                 event.CountStatus
}{
	{"pause", "Stop taking reads for now", "", []event.CountStatus{event.CountOpen}, event.CountPaused},
	{"resume", "Take reads again", "", []event.CountStatus{event.CountPaused}, event.CountOpen},
	{"pass", "Begin another round over the same shelves", "Rounds that are over say more of what was not read than " +
		"any number of reads in one round: have the tags awake again for each.",
		[]event.CountStatus{event.CountOpen}, event.CountOpen},
	{"close", "End a count and reconcile it", "Items go where they were counted; what was missed in as many counts " +
		"running as missing_after says is reported as missing. Nothing is written off.",
		[]event.CountStatus{event.CountOpen, event.CountPaused}, event.CountClosed},
	{"discard", "Drop a count as if it had never been", "", []event.CountStatus{event.CountOpen, event.CountPaused}, event.CountDiscarded},
	{"reopen", "Open a closed count again, for another round", "It can be done for 12 hours, and until a newer " +
		"count of one of its zones is opened.", []event.CountStatus{event.CountClosed}, event.CountOpen},
}

// commandCount carries out a verb on the count of the path.
func (h countRoutes) commandCount(c *kit.Call, verb int) error {
	v := &countVerbs[verb]
	rec, err := h.countRecord(c, c.PathParam("id"))
	if err != nil {
		return err
	}
	if !slices.Contains(v.from, rec.Status) || rec.Final {
		return countStatus(&rec, v.do)
	}
	d, err := h.carryOut(c.Ctx(), c.Site, &event.Entry{
		Kind: event.EntryCount, At: h.opt.Now().UnixMilli(), By: c.Key.Name,
		Command: event.CountCommand{Do: v.do, ID: rec.ID, Careful: v.do == "close" && !c.Flag("anyway")},
	})
	if err != nil {
		return err
	}
	answer := CountAnswer{Entry: d.seq, Processed: d.folded, ID: rec.ID}
	if !d.folded {
		return c.JSON(http.StatusAccepted, answer)
	}
	if answer.Count, err = h.countDetail(c, rec.ID); err != nil {
		return err
	}
	if v.do == "close" && answer.Count.Progress != nil && answer.Count.Closed == nil &&
		answer.Count.Status != event.CountDiscarded.String() {
		return littleRead(answer.Count)
	}
	if answer.Count.Status != v.to.String() { // somebody else was first
		now, err := h.countRecord(c, rec.ID)
		if err != nil {
			return err
		}
		return countStatus(&now, v.do)
	}
	if v.do == "close" {
		h.keepAssessment(c, answer.Count)
	}
	return c.JSON(http.StatusOK, answer)
}

// countStatus explains why something can't be done to a count, and what to do instead.
func countStatus(rec *event.Count, do string) error {
	verb := strings.ReplaceAll(do, "reads", "post reads to")
	var instead string
	switch {
	case rec.Final && rec.Status == event.CountClosed:
		instead = "Its reads are no longer kept: open a new count."
	case rec.Status == event.CountDiscarded:
		instead = "Open a new count."
	case rec.Status == event.CountClosed:
		instead = "POST .../reopen opens it again for another round; otherwise open a new count."
	case rec.Status == event.CountPaused:
		instead = "POST .../resume makes it go on."
	default:
		instead = "It is taking reads; POST .../close ends it."
	}
	return kit.Problemf(codeCountStatus, "The count is %s; one can't %s it. %s", rec.Status, verb,
		instead).With("count_status", rec.Status.String())
}

// countRecord returns a count as the state has it, or as it was last committed.
func (h countRoutes) countRecord(c *kit.Call, id string) (event.Count, error) {
	ctx := c.Ctx()
	site, err := h.runner.Site(ctx, c.Site)
	if err != nil {
		return event.Count{}, unavailable(err)
	}
	if len(id) > 200 || !strings.HasPrefix(id, c.Site+"-count-") {
		return event.Count{}, noCount(id)
	}
	var rec event.Count
	var found bool
	short, cancel := context.WithTimeout(ctx, viewPatience)
	defer cancel()
	_ = site.View(short, func(st *engine.State) error { // a site that is loading answers from its records
		rec, found = st.Count(id)
		return nil
	})
	if found {
		return rec, nil
	}
	return h.storedCount(c, id)
}

func noCount(id string) error {
	return kit.Problemf(codeUnknownCount, "There is no count %s.", kit.Shown([]byte(id)))
}

// countStatusNames are what a listing of counts can be narrowed to.
var countStatusNames = append(event.CountStatuses.Texts(), "active", "all")

func (h countRoutes) listCounts(c *kit.Call) error {
	limit := c.Int("limit")
	status := cmp.Or(c.QueryParam("status"), "all")
	before, _, err := c.IntCursor(1<<63 - 1)
	if err != nil {
		return err
	}
	lay, err := h.layoutOf(c.Ctx(), c.Site)
	if err != nil {
		return err
	}
	zone := c.QueryParam("zone")
	if err := checkZoneParam(lay, zone); err != nil {
		return err
	}
	list, err := h.counts(c, func(rec *event.Count) bool {
		switch {
		case countNumber(rec.ID) >= before, zone != "" && !slices.Contains(rec.Zones, zone):
			return false
		case status == "active":
			return rec.Status == event.CountOpen || rec.Status == event.CountPaused
		}
		return status == "all" || rec.Status.String() == status
	})
	if err != nil {
		return err
	}
	page := CountList{Counts: list}
	if len(list) > limit {
		page.Counts = list[:limit]
		page.Next = kit.EncodeCursor(fmt.Sprint(countNumber(list[limit-1].ID)))
	}
	return c.JSON(http.StatusOK, page)
}

// countNumber is the number of the entry that opened a count: the newer the larger.
func countNumber(id string) int64 {
	n, _ := parseInt(id[strings.LastIndexByte(id, '-')+1:], 63)
	return n
}

// counts lists the counts on record that want lets through, newest first.
func (h countRoutes) counts(c *kit.Call, want func(*event.Count) bool) ([]CountView, error) {
	var list []CountView
	err := scan(h.records(c.Ctx(), c.Site, event.KindCount), event.DecodeCount, func() { list = []CountView{} }, func(rec *event.Count) {
		if want(rec) {
			v := countView(rec)
			if blindTo(c, rec) {
				v.Expected = -1
			}
			list = append(list, v)
		}
	})
	slices.SortFunc(list, func(a, b CountView) int { return cmp.Compare(countNumber(b.ID), countNumber(a.ID)) })
	return list, unavailable(err)
}

func (h countRoutes) getCount(c *kit.Call) error {
	v, err := h.countDetailOf(c, c.PathParam("id"), c.Flag("curve"))
	return c.Answer(v, err)
}

// keepAssessment puts on record what could be said of the count when it was closed.
func (h countRoutes) keepAssessment(c *kit.Call, v *CountDetail) {
	if v.Assessment == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(c.Ctx()), 5*time.Second)
	defer cancel()
	err := h.store.Commit(ctx, c.Site, store.Commit{Loose: true,
		Writes: []store.Record{{Kind: kindAssessment, Key: v.ID, Value: kit.MustJSON(v.Assessment)}}})
	if err != nil && !errors.Is(err, context.Canceled) {
		h.log.Warn("what could be said of a count was not kept", "site", c.Site, "count", v.ID, "err", err)
	}
}
