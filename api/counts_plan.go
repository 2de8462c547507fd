package api

import (
	"cmp"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/quality"
	"lintel/engine/sheet"
	"lintel/engine/stocktake"
)

// CountsDue is what the count plan has for the day and night around now.
type CountsDue struct {
	At       time.Time    `json:"at"`
	From     time.Time    `json:"from" jsonschema_description:"Counts that were closed from then on are those of this day and night."`
	Until    time.Time    `json:"until" jsonschema_description:"What is due before is of this day and night."`
	Zones    []DueZone    `json:"zones" jsonschema_description:"In the order of the plan."`
	Counts   []NightCount `json:"counts" jsonschema_description:"The counts of these zones that go on or were closed in this day and night, newest first."`
	Progress DueProgress  `json:"progress"`
}

// DueZone is a zone of the plan.
type DueZone struct {
	Zone   string     `json:"zone"`
	Name   string     `json:"name"`
	Status string     `json:"status" jsonschema:"enum=overdue,enum=due,enum=running,enum=done,enum=later" jsonschema_description:"overdue: not counted by when it was due. due: by the end of this day and night. running: it is being counted. done: it was counted, and nothing more is due. later: not in this day and night."`
	Due    time.Time  `json:"due_at" jsonschema_description:"When the next count is due."`
	Team   string     `json:"team,omitempty" jsonschema_description:"Who counts it: a team."`
	Blind  bool       `json:"blind,omitempty"`
	Last   *time.Time `json:"last_counted_at,omitempty"`
	Count  string     `json:"count,omitempty" jsonschema_description:"The count that goes on, or was the last in this day and night."`
	Paused bool       `json:"paused,omitempty" jsonschema_description:"The count that goes on is paused."`
}

// NightCount is a count of zones of the plan.
type NightCount struct {
	CountView
	Found int `json:"found" jsonschema_description:"How many of the expected items were found, or were so far. -1: not shown."`
}

// DueProgress is how far a day and night has come.
type DueProgress struct {
	Zones    int     `json:"zones" jsonschema_description:"Zones that are overdue, due, running or done."`
	Overdue  int     `json:"overdue"`
	Due      int     `json:"due"`
	Running  int     `json:"running"`
	Done     int     `json:"done"`
	Share    float64 `json:"share" jsonschema_description:"done / zones; 1 where there are none."`
	Expected int     `json:"expected" jsonschema_description:"Items that the counts listed expect. -1: not shown, since one is blind."`
	Found    int     `json:"found" jsonschema_description:"Of them, found so far. -1: not shown."`
}

// dayAndNight returns the stretch of time around now in which people plan: until noon from yesterday's
// noon to midnight, from noon on from midnight to tomorrow's noon.
func dayAndNight(now time.Time) (from, until time.Time) {
	at := func(day, hour int) time.Time {
		return time.Date(now.Year(), now.Month(), now.Day()+day, hour, 0, 0, 0, now.Location())
	}
	if now.Hour() < 12 {
		return at(-1, 12), at(1, 0)
	}
	return at(0, 0), at(1, 12)
}

// countsDue answers with what the count plan has for today and tonight.
func (h countRoutes) countsDue(c *kit.Call) error {
	lay, err := h.layoutOf(c.Ctx(), c.Site)
	if err != nil {
		return err
	}
	now := h.opt.Now().In(lay.Location())
	from, until := dayAndNight(now)
	answer := CountsDue{At: now.UTC(), From: from.UTC(), Until: until.UTC(), Zones: []DueZone{}, Counts: []NightCount{}}
	var due []stocktake.Due
	if err := h.view(c, func(st *engine.State) error { due = st.DueCounts(now.UnixMilli()); return nil }); err != nil {
		return err
	}
	if answer.Counts, err = h.nightCounts(c, lay, from); err != nil {
		return err
	}
	for i := range due {
		d := &due[i]
		z := DueZone{
			Zone: d.Zone, Name: zoneName(lay, d.Zone), Due: time.UnixMilli(d.At).UTC(), Team: d.Plan.Team, Blind: d.Plan.Blind,
			Last: moment(d.Last), Status: "later",
		}
		for k := range answer.Counts {
			if n := &answer.Counts[k]; slices.Contains(n.Zones, d.Zone) && (z.Count == "" || n.Closed == nil) {
				z.Count, z.Paused = n.ID, n.Status == event.CountPaused.String()
			}
		}
		answer.status(&z, d, until)
		answer.Zones = append(answer.Zones, z)
	}
	answer.sum()
	return c.JSON(http.StatusOK, answer)
}

// status says how a zone stands, and counts it.
func (v *CountsDue) status(z *DueZone, d *stocktake.Due, until time.Time) {
	p := &v.Progress
	running := slices.ContainsFunc(v.Counts, func(n NightCount) bool { return n.ID == z.Count && n.Closed == nil })
	switch {
	case running:
		z.Status = "running"
		p.Running++
	case d.Overdue:
		z.Status = "overdue"
		p.Overdue++
	case d.At <= until.UnixMilli():
		z.Status = "due"
		p.Due++
	case z.Count != "":
		z.Status = "done"
		p.Done++
	}
}

// sum adds up what the zones and counts say.
func (v *CountsDue) sum() {
	p := &v.Progress
	p.Zones, p.Share = p.Overdue+p.Due+p.Running+p.Done, 1
	if p.Zones > 0 {
		p.Share = float64(p.Done) / float64(p.Zones)
	}
	for i := range v.Counts {
		if n := &v.Counts[i]; n.Expected < 0 || p.Expected < 0 {
			p.Expected, p.Found = -1, -1
		} else {
			p.Expected += n.Expected
			p.Found += n.Found
		}
	}
}

// nightCounts lists the counts of planned zones that go on, or were closed since a moment, newest
// first.
func (h countRoutes) nightCounts(c *kit.Call, lay *layout.Layout, from time.Time) ([]NightCount, error) {
	views, err := h.counts(c, func(rec *event.Count) bool {
		going := rec.Status == event.CountOpen || rec.Status == event.CountPaused
		return !rec.Delivery && !rec.Only && (going || rec.Status == event.CountClosed && rec.Closed >= from.UnixMilli()) &&
			slices.ContainsFunc(rec.Zones, func(z string) bool { return lay.Counts.Planned(z) != nil })
	})
	if err != nil {
		return nil, err
	}
	list := make([]NightCount, len(views))
	for i := range views {
		n := NightCount{CountView: views[i], Found: -1}
		if n.Closed == nil && n.Expected >= 0 {
			err = h.view(c, func(st *engine.State) error {
				p, _ := st.CountProgress(n.ID)
				n.Found, n.Unique, n.Reads = p.Found, p.Distinct, p.Reads
				return nil
			})
		} else if n.Closed != nil {
			var res *event.CountResult
			if res, err = h.storedResult(c, n.ID); res != nil {
				n.Found = res.Matched
			}
		}
		if err != nil {
			return nil, err
		}
		list[i] = n
	}
	return list, nil
}

// CountAccuracy is how well record and shelf agreed, week by week.
type CountAccuracy struct {
	Weeks         []AccuracyWeek `json:"weeks" jsonschema_description:"Newest first, and within a week by zones."`
	AccuracyNotes string         `json:"accuracy_notes"`
}

// AccuracyWeek is what the counts of the same zones found in one week, together.
type AccuracyWeek struct {
	Week         string   `json:"week" jsonschema:"example=2026-W10" jsonschema_description:"As ISO 8601 writes it, by the site's clock."`
	Zones        []string `json:"zones" jsonschema_description:"Zones that were counted together."`
	Names        string   `json:"names"`
	Counts       int      `json:"counts"`
	Expected     int      `json:"expected"`
	Matched      int      `json:"matched"`
	Missing      int      `json:"missing"`
	Unexpected   int      `json:"unexpected"`
	ItemAccuracy float64  `json:"item_accuracy" jsonschema_description:"matched / (expected + unexpected), over these counts; 1 for nothing at all."`
	Lines        int      `json:"lines"`
	LinesRight   int      `json:"lines_right"`
	LineAccuracy float64  `json:"line_accuracy"`
}

// countAccuracy answers with the accuracy of counts by zones and week.
func (h countRoutes) countAccuracy(c *kit.Call, f form) error {
	lay, err := h.layoutOf(c.Ctx(), c.Site)
	if err != nil {
		return err
	}
	zone := c.QueryParam("zone")
	if err := checkZoneParam(lay, zone); err != nil {
		return err
	}
	now := h.opt.Now().In(lay.Location())
	monday := time.Date(now.Year(), now.Month(), now.Day()-(int(now.Weekday())+6)%7-7*(c.Int("weeks")-1), 0, 0, 0, 0, now.Location())
	counts, err := h.counts(c, func(rec *event.Count) bool {
		return rec.Status == event.CountClosed && rec.Closed >= monday.UnixMilli() && !rec.Delivery && !rec.Only &&
			(zone == "" || slices.Contains(rec.Zones, zone))
	})
	if err != nil {
		return err
	}
	rows := make(map[string]*AccuracyWeek)
	for i := range counts {
		res, err := h.storedResult(c, counts[i].ID)
		if err != nil {
			return err
		}
		if res == nil {
			continue
		}
		zones := slices.Sorted(slices.Values(counts[i].Zones))
		week := quality.WeekOf(counts[i].Closed.In(lay.Location())).String()
		key := week + " " + strings.Join(zones, " ")
		w := rows[key]
		if w == nil {
			w = &AccuracyWeek{Week: week, Zones: zones, Names: zoneNames(lay, zones)}
			rows[key] = w
		}
		w.add(res)
	}
	answer := CountAccuracy{Weeks: []AccuracyWeek{}, AccuracyNotes: accuracyNotes}
	for _, w := range rows {
		all := event.CountResult{Expected: w.Expected, Matched: w.Matched, Unexpected: w.Unexpected, Lines: w.Lines, LinesRight: w.LinesRight}
		w.ItemAccuracy, w.LineAccuracy = all.ItemAccuracy(), all.LineAccuracy()
		answer.Weeks = append(answer.Weeks, *w)
	}
	slices.SortFunc(answer.Weeks, func(a, b AccuracyWeek) int {
		return cmp.Or(cmp.Compare(b.Week, a.Week), slices.Compare(a.Zones, b.Zones))
	})
	if f.media == kit.MediaJSON {
		return c.JSON(http.StatusOK, answer)
	}
	return answerTable(c, f.media, c.Site+"-accuracy", answer.table(lay, now))
}

func (w *AccuracyWeek) add(res *event.CountResult) {
	w.Counts++
	w.Expected += res.Expected
	w.Matched += res.Matched
	w.Missing += res.Missing
	w.Unexpected += res.Unexpected
	w.Lines += res.Lines
	w.LinesRight += res.LinesRight
}

func (v *CountAccuracy) table(lay *layout.Layout, now time.Time) sheet.Table {
	number := func(name, key string) sheet.Column { return sheet.Column{Name: name, Key: key, Kind: sheet.KindNumber} }
	t := sheet.Table{
		Name: "Accuracy of counts", Site: lay.Name, Zone: lay.Location(), At: now, Notes: []string{accuracyNotes},
		Columns: []sheet.Column{
			{Name: "Week", Key: "week"}, {Name: "Zones", Key: "zones"}, {Name: "Names", Key: "names", Width: 30}, number("Counts", "counts"),
			number("Expected", "expected"), number("Matched", "matched"), number("Missing", "missing"), number("Unexpected", "unexpected"),
			number("Item accuracy", "item_accuracy"), number("Lines", "lines"), number("Lines right", "lines_right"),
			number("Line accuracy", "line_accuracy"),
		},
	}
	share := func(x float64) sheet.Cell { return sheet.Float(math.Round(x*1e4) / 1e4) }
	var rows [][]sheet.Cell
	for _, w := range v.Weeks {
		whole := func(n int) sheet.Cell { return sheet.Int(int64(n)) }
		rows = append(rows, []sheet.Cell{
			sheet.Text(w.Week), sheet.Text(strings.Join(w.Zones, "|")), sheet.Text(w.Names), whole(w.Counts), whole(w.Expected),
			whole(w.Matched), whole(w.Missing), whole(w.Unexpected), share(w.ItemAccuracy), whole(w.Lines), whole(w.LinesRight),
			share(w.LineAccuracy),
		})
	}
	t.Rows = sheet.Rows(rows...)
	return t
}
