package api

import (
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/estimate"
	"lintel/engine/event"
	"lintel/engine/stocktake"
)

// CountView is a count as lists show it.
type CountView struct {
	ID           string     `json:"id"`
	Zones        []string   `json:"zones"`
	Status       string     `json:"status" jsonschema_extras:"words=count status"`
	Note         string     `json:"note,omitempty"`
	By           string     `json:"by" jsonschema_description:"The name of the key that opened it."`
	Opened       time.Time  `json:"opened_at"`
	Closed       *time.Time `json:"closed_at,omitempty"`
	Pass         int        `json:"pass" jsonschema_description:"The round over the shelves that is under way, from 1."`
	MissingAfter int        `json:"missing_after"`
	Delivery     bool       `json:"delivery" jsonschema_description:"It checks a delivery against its papers."`
	Final        bool       `json:"final" jsonschema_description:"It can't be opened again: what it heard is no longer kept. Its result is."`
	Blind        bool       `json:"blind" jsonschema_description:"Keys that may only count are not shown what is expected until it is closed."`
	Only         bool       `json:"only" jsonschema_description:"It looks for what another count missed, and for nothing else."`
	Expected     int        `json:"expected" jsonschema_description:"Items that should be there, as known when it was opened, or by the papers. -1: not shown."`
	Unique       int        `json:"unique" jsonschema_description:"Different tags heard."`
	Reads        int        `json:"reads" jsonschema_description:"Reads taken, repeats included."`

	Fields map[string]string `json:"fields,omitempty" jsonschema_description:"What the shop asks of each count, by id."`
}

func countView(r *event.Count) CountView {
	v := CountView{
		ID: r.ID, Zones: r.Zones, Status: r.Status.String(), Note: r.Note, By: r.By,
		Opened: time.UnixMilli(r.Opened).UTC(), Closed: moment(r.Closed), Pass: r.Pass,
		MissingAfter: r.MissingAfter, Delivery: r.Delivery, Final: r.Final, Expected: len(r.Expected), Unique: r.Distinct, Reads: r.Reads,
	}
	for _, l := range r.Papers {
		v.Expected += l.Count
	}
	v.Blind, v.Only = r.Blind, r.Only
	if len(r.Fields) > 0 {
		v.Fields = make(map[string]string, len(r.Fields))
		for _, f := range r.Fields {
			v.Fields[f.ID] = f.Value
		}
	}
	return v
}

// blindTo reports whether the caller must not be shown what a count expects.
func blindTo(c *kit.Call, r *event.Count) bool {
	return r.Blind && (r.Status == event.CountOpen || r.Status == event.CountPaused) && !c.Key.Allows([]string{kit.ScopeOperate, kit.ScopeView})
}

// CountDetail is one count, with how far it has come.
type CountDetail struct {
	CountView
	Progress   *CountProgress       `json:"progress,omitempty" jsonschema_description:"While what it heard is kept."`
	Assessment *estimate.Assessment `json:"assessment,omitempty" jsonschema_description:"What may be said of tags that were not read. Show words and caution together."`
	Next       string               `json:"next,omitempty" jsonschema:"enum=go_on,enum=once_more,enum=done" jsonschema_description:"While what it heard is kept. go_on: new tags may still turn up in this round. once_more: no new tag for 20 seconds, but another round would say more. done: one may stop; that proves nothing of what was not read."`
	Advice     string               `json:"advice,omitempty" jsonschema_description:"What would make the count say more."`
	Caution    string               `json:"caution" jsonschema_description:"Goes with every number of a count."`
	Result     *CountSummary        `json:"result,omitempty" jsonschema_description:"Once it is closed."`
}

// CountProgress is how far a count has come.
type CountProgress struct {
	Found        int     `json:"found" jsonschema_description:"How many of the expected items were heard so far. -1: not shown."`
	NewPerSecond float64 `json:"new_per_second" jsonschema_description:"New tags a second lately: the count dies out when the shelf is read."`
	PerSecond    float64 `json:"reads_per_second"`
	OverSeconds  int     `json:"over_seconds" jsonschema_description:"Over how many seconds these rates are taken."`
	QuietSeconds float64 `json:"quiet_seconds" jsonschema_description:"How long no new tag has turned up."`
	PassesEnded  int     `json:"passes_ended"`

	Curve     []CurvePoint         `json:"curve,omitempty" jsonschema_description:"With ?curve=true."`
	Repeats   *stocktake.Histogram `json:"repeats,omitempty" jsonschema_description:"With ?curve=true: how many tags were reported once, twice, ...; the last number is for 16 times and more."`
	Sightings *stocktake.Histogram `json:"sightings,omitempty" jsonschema_description:"With ?curve=true: the same of bursts of reports, each after the tag was silent for 5 seconds: what the estimate goes by, since reports that follow each other are no independent draws."`
	InPasses  *stocktake.Histogram `json:"in_passes,omitempty" jsonschema_description:"With ?curve=true: how many tags were heard in one, two, ... of the rounds that are over."`
}

// CurvePoint is a stretch of time on the curve of a count.
type CurvePoint struct {
	At      time.Time `json:"at" jsonschema_description:"The end of the stretch."`
	Seconds float64   `json:"seconds" jsonschema_description:"How long it is."`
	New     int       `json:"new" jsonschema_description:"New tags in it."`
	Reads   int       `json:"reads"`
	Total   int       `json:"total" jsonschema_description:"Different tags until its end."`
}

// CountSummary is what closing a count found, in numbers.
type CountSummary struct {
	Closed        time.Time `json:"closed_at"`
	Expected      int       `json:"expected"`
	Matched       int       `json:"matched" jsonschema_description:"Expected and heard."`
	Missing       int       `json:"missing" jsonschema_description:"Expected and not heard. That is no proof that they are gone."`
	Unexpected    int       `json:"unexpected" jsonschema_description:"Heard and not expected."`
	ItemAccuracy  float64   `json:"item_accuracy" jsonschema_description:"matched / (expected + unexpected): the share of items on which record and shelf agree."`
	Lines         int       `json:"lines" jsonschema_description:"Products that were expected or heard."`
	LinesRight    int       `json:"lines_right" jsonschema_description:"Products of which exactly the expected number was heard."`
	LineAccuracy  float64   `json:"line_accuracy" jsonschema_description:"lines_right / lines. Published figures for stock records mostly mean this one, and are lower."`
	AccuracyNotes string    `json:"accuracy_notes"`
}

// accuracyNotes says which definition each accuracy goes by: two shops that name a number without
// it can't be compared.
const accuracyNotes = "Item accuracy: items both expected and heard, as a share of all items expected or heard. " +
	"Line accuracy: products of which exactly the expected number was heard, as a share of all products expected " +
	"or heard; one item too many or too few makes the whole product wrong."

func countSummary(r *event.CountResult) *CountSummary {
	return &CountSummary{
		Closed: time.UnixMilli(r.Closed).UTC(), Expected: r.Expected, Matched: r.Matched, Missing: r.Missing, Unexpected: r.Unexpected,
		ItemAccuracy: r.ItemAccuracy(), Lines: r.Lines, LinesRight: r.LinesRight, LineAccuracy: r.LineAccuracy(),
		AccuracyNotes: accuracyNotes,
	}
}

// What to do next in a count.
const (
	nextGoOn     = "go_on"
	nextOnceMore = "once_more"
	nextDone     = "done"
)

// enoughRounds is after how many rounds one may stop though more tags are likely there: they will not
// be read from where one stands (common practice, no source).
const enoughRounds = 4

// next says what to do next in a count, by the figures that its answer has.
func (v *CountDetail) next() string {
	switch p := v.Progress; {
	case v.Closed != nil || v.Status == event.CountDiscarded.String():
		return nextDone
	case v.Only && p.Found == v.Expected:
		return nextDone
	case v.Unique == 0 || p.QuietSeconds < estimate.RateSeconds:
		return nextGoOn
	case v.Pass >= enoughRounds:
		return nextDone
	case v.Assessment.UnseenAtLeast > 0 || v.Pass < 2 && p.Found < v.Expected:
		return nextOnceMore
	}
	return nextDone
}

// countDetail returns a count with all that is known of it.
func (h countRoutes) countDetail(c *kit.Call, id string) (*CountDetail, error) {
	return h.countDetailOf(c, id, false)
}

// countDetailOf is countDetail; shape: with its curve and histograms.
func (h countRoutes) countDetailOf(c *kit.Call, id string, shape bool) (*CountDetail, error) {
	v := &CountDetail{Caution: estimate.Caution}
	var p stocktake.Progress
	found := false
	err := h.view(c, func(st *engine.State) error {
		p, found = st.CountProgress(id)
		return nil
	})
	if err != nil {
		return nil, err
	}
	if found {
		v.progress(&p, h.opt.Now().UnixMilli(), blindTo(c, &p.Count), shape)
	} else {
		rec, err := h.storedCount(c, id)
		if err != nil {
			return nil, err
		}
		v.CountView = countView(&rec)
		if blindTo(c, &rec) {
			v.Expected = -1
		}
		if v.Assessment, err = h.storedAssessment(c, id); err != nil {
			return nil, err
		}
	}
	if v.Status != event.CountClosed.String() {
		return v, nil
	}
	res, err := h.storedResult(c, id)
	if err != nil || res == nil {
		return v, err
	}
	v.Result = countSummary(res)
	return v, nil
}

// progress fills in what the tallies of a count say.
func (v *CountDetail) progress(p *stocktake.Progress, now int64, blind, shape bool) {
	v.CountView = countView(&p.Count)
	v.Expected = p.ExpectedItems
	if p.Closed != 0 {
		now = p.Closed
	}
	curve := curveOf(&p.Count, now)
	v.Progress = &CountProgress{Found: p.Found, QuietSeconds: float64(curve.Quiet(now)) / 1000, PassesEnded: p.PassesEnded}
	if shape {
		v.Progress.Repeats, v.Progress.Sightings, v.Progress.InPasses = &p.Repeats, &p.Sightings, &p.InPasses
		for _, pt := range curve.Points() {
			v.Progress.Curve = append(v.Progress.Curve, CurvePoint{time.UnixMilli(pt.At).UTC(), pt.Seconds, pt.New, pt.Reads, pt.Total})
		}
	}
	v.Progress.NewPerSecond, v.Progress.PerSecond, v.Progress.OverSeconds = curve.Rate(now, estimate.RateSeconds)
	if p.Closed != 0 {
		curve = nil // nobody can go on
	}
	in := estimate.Input{
		Tally: tallyOf(p.Sightings, p.Sighted), Passes: p.PassesEnded, Incidence: tallyOf(p.InPasses, 0), Curve: curve,
		Expected: p.ExpectedItems, At: now,
	}
	if blind {
		in.Expected = -1
	}
	a := estimate.Assess(in)
	v.Assessment = &a
	v.Next = v.next()
	if blind {
		v.Expected, v.Progress.Found = -1, -1
	}
	if p.PassesEnded < 2 && p.Distinct > 0 {
		v.Advice = "Reads of one tag come in bursts, so one round over the shelves says little of what was not " +
			"read. Two or more rounds say more: mark each with POST .../pass."
	}
}

// tallyOf turns a histogram into a tally. reads is how often all tags were met together; where the
// histogram tells them all apart, it says so itself.
func tallyOf(h stocktake.Histogram, reads int) estimate.Tally {
	var t estimate.Tally
	least := 0
	for i, n := range h {
		t.Freq[i] = n
		t.Distinct += n
		least += n * (i + 1)
	}
	t.Reads = least
	if h[len(h)-1] > 0 {
		t.Reads = max(least, reads)
	}
	return t
}

// recentMs is the end of a curve that is spread over its seconds: as far back as rates are taken.
const recentMs = estimate.RecentSeconds * 1000

// curveOf lays the bins of a count's curve out in time. Within a bin nobody knows when its reads
// came: they are spread evenly, new tags towards its end.
func curveOf(r *event.Count, now int64) *estimate.Curve {
	curve := estimate.NewCurve(r.Opened)
	at := r.Opened
	for _, b := range r.Curve {
		from, to := at, min(at+b.Ms, max(now, at+1))
		at += b.Ms
		if b.New == 0 && b.Reads == 0 {
			continue
		}
		parts := int64(1)
		if to > now-recentMs {
			parts = max(1, (to-from)/1000)
		}
		newLeft, readsLeft := b.New, b.Reads
		for k := range parts {
			share := int(parts - k)
			n, reads := newLeft/share, readsLeft/share
			newLeft, readsLeft = newLeft-n, readsLeft-reads
			curve.Add(from+(to-from)*(k+1)/parts-1, n, reads)
		}
	}
	curve.Add(now, 0, 0)
	return curve
}

// storedCount returns a count as it was last committed.
func (h countRoutes) storedCount(c *kit.Call, id string) (event.Count, error) {
	rec, err := record(h.records(c.Ctx(), c.Site, event.KindCount, id), event.DecodeCount)
	if err == nil && rec == nil {
		if err = h.view(c, func(*engine.State) error { return nil }); err == nil { // else there is no such site
			err = noCount(id)
		}
	}
	if err != nil {
		return event.Count{}, err
	}
	return *rec, nil
}

// storedResult returns what closing a count found, nil if it never closed.
func (b *backend) storedResult(c *kit.Call, id string) (*event.CountResult, error) {
	return record(b.records(c.Ctx(), c.Site, event.KindResult, id), event.DecodeCountResult)
}

// storedAssessment returns what could be said of a count when it was closed, nil if that is not
// known.
func (h countRoutes) storedAssessment(c *kit.Call, id string) (*estimate.Assessment, error) {
	return record(h.records(c.Ctx(), c.Site, kindAssessment, id), fromJSON[estimate.Assessment])
}
