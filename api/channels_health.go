package api

import (
	"net/http"
	"time"

	"lintel/engine/deliver"
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

// channelView is ChannelView as the OpenAPI document has it.
type channelView struct {
	Channel channelDocument `json:"channel"`
	Health  ChannelHealth   `json:"health"`
}

// RecoverRequest is a range of time.
type RecoverRequest struct {
	Since *time.Time `json:"since" jsonschema_description:"Deliveries that tell of something that happened at this moment or later, by the site clock."`
	Until *time.Time `json:"until,omitempty" jsonschema_description:"And before this moment. Default: now."`
}

// RecoverAnswer is how many deliveries were queued.
type RecoverAnswer struct {
	Queued  int        `json:"queued"`
	HasMore bool       `json:"has_more" jsonschema_description:"There are more in the range."`
	First   *time.Time `json:"first,omitempty" jsonschema_description:"When what the oldest of them tells of happened."`
	Last    *time.Time `json:"last,omitempty"`
}

func healthRoutes() []route {
	return []route{
		{
			method: "GET", path: "/v1/channels/health", name: "channelsHealth", group: "Deliveries", summary: "See how the channels fare",
			scopes: readers, answers: []answer{ok("All channels.", ChannelHealthList{})}, handle: (*call).channelsHealth,
		}, {
			method: "GET", path: "/v1/channels/{name}/health", name: "channelHealth", group: "Deliveries", summary: "See how one channel fares, with its settings masked",
			scopes: readers, answers: []answer{ok("The channel.", channelView{})}, codes: []Code{codeUnknownChannel}, handle: (*call).channelHealth,
		}, {
			method: "POST", path: "/v1/channels/{name}/start", name: "startChannel", group: "Deliveries", summary: "Send to a stopped channel again",
			about: "A channel is stopped when its receiver answered 410 Gone, and after 72 hours without a success. It also starts again by itself once a test or a message that " +
				"somebody sends again gets through, and when its settings change. Of one that is not stopped, it is forgotten how long it failed.",
			scopes: author, allSites: true, keyed: true, answers: []answer{ok("The channel.", channelView{})},
			codes: []Code{codeUnknownChannel}, handle: (*call).startChannel,
		}, {
			method: "POST", path: "/v1/channels/{name}/recover", name: "recoverChannel", group: "Deliveries", summary: "Send the dead deliveries of a time range again, after an outage",
			about: "Oldest first, under the same ids, by the whole schedule from its start. What was delivered or is still pending is left alone. One call queues 1,000 at most; " +
				"while has_more is true, send the same request again (with another Idempotency-Key). They are sent in the background, within the channel's limits.",
			scopes: operate, keyed: true, params: []param{paramSite}, body: inJSON(RecoverRequest{}),
			answers: []answer{ok("They are queued.", RecoverAnswer{})},
			codes:   []Code{codeUnknownChannel, codeChannelStopped, codeUnknownSite, codeMissingSite}, handle: (*call).recoverChannel,
		},
	}
}

func healthView(ch *deliver.Channel, h deliver.Health) ChannelHealth {
	v := ChannelHealth{
		Channel: ch.Name, State: "working", FailingSince: momentOf(h.FailingSince), Warnings: h.Warnings, LastSuccess: momentOf(h.LastSuccess),
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

func (c *call) channelsHealth() error {
	ctx := c.Request().Context()
	channels, err := c.api.channels(ctx)
	if err != nil {
		return err
	}
	sender, err := c.sender()
	if err != nil {
		return err
	}
	health, err := sender.Health(ctx)
	if err != nil {
		return unavailable(err)
	}
	list := ChannelHealthList{Channels: []ChannelHealth{}}
	for i := range channels {
		list.Channels = append(list.Channels, healthView(&channels[i], health[channels[i].Name]))
	}
	return c.JSON(http.StatusOK, list)
}

func (c *call) channelHealth() error {
	ch, err := c.channelOfPath()
	if err != nil {
		return err
	}
	return c.answerChannel(ch)
}

func (c *call) answerChannel(ch deliver.Channel) error {
	sender, err := c.sender()
	if err != nil {
		return err
	}
	health, err := sender.Health(c.Request().Context())
	if err != nil {
		return unavailable(err)
	}
	return c.JSON(http.StatusOK, ChannelView{Channel: ch.Redacted(), Health: healthView(&ch, health[ch.Name])})
}

func (c *call) startChannel() error {
	ch, err := c.channelOfPath()
	if err != nil {
		return err
	}
	sender, err := c.sender()
	if err != nil {
		return err
	}
	if _, err := sender.StartChannel(c.Request().Context(), ch.Name); err != nil {
		return unavailable(err)
	}
	c.api.log.Info("a channel was started by hand", "channel", ch.Name, "by", c.key.Name)
	return c.answerChannel(ch)
}

func (c *call) recoverChannel() error {
	ch, err := c.channelOfPath()
	if err != nil {
		return err
	}
	var req RecoverRequest
	if err := c.decodeJSON(&req); err != nil {
		return err
	}
	until := c.api.opt.Now()
	if req.Until != nil {
		until = *req.Until
	}
	switch {
	case req.Since == nil:
		return problemf(codeInvalidBody, "The member \"since\" is missing: when the outage began, like 2026-11-25T09:14:07Z.")
	case !req.Since.Before(until):
		return problemf(codeInvalidBody, "The range is empty: \"since\" must be before \"until\", which is now if it is left out.")
	}
	sites, err := c.deliverySites()
	if err != nil {
		return err
	}
	sender, err := c.sender()
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	health, err := sender.Health(ctx)
	if err != nil {
		return unavailable(err)
	}
	switch h := health[ch.Name]; {
	case ch.Disabled:
		return problemf(codeChannelStopped, "The channel %q is disabled, so everything would die again. Enable it first.", ch.Name)
	case !h.Stopped.IsZero():
		return problemf(codeChannelStopped, "The channel %q is stopped, so everything would die again. Start it first.", ch.Name)
	}
	got, err := sender.Recover(ctx, sites, ch.Name, *req.Since, until)
	if err != nil {
		return unavailable(err)
	}
	c.api.log.Info("dead deliveries are sent again", "channel", ch.Name, "since", *req.Since, "until", until, "queued", got.Queued, "more", got.More, "by", c.key.Name)
	return c.JSON(http.StatusOK, RecoverAnswer{Queued: got.Queued, HasMore: got.More, First: momentOf(got.First), Last: momentOf(got.Last)})
}
