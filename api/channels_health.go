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
