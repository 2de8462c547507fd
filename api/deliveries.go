package api

import (
	"cmp"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/engine/deliver"
	"lintel/engine/event"
	"lintel/engine/store"
)

// DeliveryView is a delivery as answers show it.
type DeliveryView struct {
	ID       string          `json:"id"`
	Site     string          `json:"site,omitempty" jsonschema_description:"Left out of a notice about a channel."`
	Channel  string          `json:"channel"`
	Type     string          `json:"type"`
	Alert    string          `json:"alert,omitempty" jsonschema_description:"Left out of a notice about a channel."`
	About    string          `json:"about_channel,omitempty" jsonschema_description:"The channel that a notice is about."`
	Order    int             `json:"order"`
	At       time.Time       `json:"at" jsonschema_description:"When what it tells of happened."`
	Status   string          `json:"status" jsonschema:"enum=pending,enum=delivered,enum=dead"`
	Attempts int             `json:"attempts"`
	NextTry  *time.Time      `json:"next_try,omitempty"`
	LastTry  *time.Time      `json:"last_try,omitempty"`
	Took     int64           `json:"took_ms,omitempty"`
	Code     int             `json:"code,omitempty" jsonschema_description:"HTTP status of the last answer."`
	Reason   string          `json:"reason,omitempty"`
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
		ID: d.ID, Site: site, Channel: d.Channel, Type: d.Type, Alert: d.Alert, Order: d.Order, At: time.UnixMilli(d.At).UTC(), Status: d.Status.String(),
		Attempts: d.Attempts, LastTry: moment(d.LastTry), Took: d.Took, Code: d.Code, Reason: d.Reason,
	}
	if d.Status == event.DeliveryPending {
		v.NextTry = moment(d.NextTry)
	}
	if site == deliver.Notices {
		v.Site, v.Alert, v.About = "", "", d.Alert
	}
	return v
}

// deliverySites lists where the deliveries are that the caller may see: in his sites, and for all sites those about channels too.
func (c *call) deliverySites() ([]string, error) {
	sites, err := c.sites()
	if err == nil && c.QueryParam("site") == "" && c.key.allSites() {
		sites = append(sites, deliver.Notices)
	}
	return sites, err
}

func (c *call) listDeliveries() error {
	ctx := c.Request().Context()
	limit, err := c.intParam("limit", 100, 1, 1000)
	if err != nil {
		return err
	}
	status := c.QueryParam("status")
	if !slices.Contains([]string{"", "pending", "delivered", "dead"}, status) {
		return badParam("status", "it is pending, delivered or dead")
	}
	channel, alert := c.QueryParam("channel"), c.QueryParam("alert")
	cursor, err := c.cursorParam(2)
	if err != nil {
		return err
	}
	var afterMs int64
	if cursor != nil {
		if afterMs, err = strconv.ParseInt(cursor[0], 10, 64); err != nil {
			return badParam("cursor", "it is none of this route")
		}
	}
	sites, err := c.deliverySites()
	if err != nil {
		return err
	}
	newer := func(atA int64, idA string, atB int64, idB string) int {
		return cmp.Or(cmp.Compare(atB, atA), strings.Compare(idA, idB))
	}
	var rows []DeliveryView
	for _, site := range sites {
		for try := 0; ; try++ {
			had := len(rows)
			err := deliver.Stored(ctx, c.api.store, site, nil, func(_ string, v []byte) error {
				d, err := event.DecodeDelivery(v)
				switch {
				case err != nil:
					return err
				case status != "" && d.Status.String() != status, channel != "" && d.Channel != channel, alert != "" && (d.Alert != alert || site == deliver.Notices):
				case cursor != nil && newer(d.At, d.ID, afterMs, cursor[1]) <= 0:
				default:
					rows = append(rows, deliveryView(site, &d))
				}
				return nil
			})
			if retryListing(err, try) {
				rows = rows[:had]
				continue
			}
			if err != nil {
				return unavailable(err)
			}
			break
		}
	}
	slices.SortFunc(rows, func(a, b DeliveryView) int { return newer(a.At.UnixMilli(), a.ID, b.At.UnixMilli(), b.ID) })
	list := DeliveryList{Deliveries: []DeliveryView{}}
	if len(rows) > limit {
		rows = rows[:limit]
		list.Next = encodeCursor(strconv.FormatInt(rows[limit-1].At.UnixMilli(), 10), rows[limit-1].ID)
	}
	list.Deliveries = append(list.Deliveries, rows...)
	return c.JSON(http.StatusOK, list)
}

// deliveryByID finds a delivery among the sites that the caller may see. The id begins with "msg_", the site and a hyphen, and a site's id may have hyphens too.
func (c *call) deliveryByID(id string) (event.Delivery, string, error) {
	ctx := c.Request().Context()
	sites, err := c.deliverySites()
	if err != nil {
		return event.Delivery{}, "", err
	}
	for _, site := range sites {
		if !strings.HasPrefix(id, "msg_"+site+"-") || len(id) > 500 {
			continue
		}
		var found *event.Delivery
		err := deliver.Stored(ctx, c.api.store, site, []string{id}, func(_ string, v []byte) error {
			d, err := event.DecodeDelivery(v)
			found = &d
			return err
		})
		if err != nil {
			return event.Delivery{}, "", unavailable(err)
		}
		if found != nil {
			return *found, site, nil
		}
	}
	return event.Delivery{}, "", problemf(codeUnknownDelivery, "There is no delivery %s on record.", shown([]byte(id)))
}

// deliveryOfPath is deliveryByID of the id in the path.
func (c *call) deliveryOfPath() (event.Delivery, string, error) {
	id, err := c.pathValue("id")
	if err != nil {
		return event.Delivery{}, "", err
	}
	return c.deliveryByID(id)
}

func (c *call) getDelivery() error {
	d, site, err := c.deliveryOfPath()
	if err != nil {
		return err
	}
	v := deliveryView(site, &d)
	v.Data = d.Data
	return c.JSON(http.StatusOK, v)
}

// RetryAnswer is what came of sending a delivery again.
type RetryAnswer struct {
	Outcome  OutcomeView  `json:"outcome"`
	Delivery DeliveryView `json:"delivery"`
}

func (c *call) retryDelivery() error {
	d, site, err := c.deliveryOfPath()
	if err != nil {
		return err
	}
	sender, err := c.sender()
	if err != nil {
		return err
	}
	out, err := sender.Retry(c.Request().Context(), site, d.ID)
	switch {
	case errors.Is(err, store.ErrNotFound):
		return problemf(codeUnknownDelivery, "There is no delivery %s on record.", shown([]byte(d.ID)))
	case err != nil:
		return unavailable(err)
	}
	if d, site, err = c.deliveryByID(d.ID); err != nil {
		return err
	}
	return c.JSON(http.StatusOK, RetryAnswer{Outcome: outcomeView(out), Delivery: deliveryView(site, &d)})
}
