package api

import (
	"net/http"
	"time"

	"lintel/api/kit"
	"lintel/engine/deliver"
	"lintel/engine/event"
)

var (
	codeChannelStopped = kit.Code{Name: "channel_stopped", Status: 409,
		Meaning: "The channel is stopped or disabled, so nothing could be sent to it."}
)

// ChannelHealth is how a channel fares.
type ChannelHealth struct {
	Channel      string     `json:"channel"`
	State        string     `json:"state" jsonschema:"enum=working,enum=failing,enum=stopped,enum=disabled" jsonschema_description:"failing: the last try failed. stopped: nothing is sent until it is started again. disabled: its document says so."`
	FailingSince *time.Time `json:"failing_since,omitempty" jsonschema_description:"The first failure since the last success. After 24 and 48 hours there is a warning, after 72 the channel is stopped."`
	Warnings     int        `json:"warnings,omitempty"`
	LastSuccess  *time.Time `json:"last_success,omitempty" jsonschema_description:"Left out if there was none since the server started."`
	LastFailure  *time.Time `json:"last_failure,omitempty"`
	Reason       string     `json:"reason,omitempty" jsonschema_description:"Of the last failure."`
	Stopped      *time.Time `json:"stopped_at,omitempty"`
	Waiting      int        `json:"waiting" jsonschema_description:"Deliveries that are still to be sent, of the key's sites."`
	GivenUp      int        `json:"given_up" jsonschema_description:"Deliveries that are dead, of the key's sites: recover queues them again."`
	Cause        string     `json:"stopped_because,omitempty" jsonschema:"enum=gone,enum=failing" jsonschema_description:"gone: the receiver answered 410 Gone. failing: it had no success for 72 hours."`
}

// ChannelHealthList is how all channels fare, in the order of their document.
type ChannelHealthList struct {
	Channels []ChannelHealth `json:"channels"`
}

// ChannelView is one channel, masked, and how it fares.
type ChannelView struct {
	Channel deliver.Channel `json:"channel"`
	Health  ChannelHealth   `json:"health"`
}

// RecoverRequest is a range of time.
type RecoverRequest struct {
	Since *time.Time `json:"since" jsonschema_description:"Deliveries about something that happened at this moment or later, by the site clock."`
	Until *time.Time `json:"until,omitempty" jsonschema_description:"And before this moment. Default: now."`
}

// RecoverAnswer is how many deliveries were queued.
type RecoverAnswer struct {
	Queued  int        `json:"queued"`
	HasMore bool       `json:"has_more" jsonschema_description:"There are more in the range."`
	First   *time.Time `json:"first,omitempty" jsonschema_description:"When what the oldest of them is about happened."`
	Last    *time.Time `json:"last,omitempty"`
}

func healthView(ch *deliver.Channel, h deliver.Health, undelivered map[string]backlog) ChannelHealth {
	n := undelivered[ch.Name]
	v := ChannelHealth{
		Waiting: n.waiting, GivenUp: n.givenUp,
		Channel: ch.Name, State: "working", FailingSince: momentOf(h.FailingSince), Warnings: h.Warnings,
		LastSuccess: momentOf(h.LastSuccess),
		LastFailure: momentOf(h.LastFailure), Reason: h.Reason, Stopped: momentOf(h.Stopped), Cause: string(h.Cause),
	}
	switch {
	case !h.Stopped.IsZero():
		v.State = "stopped"
	case ch.Disabled:
		v.State = "disabled"
	case !h.FailingSince.IsZero():
		v.State = "failing"
	}
	return v
}

func momentOf(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

func (h channelRoutes) channelsHealth(c *kit.Call) error {
	ctx := c.Ctx()
	channels, err := h.channels(ctx)
	if err != nil {
		return err
	}
	sender, err := h.sender(c)
	if err != nil {
		return err
	}
	health, err := sender.Health(ctx)
	if err != nil {
		return unavailable(err)
	}
	undelivered, err := h.undelivered(c)
	if err != nil {
		return err
	}
	list := ChannelHealthList{Channels: []ChannelHealth{}}
	for i := range channels {
		list.Channels = append(list.Channels, healthView(&channels[i], health[channels[i].Name], undelivered))
	}
	return c.JSON(http.StatusOK, list)
}

// backlog is which deliveries a channel has that did not reach their receiver.
type backlog struct{ waiting, givenUp int }

// undelivered counts them by channel, among the sites that the caller may see.
func (b *backend) undelivered(c *kit.Call) (map[string]backlog, error) {
	sites, err := b.deliverySites(c)
	if err != nil {
		return nil, err
	}
	total := map[string]backlog{}
	for _, site := range sites {
		var here map[string]backlog
		err := scan(b.deliveries(c.Ctx(), site), event.DecodeDelivery, func() { here = map[string]backlog{} }, func(d *event.Delivery) {
			n := here[d.Channel]
			switch d.Status {
			case event.DeliveryPending:
				n.waiting++
			case event.DeliveryDead:
				n.givenUp++
			default:
				return
			}
			here[d.Channel] = n
		})
		if err != nil {
			return nil, unavailable(err)
		}
		for name, n := range here {
			sum := total[name]
			total[name] = backlog{sum.waiting + n.waiting, sum.givenUp + n.givenUp}
		}
	}
	return total, nil
}

func (h channelRoutes) channelHealth(c *kit.Call) error {
	ch, sender, err := h.channelAndSender(c)
	if err != nil {
		return err
	}
	health, err := sender.Health(c.Ctx())
	if err != nil {
		return unavailable(err)
	}
	undelivered, err := h.undelivered(c)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, ChannelView{Channel: ch.Redacted(), Health: healthView(&ch, health[ch.Name], undelivered)})
}

func (h channelRoutes) startChannel(c *kit.Call) error {
	ch, sender, err := h.channelAndSender(c)
	if err != nil {
		return err
	}
	if _, err := sender.StartChannel(c.Ctx(), ch.Name); err != nil {
		return unavailable(err)
	}
	h.log.Info("a channel was started by hand", "channel", ch.Name, "by", c.Key.Name)
	return h.channelHealth(c)
}

func (h channelRoutes) recoverChannel(c *kit.Call) error {
	ch, err := h.channelOfPath(c)
	if err != nil {
		return err
	}
	var req RecoverRequest
	if err := c.DecodeJSON(&req); err != nil {
		return err
	}
	until := h.opt.Now()
	if req.Until != nil {
		until = *req.Until
	}
	switch {
	case req.Since == nil:
		return kit.Problemf(kit.CodeInvalidBody, "The member \"since\" is missing: when the outage began, like 2026-11-25T09:14:07Z.")
	case !req.Since.Before(until):
		return kit.Problemf(kit.CodeInvalidBody, "The range is empty: \"since\" must be before \"until\", which is now if it is left out.")
	}
	sites, err := h.deliverySites(c)
	if err != nil {
		return err
	}
	sender, err := h.sender(c)
	if err != nil {
		return err
	}
	ctx := c.Ctx()
	health, err := sender.Health(ctx)
	if err != nil {
		return unavailable(err)
	}
	switch h := health[ch.Name]; {
	case ch.Disabled:
		return kit.Problemf(codeChannelStopped, "The channel %q is disabled, so everything would die again. Enable it first.", ch.Name)
	case !h.Stopped.IsZero():
		return kit.Problemf(codeChannelStopped, "The channel %q is stopped, so everything would die again. Start it first.", ch.Name)
	}
	got, err := sender.Recover(ctx, sites, ch.Name, *req.Since, until)
	if err != nil {
		return unavailable(err)
	}
	h.log.Info("dead deliveries are sent again", "channel", ch.Name, "since", *req.Since, "until", until, "queued",
		got.Queued, "more", got.More, "by", c.Key.Name)
	return c.JSON(http.StatusOK, RecoverAnswer{Queued: got.Queued, HasMore: got.More, First: momentOf(got.First), Last: momentOf(got.Last)})
}
