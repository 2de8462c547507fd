package api

import (
	"cmp"
	"context"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/store"
)

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
	Entry  uint64           `json:"entry" jsonschema_description:"The journal entry that holds what was done."`
	Folded bool             `json:"folded" jsonschema_description:"False if it was not worked through in time; it will be."`
	Alert  *event.AlertView `json:"alert,omitempty"`
}

const maxNote = 1000

// scanAlerts calls f with every alert record of a site as it is read, pending ones included. A listing that a commit broke off begins anew: begin, which is called first, too,
// must drop what f was given before. It reads the store, not the site's state, so that a site at work does not wait for it.
func (a *API) scanAlerts(ctx context.Context, site string, begin func(), f func(*event.Alert)) error {
	for try := 0; ; try++ {
		begin()
		_, err := a.store.Records(ctx, site, event.KindAlert, nil, func(_ store.Kind, _ string, v []byte) error {
			al, err := event.DecodeAlert(v)
			if err == nil {
				f(&al)
			}
			return err
		})
		if !retryListing(err, try) {
			return err
		}
	}
}

// eachAlert is scanAlerts for those who can't begin anew: it calls f once the whole listing was read.
func (a *API) eachAlert(ctx context.Context, site string, f func(*event.Alert)) error {
	var list []event.Alert
	err := a.scanAlerts(ctx, site, func() { list = nil }, func(al *event.Alert) { list = append(list, *al) })
	if err != nil {
		return err
	}
	for i := range list {
		f(&list[i])
	}
	return nil
}

// alertByID returns an alert as it was last committed, and its site.
func (c *call) alertByID(id string) (event.Alert, string, error) {
	none := problemf(codeUnknownAlert, "There is no alert %s.", shown([]byte(id)))
	site := alertSite(id)
	if !validSite(site) || len(id) > 200 {
		return event.Alert{}, "", none
	}
	if !c.key.forSite(site) {
		return event.Alert{}, "", problemf(codeMissingSite, "The key %q is not for the site %q.", c.key.Name, site).with("site", site)
	}
	var found *event.Alert
	_, err := c.api.store.Records(c.Request().Context(), site, event.KindAlert, []string{id}, func(_ store.Kind, _ string, v []byte) error {
		al, err := event.DecodeAlert(v)
		found = &al
		return err
	})
	if err != nil {
		return event.Alert{}, "", unavailable(err)
	}
	if found == nil || found.Status == event.AlertPending || found.Lead != "" {
		return event.Alert{}, "", none
	}
	return *found, site, nil
}

// alertSite returns the site of an alert's id, "<site>-<entry>-<number>".
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

// alertStatuses are what a listing can be narrowed to: pending alerts are shown to nobody.
var alertStatuses = append(event.AlertStatuses.Texts()[event.AlertOpen:], "active", "all")

func (c *call) listAlerts() error {
	ctx := c.Request().Context()
	limit, err := c.intParam("limit", 100, 1, 1000)
	if err != nil {
		return err
	}
	status, err := c.statusParam("active", alertStatuses)
	if err != nil {
		return err
	}
	rule := c.QueryParam("rule")
	cursor, err := c.cursorParam(2)
	if err != nil {
		return err
	}
	sites, err := c.sites()
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
	var afterOpened int64
	if cursor != nil {
		if afterOpened, err = strconv.ParseInt(cursor[0], 10, 64); err != nil {
			return badParam("cursor", "it is none of this route")
		}
	}
	for _, site := range sites {
		take := func(al *event.Alert) {
			switch {
			case al.Status == event.AlertPending || al.Lead != "":
			case status == "active" && al.Status != event.AlertOpen && al.Status != event.AlertAcknowledged:
			case status != "active" && status != "all" && al.Status.String() != status:
			case rule != "" && al.Rule != rule:
			case cursor != nil && newer(al.OpenedAt, al.ID, afterOpened, cursor[1]) <= 0:
			default:
				rows = append(rows, row{al.OpenedAt, site, *al})
			}
		}
		if status == "closed" || status == "all" {
			err = c.api.eachAlert(ctx, site, take) // closed ones are on record only
		} else {
			err = c.api.view(ctx, site, func(st *engine.State) error {
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
		list.Next = encodeCursor(strconv.FormatInt(rows[limit-1].opened, 10), rows[limit-1].alert.ID)
	}
	for i := range rows {
		list.Alerts = append(list.Alerts, rows[i].alert.View(rows[i].site))
	}
	return c.JSON(http.StatusOK, list)
}

func (c *call) getAlert() error {
	id, err := c.pathValue("id")
	if err != nil {
		return err
	}
	al, site, err := c.alertByID(id)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, al.View(site))
}

func (c *call) acknowledgeAlert() error {
	var req AcknowledgeRequest
	if c.Request().ContentLength != 0 {
		if err := c.decodeJSON(&req); err != nil {
			return err
		}
	}
	return c.act("acknowledge", "", req.Note)
}

func (c *call) closeAlert() error {
	var req CloseRequest
	if err := c.decodeJSON(&req); err != nil {
		return err
	}
	if !slices.Contains(event.Outcomes.Texts(), req.Outcome) {
		return problemf(codeInvalidBody, "The outcome %s must be one of %s.", shown([]byte(req.Outcome)), strings.Join(event.Outcomes.Texts(), ", "))
	}
	return c.act("close", req.Outcome, req.Note)
}

// act puts what a person did to an alert into the journal, and answers with what became of the alert.
func (c *call) act(do, outcome, note string) error {
	if len([]rune(note)) > maxNote {
		return problemf(codeInvalidBody, "The note is longer than %d characters.", maxNote)
	}
	id, err := c.pathValue("id")
	if err != nil {
		return err
	}
	al, siteID, err := c.alertByID(id)
	if err != nil {
		return err
	}
	if al.Status == event.AlertClosed || do == "acknowledge" && al.Status != event.AlertOpen {
		return alertStatus(&al, do)
	}
	ctx := c.Request().Context()
	site, err := c.api.runner.Site(ctx, siteID)
	if err != nil {
		return unavailable(err)
	}
	sub := site.Subscribe(256)
	defer sub.Close()
	res, err := c.api.runner.Append(ctx, siteID, &event.Entry{
		Kind: event.EntryAct, At: c.api.opt.Now().UnixMilli(), By: c.key.Name, Act: event.Act{Alert: id, Do: do, Outcome: outcome, Note: note},
	}, "", "")
	if err != nil {
		return unavailable(err)
	}
	wait, cancel := context.WithTimeout(ctx, c.api.foldPatience)
	defer cancel()
	_, changes, complete, err := sub.Await(wait, uint64(res.Seq))
	if err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return c.JSON(http.StatusAccepted, ActAnswer{Entry: uint64(res.Seq)})
	}
	changed := slices.ContainsFunc(changes, func(ch engine.AlertChange) bool { return ch.Alert.ID == id })
	if al, _, err = c.alertByID(id); err != nil {
		return err
	}
	if !changed && complete {
		return alertStatus(&al, do) // somebody else was first
	}
	v := al.View(siteID)
	return c.JSON(http.StatusOK, ActAnswer{Entry: uint64(res.Seq), Folded: true, Alert: &v})
}

func alertStatus(al *event.Alert, do string) error {
	if do == "close" && al.Status == event.AlertCleared {
		return problemf(codeAlertStatus, "The alert ended by itself more than a week ago: no outcome can be recorded any more.").with("alert_status", al.Status.String())
	}
	return problemf(codeAlertStatus, "The alert is %s; one can't %s it.", al.Status, do).with("alert_status", al.Status.String())
}

// retryListing reports whether a listing of records that failed is to be tried again: a commit landed while it ran.
func retryListing(err error, try int) bool { return err != nil && isConflict(err) && try < 10 }
