package api

import (
	"cmp"
	"context"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/sheet"
)

var (
	codeUnknownAlert = kit.Code{Name: "unknown_alert", Status: 404, Meaning: "There is no such alert."}
	codeAlertStatus  = kit.Code{Name: "alert_status", Status: 409, Meaning: "The alert is not in a status in which this can be done."}
)

// alertRoutes are the routes about alerts.
type alertRoutes struct{ *backend }

func (h alertRoutes) table() []kit.Route {
	return append(inForms(kit.Route{
		Method: "GET", Path: "/v1/alerts", Name: "listAlerts", Group: "Alerts", Summary: "List alerts, newest first",
		About: event.Notice + "\n\nA table has all that the parameters let through, at most the newest 50,000, and " +
			"neither limit nor cursor counts.",
		Scopes: operate,
		Params: []kit.Param{paramSite, kit.Enum("status", "Only these. active, which is the default, is open "+
			"and acknowledged.", alertStatuses...),
			kit.Query("rule", "Only those of this rule."), kit.Query("zone", "Only those about something in this zone, by its id."),
			kit.Query("from", "Only those that opened at this moment or later: RFC 3339, or Unix milliseconds."),
			kit.Query("to", "Only those that opened before this moment."), paramLimit(100, 1000), paramCursor},
		Answers: []kit.Answer{kit.OK("One page of alerts.", AlertList{})}, Codes: []kit.Code{kit.CodeUnknownSite, kit.CodeMissingSite},
	}, AlertList{}, h.listAlerts, formCSV, formXLSX), []kit.Route{
		{
			Method: "GET", Path: "/v1/alerts/{id}", Name: "getAlert", Group: "Alerts", Summary: "Get one alert, with why it was raised",
			Scopes: operate, Answers: []kit.Answer{kit.OK("The alert.", event.AlertView{})},
			Codes: []kit.Code{codeUnknownAlert, kit.CodeMissingSite}, Handle: h.getAlert,
		}, {
			Method: "POST", Path: "/v1/alerts/{id}/acknowledge", Name: "acknowledgeAlert", Group: "Alerts",
			Summary: "Say that somebody has an alert in hand",
			Scopes:  operate, Keyed: true, Body: kit.JSON(AcknowledgeRequest{}), BodyOptional: true,
			Answers: journaled(200, "The alert as it is now.", ActAnswer{}),
			Codes:   []kit.Code{codeUnknownAlert, kit.CodeMissingSite, codeAlertStatus}, Handle: h.acknowledgeAlert,
		}, {
			Method: "POST", Path: "/v1/alerts/{id}/close", Name: "closeAlert", Group: "Alerts", Summary: "Close an " +
				"alert with an outcome",
			Scopes: operate, Keyed: true, Body: kit.JSON(CloseRequest{}),
			Answers: journaled(200, "The alert as it is now.", ActAnswer{}),
			Codes:   []kit.Code{codeUnknownAlert, kit.CodeMissingSite, codeAlertStatus}, Handle: h.closeAlert,
		}, {
			Method: "POST", Path: "/v1/alerts/{id}/comment", Name: "commentAlert", Group: "Alerts", Summary: "Write " +
				"a comment on an alert",
			About: "Nothing else changes, and no channel is notified. It stands in the alert's history. An alert " +
				"takes comments until a week " +
				"after it is over, and keeps 100 things that people did.",
			Scopes: operate, Keyed: true, Body: kit.JSON(CommentRequest{}),
			Answers: journaled(200, "The alert as it is now.", ActAnswer{}),
			Codes:   []kit.Code{codeUnknownAlert, kit.CodeMissingSite, codeAlertStatus}, Handle: h.commentAlert,
		}, {
			Method: "POST", Path: "/v1/alerts/{id}/correct", Name: "correctAlert", Group: "Alerts",
			Summary: "Correct the outcome of an alert that is closed",
			About: "Both outcomes stand in the alert's history; the last one counts for how good the rule is. It can " +
				"be corrected for a week " +
				"after it was closed.",
			Scopes: operate, Keyed: true, Body: kit.JSON(CloseRequest{}),
			Answers: journaled(200, "The alert as it is now.", ActAnswer{}),
			Codes:   []kit.Code{codeUnknownAlert, kit.CodeMissingSite, codeAlertStatus}, Handle: h.correctAlert,
		},
	}...)
}

// AlertList is one page of alerts, newest first.
type AlertList struct {
	Alerts []event.AlertView `json:"alerts"`
	Next   string            `json:"next,omitempty"`
	Notice string            `json:"notice"`
}

// AcknowledgeRequest says that somebody has an alert in hand.
type AcknowledgeRequest struct {
	Note string `json:"note,omitempty" jsonschema_description:"At most 1,000 characters."`
}

// CommentRequest is a comment on an alert.
type CommentRequest struct {
	Note string `json:"note" jsonschema_description:"At most 1,000 characters."`
}

// CloseRequest ends an alert, or gives it another outcome.
type CloseRequest struct {
	Outcome string `json:"outcome" jsonschema_extras:"words=outcome" jsonschema_description:"Whether the rule was right."`
	Note    string `json:"note,omitempty" jsonschema_description:"At most 1,000 characters."`
}

// ActAnswer is an alert after something was done to it.
type ActAnswer struct {
	Entry     uint64           `json:"sequence" jsonschema_description:"Number of the journal entry that holds what was done."`
	Processed bool             `json:"processed" jsonschema_description:"False if it was not processed in time; it will be."`
	Alert     *event.AlertView `json:"alert,omitempty"`
}

const maxNote = 1000

// scanAlerts is scan for alerts, pending ones included.
func (b *backend) scanAlerts(ctx context.Context, site string, begin func(), f func(*event.Alert)) error {
	return scan(b.records(ctx, site, event.KindAlert), event.DecodeAlert, begin, f)
}

// alertByID returns an alert as it was last committed, and its site.
func (h alertRoutes) alertByID(c *kit.Call, id string) (event.Alert, string, error) {
	none := kit.Problemf(codeUnknownAlert, "There is no alert %s.", kit.Shown([]byte(id)))
	site := alertSite(id)
	if !kit.ValidSite(site) || len(id) > 200 {
		return event.Alert{}, "", none
	}
	if !c.Key.ForSite(site) {
		return event.Alert{}, "", kit.Problemf(kit.CodeMissingSite, "%s is not for the site %q.", c.Key.Who(),
			site).With("site", site)
	}
	found, err := record(h.records(c.Ctx(), site, event.KindAlert, id), event.DecodeAlert)
	if err != nil {
		return event.Alert{}, "", err
	}
	if found == nil || found.Status == event.AlertPending || found.Lead != "" {
		return event.Alert{}, "", none
	}
	return *found, site, nil
}

// alertSite returns the site of an alert's id, "<site>-<entry>_<incarnation>-<number>".
func alertSite(id string) string {
	for range 2 {
		k := strings.LastIndexByte(id, '-')
		if k < 0 {
			return ""
		}
		id = id[:k]
	}
	return id
}

// alertEntry returns the journal entry that raised the alert of an id.
func alertEntry(id string) uint64 {
	rest := strings.TrimPrefix(id, alertSite(id)+"-")
	n, _ := strconv.ParseUint(rest[:max(0, strings.IndexAny(rest, "_-"))], 10, 64)
	return n
}

// alertStatuses are what a listing can be narrowed to: pending alerts are shown to nobody.
var alertStatuses = append(event.AlertStatuses.Texts()[event.AlertOpen:], "active", "all")

// maxAlertRows is how many alerts a table has at most: they are sorted in memory.
const maxAlertRows = 50_000

func (h alertRoutes) listAlerts(c *kit.Call, f form) error {
	ctx := c.Ctx()
	limit := c.Int("limit")
	if f.media != kit.MediaJSON {
		limit = maxAlertRows
	}
	zone := c.QueryParam("zone")
	from, err := c.TimeParam("from", 0)
	if err != nil {
		return err
	}
	to, err := c.TimeParam("to", math.MaxInt64)
	if err != nil {
		return err
	}
	if from > to {
		return kit.BadParam("from", "it is after \"to\"")
	}
	status := cmp.Or(c.QueryParam("status"), "active")
	rule := c.QueryParam("rule")
	afterOpened, afterID, err := c.IntCursor(1<<63 - 1)
	if err != nil {
		return err
	}
	sites, err := h.sites(c)
	if err != nil {
		return err
	}
	type row struct {
		opened int64
		site   string
		alert  event.Alert
	}
	newer := func(openedA int64, idA string, openedB int64, idB string) int {
		return cmp.Or(cmp.Compare(openedB, openedA), strings.Compare(idA, idB))
	}
	newest := func(rows []row) []row { // of which one more than are answered matter
		slices.SortFunc(rows, func(a, b row) int { return newer(a.opened, a.alert.ID, b.opened, b.alert.ID) })
		clear(rows[min(len(rows), limit+1):])
		return rows[:min(len(rows), limit+1)]
	}
	var all, rows []row // rows are those of one site
	for _, site := range sites {
		rows = rows[:0]
		take := func(al *event.Alert) {
			switch {
			case al.Status == event.AlertPending || al.Lead != "":
			case status == "active" && al.Status != event.AlertOpen && al.Status != event.AlertAcknowledged:
			case status != "active" && status != "all" && al.Status.String() != status:
			case rule != "" && al.Rule != rule:
			case zone != "" && al.Zone != zone && al.Place != zone:
			case al.OpenedAt < from || al.OpenedAt >= to:
			case newer(al.OpenedAt, al.ID, afterOpened, afterID) <= 0:
			default:
				r := row{al.OpenedAt, site, *al}
				if f.media != kit.MediaJSON {
					r.alert.Why = nil // no column of the table, and the most of an alert
				}
				if rows = append(rows, r); len(rows) > 2*limit {
					rows = newest(rows)
				}
			}
		}
		if status == "closed" || status == "all" {
			err = h.scanAlerts(ctx, site, func() { rows = rows[:0] }, take) // closed ones are on record only
		} else {
			err = h.viewSite(ctx, site, func(st *engine.State) error {
				list := st.Alerts()
				for i := range list {
					take(&list[i])
				}
				return nil
			})
		}
		if err != nil {
			return unavailable(err)
		}
		all = newest(append(all, rows...))
	}
	rows = all
	if f.media != kit.MediaJSON {
		views := make([]event.AlertView, 0, min(len(rows), limit))
		for i := range rows[:min(len(rows), limit)] {
			views = append(views, rows[i].alert.View(rows[i].site))
		}
		return answerTable(c, f.media, "alerts", alertTable(views, h.opt.Now()))
	}
	list := AlertList{Alerts: []event.AlertView{}, Notice: event.Notice}
	if len(rows) > limit {
		rows = rows[:limit]
		list.Next = kit.EncodeCursor(strconv.FormatInt(rows[limit-1].opened, 10), rows[limit-1].alert.ID)
	}
	for i := range rows {
		list.Alerts = append(list.Alerts, rows[i].alert.View(rows[i].site))
	}
	return c.JSON(http.StatusOK, list)
}

func (h alertRoutes) getAlert(c *kit.Call) error {
	al, site, err := h.alertByID(c, c.PathParam("id"))
	return c.Answer(al.View(site), err)
}

func (h alertRoutes) acknowledgeAlert(c *kit.Call) error {
	var req AcknowledgeRequest
	if c.Request().ContentLength != 0 {
		if err := c.DecodeJSON(&req); err != nil {
			return err
		}
	}
	return h.act(c, event.ActAcknowledge, "", req.Note)
}

func (h alertRoutes) closeAlert(c *kit.Call) error {
	var req CloseRequest
	if err := c.DecodeJSON(&req); err != nil {
		return err
	}
	if err := outcome(req.Outcome); err != nil {
		return err
	}
	return h.act(c, event.ActClose, req.Outcome, req.Note)
}

// outcome refuses what is none.
func outcome(word string) error {
	if slices.Contains(event.Outcomes.Texts(), word) {
		return nil
	}
	return kit.Problemf(kit.CodeInvalidBody, "The outcome %s must be one of %s.", kit.Shown([]byte(word)),
		strings.Join(event.Outcomes.Texts(), ", "))
}

func (h alertRoutes) commentAlert(c *kit.Call) error {
	var req CommentRequest
	if err := c.DecodeJSON(&req); err != nil {
		return err
	}
	if strings.TrimSpace(req.Note) == "" {
		return kit.Problemf(kit.CodeInvalidBody, "The member \"note\" must hold the comment.")
	}
	return h.act(c, event.ActComment, "", req.Note)
}

func (h alertRoutes) correctAlert(c *kit.Call) error {
	var req CloseRequest
	if err := c.DecodeJSON(&req); err != nil {
		return err
	}
	if err := outcome(req.Outcome); err != nil {
		return err
	}
	return h.act(c, event.ActCorrect, req.Outcome, req.Note)
}

// act puts what a person did to an alert into the journal, and answers with what became of the
// alert.
func (h alertRoutes) act(c *kit.Call, do, outcome, note string) error {
	if len([]rune(note)) > maxNote {
		return kit.Problemf(kit.CodeInvalidBody, "The note is longer than %d characters.", maxNote)
	}
	id := c.PathParam("id")
	al, siteID, err := h.alertByID(c, id)
	if err != nil {
		return err
	}
	if refused := refuses(&al, do, outcome); refused != nil {
		return refused
	}
	d, err := h.carryOut(c.Ctx(), siteID, &event.Entry{
		Kind: event.EntryAct, At: h.opt.Now().UnixMilli(), By: c.Key.Name, Act: event.Act{Alert: id, Do: do, Outcome: outcome,
			Note: note},
	})
	if err != nil {
		return err
	}
	if !d.folded {
		return c.JSON(http.StatusAccepted, ActAnswer{Entry: d.seq})
	}
	changed := slices.ContainsFunc(d.changes, func(ch engine.AlertChange) bool { return ch.Alert.ID == id })
	if al, _, err = h.alertByID(c, id); err != nil {
		return err
	}
	if !changed && d.complete {
		return alertStatus(&al, do) // somebody else was first
	}
	v := al.View(siteID)
	return c.JSON(http.StatusOK, ActAnswer{Entry: d.seq, Processed: true, Alert: &v})
}

// refuses says why something can't be done to an alert as it is, nil if it can.
func refuses(al *event.Alert, do, outcome string) error {
	closed := al.Status == event.AlertClosed
	switch do {
	case event.ActAcknowledge:
		closed = al.Status != event.AlertOpen
	case event.ActComment:
		closed = false
	case event.ActCorrect:
		if closed && al.Outcome == outcome {
			return kit.Problemf(codeAlertStatus, "The outcome of the alert is %s already.", outcome).With("alert_status",
				al.Status.String())
		}
		closed = !closed
	}
	if closed {
		return alertStatus(al, do)
	}
	if len(al.History) >= event.MaxHistory && do != event.ActClose {
		return kit.Problemf(codeAlertStatus, "The alert has %d entries in its history, and takes no more.", len(al.History)).
			With("alert_status", al.Status.String())
	}
	return nil
}

func alertStatus(al *event.Alert, do string) error {
	if al.Over() && (do == event.ActComment || do == event.ActCorrect && al.Status == event.AlertClosed) {
		return kit.Problemf(codeAlertStatus, "The alert was over more than a week ago, or somebody else was first: "+
			"nothing was changed.").
			With("alert_status", al.Status.String())
	}
	if do == event.ActClose && al.Status == event.AlertCleared {
		return kit.Problemf(codeAlertStatus, "The alert ended by itself more than a week ago: no outcome can be "+
			"recorded any more.").With("alert_status", al.Status.String())
	}
	return kit.Problemf(codeAlertStatus, "The alert is %s; one can't %s it.", al.Status, do).With("alert_status", al.Status.String())
}

// alertTable is alerts as a table.
func alertTable(list []event.AlertView, now time.Time) sheet.Table {
	t := sheet.Table{
		Name: "Alerts", Zone: time.UTC, At: now, Notes: []string{event.Notice},
		Columns: []sheet.Column{
			{Name: "Alert", Key: "id", Width: 30}, {Name: "Site", Key: "site"}, {Name: "Rule", Key: "rule", Width: 22},
			{Name: "Severity", Key: "severity"},
			{Name: "Status", Key: "status"}, {Name: "Message", Key: "say", Width: 50}, {Name: "About", Key: "about"},
			{Name: "Item", Key: "item", Width: 34},
			{Name: "GTIN", Key: "gtin"}, {Name: "Zone", Key: "zone"}, {Name: "Place", Key: "place"}, {Name: "Reader", Key: "reader"},
			{Name: "Count", Key: "count"}, {Name: "Cause", Key: "cause"}, {Name: "Opened", Key: "opened_at",
				Kind: sheet.KindTime}, {Name: "Cleared", Key: "cleared_at", Kind: sheet.KindTime},
			{Name: "Acknowledged", Key: "acknowledged_at", Kind: sheet.KindTime}, {Name: "Acknowledged by",
				Key: "acknowledged_by"}, {Name: "Closed", Key: "closed_at", Kind: sheet.KindTime},
			{Name: "Closed by", Key: "closed_by"}, {Name: "Outcome", Key: "outcome"}, {Name: "Note", Key: "note", Width: 30},
		},
	}
	at := func(when *time.Time) sheet.Cell {
		if when == nil {
			return sheet.Text("")
		}
		return sheet.Time(*when)
	}
	rows := make([][]sheet.Cell, len(list))
	for i := range list {
		a := &list[i]
		rows[i] = []sheet.Cell{
			sheet.Text(a.ID), sheet.Text(a.Site), sheet.Text(a.Rule), sheet.Text(a.Severity), sheet.Text(a.Status),
			sheet.Text(a.Say), sheet.Text(a.About),
			sheet.Text(a.Item), sheet.Text(a.GTIN), sheet.Text(a.Zone), sheet.Text(a.Place), sheet.Text(a.Reader),
			sheet.Text(a.Count), sheet.Text(a.Cause),
			at(a.Opened), at(a.Cleared), at(a.Acked), sheet.Text(a.AckedBy), at(a.Closed), sheet.Text(a.ClosedBy),
			sheet.Text(a.Outcome), sheet.Text(a.Note),
		}
	}
	t.Rows = sheet.Rows(rows...)
	return t
}
