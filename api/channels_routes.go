package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine/deliver"
	"lintel/engine/store"
	"lintel/rules/doc"
)

var (
	codeUnknownChannel = kit.Code{Name: "unknown_channel", Status: 404, Meaning: "There is no such channel."}
)

// channelRoutes are the routes about channels.
type channelRoutes struct{ documents }

func (h channelRoutes) table() []kit.Route {
	return append([]kit.Route{
		{
			Method: "GET", Path: "/v1/channels", Name: "getChannels", Group: "Documents",
			Summary: "Get the channels, with their secrets masked",
			Scopes:  readers, Params: []kit.Param{paramVersion, ifNoneMatch},
			Answers: []kit.Answer{kit.OK("The channels.", channelsDocument{}), notChanged}, Headers: withVersion,
			Codes: []kit.Code{codeUnknownDocument}, Handle: h.getChannels,
		}, {
			Method: "PUT", Path: "/v1/channels", Name: "putChannels", Group: "Documents",
			Summary: "Store the channels; a mask keeps what it stands for",
			Scopes:  author, AllSites: true, Params: []kit.Param{paramNote, ifMatch, ifNoneMatch}, Body: kit.JSON(channelsDocument{}),
			Answers: savedAnswers(ChannelsSaved{}, nil), Headers: withETag, Codes: savedCodes, Handle: h.putChannels,
		}, {
			Method: "POST", Path: "/v1/channels/{name}/test", Name: "testChannel", Group: "Documents",
			Summary: "Send a sample to a channel, now",
			Scopes:  author, AllSites: true, Keyed: true, Answers: []kit.Answer{kit.OK("What came of it. That the "+
				"receiver refused is an answer too.", OutcomeView{})},
			Codes: []kit.Code{codeUnknownChannel}, Handle: h.testChannel,
		}, {
			Method: "POST", Path: "/v1/channels/preview", Name: "previewChannel", Group: "Documents",
			Summary: "See the body that a channel would send, without sending it",
			About: "The channel is that of the body, stored or not; its values are masked. It shows the sample that " +
				"testChannel sends, or what a delivery carries.",
			Scopes: author, AllSites: true, Params: []kit.Param{kit.Query("delivery", "Id of the delivery to show. Default: the sample.")},
			Body:    kit.JSON(channelDocument{}),
			Answers: []kit.Answer{kit.OK("The body.", MessagePreview{})},
			Codes:   []kit.Code{kit.CodeInvalidDocument, codeUnknownDelivery}, Handle: h.previewChannel,
		}, {
			Method: "GET", Path: "/v1/channels/health", Name: "channelsHealth", Group: "Deliveries",
			Summary: "See the health of the channels",
			Scopes:  readers, Answers: []kit.Answer{kit.OK("All channels.", ChannelHealthList{})}, Handle: h.channelsHealth,
		}, {
			Method: "GET", Path: "/v1/channels/{name}/health", Name: "channelHealth", Group: "Deliveries",
			Summary: "See the health of one channel, with its settings masked",
			Scopes:  readers, Answers: []kit.Answer{kit.OK("The channel.", ChannelView{})},
			Codes: []kit.Code{codeUnknownChannel}, Handle: h.channelHealth,
		}, {
			Method: "POST", Path: "/v1/channels/{name}/start", Name: "startChannel", Group: "Deliveries",
			Summary: "Send to a stopped channel again",
			About: "A channel is stopped when its receiver answered 410 Gone, and after 72 hours without a " +
				"success. It also starts again by itself once a test or a message that " +
				"somebody sends again gets through, and when its settings change. Of one that is not stopped, it " +
				"is forgotten how long it failed.",
			Scopes: author, AllSites: true, Keyed: true, Answers: []kit.Answer{kit.OK("The channel.", ChannelView{})},
			Codes: []kit.Code{codeUnknownChannel}, Handle: h.startChannel,
		}, {
			Method: "POST", Path: "/v1/channels/{name}/recover", Name: "recoverChannel", Group: "Deliveries",
			Summary: "Send the dead deliveries of a time range again, after an outage",
			About: "Oldest first, under the same ids, by the whole schedule from its start. What was delivered or " +
				"is still pending is left alone. One call queues 1,000 at most; " +
				"while has_more is true, send the same request again (with another Idempotency-Key). They are sent " +
				"in the background, within the channel's limits.",
			Scopes: operate, Keyed: true, Params: []kit.Param{paramSite}, Body: kit.JSON(RecoverRequest{}),
			Answers: []kit.Answer{kit.OK("They are queued.", RecoverAnswer{})},
			Codes:   []kit.Code{codeUnknownChannel, codeChannelStopped, kit.CodeUnknownSite, kit.CodeMissingSite}, Handle: h.recoverChannel,
		},
	}, h.versioned("/v1/channels", "channel", "channels", named(ChannelsDocument), diffChannels)...)
}

// ChannelsView is the document of channels. Secrets, the values of headers and what follows the
// host of a URL are masked; a mask that is sent back keeps what it stands for.
type ChannelsView struct {
	Channels []deliver.Channel `json:"channels"`
}

func redacted(channels []deliver.Channel) ChannelsView {
	v := ChannelsView{Channels: []deliver.Channel{}}
	for _, ch := range channels {
		v.Channels = append(v.Channels, ch.Redacted())
	}
	return v
}

func (h channelRoutes) getChannels(c *kit.Call) error {
	d, done, err := h.document(c, ChannelsDocument)
	if codeOf(err) == codeUnknownDocument && c.QueryParam("version") == "" {
		c.Response().Header().Set("ETag", kit.ETag(0))
		return c.JSON(http.StatusOK, redacted(nil))
	}
	if err != nil || done {
		return err
	}
	channels, err := deliver.ParseChannels(d.Body)
	if err != nil {
		return errors.New("the stored channels can't be read") // the reason may quote them
	}
	return c.JSON(http.StatusOK, redacted(channels))
}

// ChannelsSaved is the answer to storing channels.
type ChannelsSaved struct {
	Saved
	Channels []deliver.Channel `json:"channels"`
}

func (h channelRoutes) putChannels(c *kit.Call) error {
	if _, err := c.WantType(kit.MediaJSON); err != nil {
		return err
	}
	expect, err := h.expectation(c, ChannelsDocument)
	if err != nil {
		return err
	}
	note, err := noteParam(c)
	if err != nil {
		return err
	}
	body, err := c.ReadBody(min(h.opt.BodyLimit, deliver.MaxChannelsBytes))
	if err != nil {
		return err
	}
	defer body.Release()
	ctx := c.Ctx()
	for try := 0; ; try++ {
		version, err := h.newestVersion(ctx, ChannelsDocument)
		if err != nil {
			return err
		}
		if expect >= 0 && expect != version {
			return conflict(expect)
		}
		previous, err := h.channels(ctx)
		if err != nil {
			return err
		}
		var channels []deliver.Channel
		err = c.Parse(func() (err error) { channels, err = deliver.ParseChannelsKeeping(body.B, previous); return err })
		if p := busy(err); p != nil {
			return p
		}
		if err != nil {
			problems := diagnosticsOf(err)
			return kit.Problemf(kit.CodeInvalidDocument, "The channels have %d problems. Nothing was stored.",
				doc.Errors(problems).Count()).With("errors", problems)
		}
		stored, err := deliver.EncodeChannels(channels)
		if err != nil {
			return errors.New("the channels can't be encoded") // the reason may quote them
		}
		now := h.opt.Now().UTC().Truncate(time.Millisecond)
		saved := version
		present, err := deliver.EncodeChannels(previous)
		unchanged := err == nil && version > 0 && bytes.Equal(present, stored)
		if !unchanged {
			saved, err = store.PutDocument(ctx, h.store, store.Document{Name: ChannelsDocument, At: now, By: c.Key.Name,
				Note: note, Body: stored}, version)
		}
		if errors.Is(err, store.ErrConflict) {
			if expect < 0 && try < 10 {
				continue
			}
			return conflict(expect)
		}
		if err != nil {
			return unavailable(err)
		}
		warnings, err := h.missingChannels(c, channels)
		if err != nil {
			return err
		}
		warnings = append(warnings, h.channelWarnings(channels)...)
		answer := ChannelsSaved{
			Saved: Saved{Document: ChannelsDocument, Version: saved, At: now, By: c.Key.Name, Note: note,
				Unchanged: unchanged, InEffect: h.refreshChannels(ctx), Warnings: warnings},
			Channels: redacted(channels).Channels,
		}
		return answerSaved(c, answer.Saved, answer)
	}
}

// channelWarnings says what is odd about channels that are well formed.
func (b *backend) channelWarnings(channels []deliver.Channel) []string {
	warnings := deliver.AboutWarnings(channels)
	for i := range channels {
		if b.opt.Channels == nil {
			break
		}
		if err := b.opt.Channels.Check(channels[i]); err != nil {
			warnings = append(warnings, fmt.Sprintf("nothing can be sent to the channel %q: %v", channels[i].Name, err))
		}
	}
	return warnings
}

// refreshChannels has channels that were just stored used, and reports whether they are. If not,
// they are in a moment.
func (b *backend) refreshChannels(ctx context.Context) bool {
	return b.opt.Channels == nil || b.opt.Channels.Refresh(ctx) == nil
}

// missingChannels warns of rules that send to channels that don't exist.
func (h channelRoutes) missingChannels(c *kit.Call, channels []deliver.Channel) ([]string, error) {
	to, err := h.sentTo(c)
	if err != nil {
		return nil, err
	}
	var warnings []string
	for name, from := range to {
		if !slices.ContainsFunc(channels, func(ch deliver.Channel) bool { return ch.Name == name }) {
			warnings = append(warnings, fmt.Sprintf("there is no channel %q; rules send to it: %s", name, strings.Join(from, ", ")))
		}
	}
	slices.Sort(warnings)
	return warnings, nil
}

// channelOfPath returns the channel that the path names, with its secrets.
func (h channelRoutes) channelOfPath(c *kit.Call) (deliver.Channel, error) {
	name := c.PathParam("name")
	channels, err := h.channels(c.Ctx())
	if err != nil {
		return deliver.Channel{}, err
	}
	i := slices.IndexFunc(channels, func(ch deliver.Channel) bool { return ch.Name == name })
	if i < 0 {
		return deliver.Channel{}, kit.Problemf(codeUnknownChannel, "There is no channel %s.", kit.Shown([]byte(name)))
	}
	return channels[i], nil
}

// channelAndSender returns the channel that the path names, with its secrets, and what sends to it.
func (h channelRoutes) channelAndSender(c *kit.Call) (deliver.Channel, Dispatcher, error) {
	ch, err := h.channelOfPath(c)
	if err != nil {
		return ch, nil, err
	}
	sender, err := h.sender(c)
	return ch, sender, err
}

// sender returns what sends deliveries.
func (b *backend) sender(c *kit.Call) (Dispatcher, error) {
	if b.opt.Dispatcher == nil {
		return nil, kit.Problemf(kit.CodeUnavailable, "This server does not send deliveries.")
	}
	return b.opt.Dispatcher, nil
}

func (h channelRoutes) testChannel(c *kit.Call) error {
	ch, sender, err := h.channelAndSender(c)
	if err != nil {
		return err
	}
	out, err := sender.Test(c.Ctx(), ch)
	if err != nil {
		return unavailable(err)
	}
	return c.JSON(http.StatusOK, outcomeView(out))
}

// MessagePreview is the body of a message that is not sent.
type MessagePreview struct {
	MediaType string `json:"media_type"`
	Body      string `json:"body" jsonschema_description:"As it would be sent; values of the channel are masked."`
	Sample    bool   `json:"sample" jsonschema_description:"It is about a shop that does not exist."`
}

func (h channelRoutes) previewChannel(c *kit.Call) error {
	if _, err := c.WantType(kit.MediaJSON); err != nil {
		return err
	}
	body, err := c.ReadBody(min(h.opt.BodyLimit, deliver.MaxChannelsBytes))
	if err != nil {
		return err
	}
	defer body.Release()
	previous, err := h.channels(c.Ctx())
	if err != nil {
		return err
	}
	var ch deliver.Channel
	err = c.Parse(func() (err error) { ch, err = deliver.ParseChannelKeeping(body.B, previous); return err })
	if p := busy(err); p != nil {
		return p
	}
	if err != nil {
		problems := diagnosticsOf(err)
		return kit.Problemf(kit.CodeInvalidDocument, "The channel has %d problems.", doc.Errors(problems).Count()).With("errors", problems)
	}
	d, site, id := deliver.Sample(ch.Name), "umberhithe", c.QueryParam("delivery")
	if id != "" {
		if err := c.Key.Must([]string{kit.ScopeOperate, kit.ScopeView}); err != nil {
			return err
		}
		if d, site, err = (deliveryRoutes{h.backend}).deliveryByID(c, id); err != nil {
			return err
		}
	}
	text, media, err := ch.Redacted().Render(site, &d)
	if err != nil {
		return kit.Problemf(kit.CodeInvalidDocument, "The message can't be written by this channel: %v.", err)
	}
	return c.JSON(http.StatusOK, MessagePreview{MediaType: media, Body: string(text), Sample: id == ""})
}

var _ json.Marshaler = deliver.Channel{}
