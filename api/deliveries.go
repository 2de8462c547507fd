package api

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine/deliver"
	"lintel/engine/event"
	"lintel/engine/store"
)

var (
	codeUnknownDelivery = kit.Code{Name: "unknown_delivery", Status: 404, Meaning: "There is no such delivery."}
)

// deliveryRoutes are the routes about deliveries.
type deliveryRoutes struct{ *backend }

func (h deliveryRoutes) table() []kit.Route {
	return []kit.Route{
		{
			Method: "GET", Path: "/v1/deliveries", Name: "listDeliveries", Group: "Deliveries", Summary: "List deliveries, newest first",
			Scopes: operate,
			Params: []kit.Param{paramSite, kit.Enum("status", "Only these.", event.DeliveryStatuses.Texts()...),
				kit.Query("channel", "Only those to this channel."),
				kit.Query("alert", "Only those of this alert."), paramLimit(100, 1000), paramCursor},
			Answers: []kit.Answer{kit.OK("One page of deliveries.", DeliveryList{})},
			Codes:   []kit.Code{kit.CodeUnknownSite, kit.CodeMissingSite}, Handle: h.listDeliveries,
		}, {
			Method: "GET", Path: "/v1/deliveries/{id}", Name: "getDelivery", Group: "Deliveries",
			Summary: "Get one delivery, with what it carries",
			Scopes:  operate, Answers: []kit.Answer{kit.OK("The delivery.", DeliveryView{})},
			Codes: []kit.Code{codeUnknownDelivery}, Handle: h.getDelivery,
		}, {
			Method: "POST", Path: "/v1/deliveries/{id}/retry", Name: "retryDelivery", Group: "Deliveries",
			Summary: "Send a delivery once more, now, with the same id",
			Scopes:  operate, Keyed: true, Answers: []kit.Answer{kit.OK(
				"What came of it. That the receiver refused is an answer too.", RetryAnswer{})},
			Codes: []kit.Code{codeUnknownDelivery}, Handle: h.retryDelivery,
		},
	}
}

// DeliveryView is a delivery as answers show it.
type DeliveryView struct {
	ID       string          `json:"id"`
	Site     string          `json:"site,omitempty" jsonschema_description:"Left out of a notice about a channel."`
	Channel  string          `json:"channel"`
	Type     string          `json:"type"`
	Alert    string          `json:"alert,omitempty" jsonschema_description:"Left out of a notice about a channel."`
	About    string          `json:"about_channel,omitempty" jsonschema_description:"The channel that a notice is about."`
	Order    int             `json:"order"`
	At       time.Time       `json:"at" jsonschema_description:"When what it is about happened."`
	Status   string          `json:"status" jsonschema_extras:"words=delivery status"`
	Attempts int             `json:"attempts"`
	NextTry  *time.Time      `json:"next_try,omitempty"`
	LastTry  *time.Time      `json:"last_try,omitempty"`
	Took     float64         `json:"took_seconds,omitempty"`
	Code     int             `json:"code,omitempty" jsonschema_description:"HTTP status of the last answer."`
	Reason   string          `json:"reason,omitempty"`
	Say      string          `json:"say,omitempty" jsonschema_description:"What the message says, by its alert or notice."`
	Data     json.RawMessage `json:"data,omitempty" jsonschema_description:"What the message carries; only for a single delivery."`
}

// DeliveryList is one page of deliveries, newest first.
type DeliveryList struct {
	Deliveries []DeliveryView `json:"deliveries"`
	Next       string         `json:"next,omitempty"`
}

// OutcomeView is what came of one try to send.
type OutcomeView struct {
	Delivered  bool    `json:"delivered"`
	Code       int     `json:"code,omitempty" jsonschema_description:"HTTP status of the answer; left out if there was none."`
	Reason     string  `json:"reason,omitempty"`
	Seconds    float64 `json:"seconds"`
	RetryAfter float64 `json:"retry_after,omitempty" jsonschema_description:"Seconds that the receiver asked to be left alone."`
}

func outcomeView(o deliver.Outcome) OutcomeView {
	return OutcomeView{Delivered: o.OK(), Code: o.Code, Reason: o.Reason, Seconds: o.Took.Seconds(), RetryAfter: o.RetryAfter.Seconds()}
}

func deliveryView(site string, d *event.Delivery) DeliveryView {
	v := DeliveryView{
		ID: d.ID, Site: site, Channel: d.Channel, Type: d.Type, Alert: d.Alert, Order: d.Order,
		At: time.UnixMilli(d.At).UTC(), Status: d.Status.String(),
		Attempts: d.Attempts, LastTry: moment(d.LastTry), Took: float64(d.Took) / 1000, Code: d.Code, Reason: d.Reason,
	}
	if d.Status == event.DeliveryPending {
		v.NextTry = moment(d.NextTry)
	}
	if site == deliver.Notices {
		v.Site, v.Alert, v.About = "", "", d.Alert
	}
	return v
}

// deliverySites lists where the deliveries are that the caller may see: those of their sites, and
// with a key for all sites those about channels, too.
func (b *backend) deliverySites(c *kit.Call) ([]string, error) {
	sites, err := b.sites(c)
	if err == nil && c.QueryParam("site") == "" && c.Key.AllSites() {
		sites = append(sites, deliver.Notices)
	}
	return sites, err
}

// deliveries lists those of a site, or the notices about channels.
func (b *backend) deliveries(ctx context.Context, site string, ids ...string) listing {
	return func(fn func([]byte) error) error {
		return deliver.Stored(ctx, b.store, site, ids, func(_ string, v []byte) error { return fn(v) })
	}
}

func (h deliveryRoutes) listDeliveries(c *kit.Call) error {
	limit := c.Int("limit")
	status := c.QueryParam("status")
	channel, alert := c.QueryParam("channel"), c.QueryParam("alert")
	afterMs, afterID, err := c.IntCursor(1<<63 - 1)
	if err != nil {
		return err
	}
	sites, err := h.deliverySites(c)
	if err != nil {
		return err
	}
	newer := func(atA int64, idA string, atB int64, idB string) int {
		return cmp.Or(cmp.Compare(atB, atA), strings.Compare(idA, idB))
	}
	var rows []DeliveryView
	for _, site := range sites {
		had := len(rows)
		err := scan(h.deliveries(c.Ctx(), site), event.DecodeDelivery, func() { rows = rows[:had] }, func(d *event.Delivery) {
			switch {
			case status != "" && d.Status.String() != status, channel != "" && d.Channel != channel:
			case alert != "" && (d.Alert != alert || site == deliver.Notices):
			case newer(d.At, d.ID, afterMs, afterID) <= 0:
			default:
				rows = append(rows, deliveryView(site, d))
			}
		})
		if err != nil {
			return unavailable(err)
		}
	}
	slices.SortFunc(rows, func(a, b DeliveryView) int { return newer(a.At.UnixMilli(), a.ID, b.At.UnixMilli(), b.ID) })
	list := DeliveryList{Deliveries: []DeliveryView{}}
	if len(rows) > limit {
		rows = rows[:limit]
		list.Next = kit.EncodeCursor(strconv.FormatInt(rows[limit-1].At.UnixMilli(), 10), rows[limit-1].ID)
	}
	list.Deliveries = append(list.Deliveries, rows...)
	if err := h.fillSays(c.Ctx(), list.Deliveries); err != nil {
		return unavailable(err)
	}
	return c.JSON(http.StatusOK, list)
}

// fillSays adds what the messages of a page say. Only these are read once more: what all carry together
// would not fit into memory.
func (h deliveryRoutes) fillSays(ctx context.Context, rows []DeliveryView) error {
	says, bySite := make(map[string]string, len(rows)), map[string][]string{}
	for i := range rows {
		site := cmp.Or(rows[i].Site, deliver.Notices)
		bySite[site] = append(bySite[site], rows[i].ID)
	}
	for site, ids := range bySite {
		err := scan(h.deliveries(ctx, site, ids...), event.DecodeDelivery, func() {},
			func(d *event.Delivery) { says[d.ID] = sayOf(d.Data) })
		if err != nil {
			return err
		}
	}
	for i := range rows {
		rows[i].Say = says[rows[i].ID]
	}
	return nil
}

// sayOf returns what a message says: about an alert, or as a notice by itself.
func sayOf(data json.RawMessage) string {
	var m struct {
		Alert struct{ Say string }
		Say   string
	}
	if err := json.Unmarshal(data, &m); err != nil {
		return "" // a form that this program does not know
	}
	return cmp.Or(m.Alert.Say, m.Say)
}

// deliveryByID finds a delivery among the sites that the caller may see. The id begins with "msg_",
// the site and a hyphen, and a site's id may have hyphens too.
func (h deliveryRoutes) deliveryByID(c *kit.Call, id string) (event.Delivery, string, error) {
	sites, err := h.deliverySites(c)
	if err != nil {
		return event.Delivery{}, "", err
	}
	for _, site := range sites {
		if !strings.HasPrefix(id, "msg_"+site+"-") || len(id) > 500 {
			continue
		}
		found, err := record(h.deliveries(c.Ctx(), site, id), event.DecodeDelivery)
		if err != nil {
			return event.Delivery{}, "", err
		}
		if found != nil {
			return *found, site, nil
		}
	}
	return event.Delivery{}, "", kit.Problemf(codeUnknownDelivery, "There is no delivery %s on record.", kit.Shown([]byte(id)))
}

func (h deliveryRoutes) getDelivery(c *kit.Call) error {
	d, site, err := h.deliveryByID(c, c.PathParam("id"))
	if err != nil {
		return err
	}
	v := deliveryView(site, &d)
	v.Data, v.Say = d.Data, sayOf(d.Data)
	return c.JSON(http.StatusOK, v)
}

// RetryAnswer is what came of sending a delivery again.
type RetryAnswer struct {
	Outcome  OutcomeView  `json:"outcome"`
	Delivery DeliveryView `json:"delivery"`
}

func (h deliveryRoutes) retryDelivery(c *kit.Call) error {
	d, site, err := h.deliveryByID(c, c.PathParam("id"))
	if err != nil {
		return err
	}
	sender, err := h.sender(c)
	if err != nil {
		return err
	}
	out, err := sender.Retry(c.Ctx(), site, d.ID)
	switch {
	case errors.Is(err, store.ErrNotFound):
		return kit.Problemf(codeUnknownDelivery, "There is no delivery %s on record.", kit.Shown([]byte(d.ID)))
	case err != nil:
		return unavailable(err)
	}
	if d, site, err = h.deliveryByID(c, d.ID); err != nil {
		return err
	}
	return c.JSON(http.StatusOK, RetryAnswer{Outcome: outcomeView(out), Delivery: deliveryView(site, &d)})
}
