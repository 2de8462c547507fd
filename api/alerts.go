package api

import (
	"cmp"
	"context"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
)

var (
	codeUnknownAlert = kit.Code{Name: "unknown_alert", Status: 404, Meaning: "There is no such alert."}
	codeAlertStatus  = kit.Code{Name: "alert_status", Status: 409, Meaning: "The alert is not in a status in which this can be done."}
)

// alertRoutes are the routes about alerts.
type alertRoutes struct{ *backend }

func (h alertRoutes) table() []kit.Route {
	return []kit.Route{
		{
			Method: "GET", Path: "/v1/alerts", Name: "listAlerts", Group: "Alerts", Summary: "List alerts, newest first",
			About:  event.Notice,
			Scopes: operate,
			Params: []kit.Param{paramSite, kit.Enum("status", "Only these. active, which is the default, is open "+
				"and acknowledged.", alertStatuses...),
				kit.Query("rule", "Only those of this rule."), paramLimit(100, 1000), paramCursor},
			Answers: []kit.Answer{kit.OK("One page of alerts.", AlertList{})}, Codes: []kit.Code{kit.CodeUnknownSite,
				kit.CodeMissingSite}, Handle: h.listAlerts,
		}, {
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
			Method: "POST", Path: "/v1/alerts/{id}/close", Name: "closeAlert", Group: "Alerts", Summary: "Close an alert with an outcome",
			Scopes: operate, Keyed: true, Body: kit.JSON(CloseRequest{}),
			Answers: journaled(200, "The alert as it is now.", ActAnswer{}),
			Codes:   []kit.Code{codeUnknownAlert, kit.CodeMissingSite, codeAlertStatus}, Handle: h.closeAlert,
		},
	}
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

// CloseRequest ends an alert.
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
		return event.Alert{}, "", kit.Problemf(kit.CodeMissingSite, "The key %q is not for the site %q.", c.Key.Name,
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

func (h alertRoutes) listAlerts(c *kit.Call) error {
	ctx := c.Ctx()
	limit := c.Int("limit")
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
	var rows []row
	newer := func(openedA int64, idA string, openedB int64, idB string) int {
		return cmp.Or(cmp.Compare(openedB, openedA), strings.Compare(idA, idB))
	}
	for _, site := range sites {
		take := func(al *event.Alert) {
			switch {
			case al.Status == event.AlertPending || al.Lead != "":
			case status == "active" && al.Status != event.AlertOpen && al.Status != event.AlertAcknowledged:
			case status != "active" && status != "all" && al.Status.String() != status:
			case rule != "" && al.Rule != rule:
			case newer(al.OpenedAt, al.ID, afterOpened, afterID) <= 0:
			default:
				rows = append(rows, row{al.OpenedAt, site, *al})
			}
		}
		if status == "closed" || status == "all" {
			had := len(rows)
			err = h.scanAlerts(ctx, site, func() { rows = rows[:had] }, take) // closed ones are on record only
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
	}
	slices.SortFunc(rows, func(a, b row) int { return newer(a.opened, a.alert.ID, b.opened, b.alert.ID) })
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
	return h.act(c, "acknowledge", "", req.Note)
}

func (h alertRoutes) closeAlert(c *kit.Call) error {
	var req CloseRequest
	if err := c.DecodeJSON(&req); err != nil {
		return err
	}
	if !slices.Contains(event.Outcomes.Texts(), req.Outcome) {
		return kit.Problemf(kit.CodeInvalidBody, "The outcome %s must be one of %s.", kit.Shown([]byte(req.Outcome)),
			strings.Join(event.Outcomes.Texts(), ", "))
	}
	return h.act(c, "close", req.Outcome, req.Note)
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
	if al.Status == event.AlertClosed || do == "acknowledge" && al.Status != event.AlertOpen {
		return alertStatus(&al, do)
	}
	d, err := h.carryOut(c.Ctx(), siteID, &event.Entry{
		Kind: event.EntryAct, At: h.opt.Now().UnixMilli(), By: c.Key.Name, Act: event.Act{Alert: id, Do: do, Outcome: outcome, Note: note},
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

func alertStatus(al *event.Alert, do string) error {
	if do == "close" && al.Status == event.AlertCleared {
		return kit.Problemf(codeAlertStatus, "The alert ended by itself more than a week ago: no outcome can be "+
			"recorded any more.").With("alert_status", al.Status.String())
	}
	return kit.Problemf(codeAlertStatus, "The alert is %s; one can't %s it.", al.Status, do).With("alert_status", al.Status.String())
}
