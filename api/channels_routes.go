package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/engine/deliver"
	"lintel/engine/store"
	"lintel/rules/doc"
)

// ChannelsView is the document of channels. Secrets, the values of headers and what follows the host of a URL are masked; a mask that is sent back keeps what
// it stands for.
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

func (c *call) getChannels() error {
	d, done, err := c.document(ChannelsDocument)
	if asProblemCode(err) == codeUnknownDocument && c.QueryParam("version") == "" {
		c.Response().Header().Set("ETag", etag(0))
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

func (c *call) channelVersions() error { return c.versions(ChannelsDocument) }

// ChannelsSaved is the answer to storing channels.
type ChannelsSaved struct {
	Saved
	Channels []deliver.Channel `json:"channels"`
}

func (c *call) putChannels() error {
	if _, err := c.wantType(mediaJSON); err != nil {
		return err
	}
	expect, err := c.expectation(ChannelsDocument)
	if err != nil {
		return err
	}
	note, err := c.noteParam()
	if err != nil {
		return err
	}
	body, err := c.readBody(min(c.api.opt.BodyLimit, deliver.MaxChannelsBytes))
	if err != nil {
		return err
	}
	defer body.release()
	ctx := c.Request().Context()
	for try := 0; ; try++ {
		version, err := c.api.newestVersion(ctx, ChannelsDocument)
		if err != nil {
			return err
		}
		if expect >= 0 && expect != version {
			return conflict(expect)
		}
		previous, err := c.api.channels(ctx)
		if err != nil {
			return err
		}
		channels, err := deliver.ParseChannelsKeeping(body.b, previous)
		if err != nil {
			problems := diagnosticsOf(err)
			return problemf(codeInvalidDocument, "The channels have %d problems. Nothing was stored.", doc.Errors(problems).Count()).with("errors", problems)
		}
		stored, err := deliver.EncodeChannels(channels)
		if err != nil {
			return errors.New("the channels can't be encoded") // the reason may quote them
		}
		now := c.api.opt.Now().UTC().Truncate(time.Millisecond)
		saved, err := c.api.store.PutDocument(ctx, store.Document{Name: ChannelsDocument, At: now, By: c.key.Name, Note: note, Body: stored}, version)
		if errors.Is(err, store.ErrConflict) {
			if expect < 0 && try < 10 {
				continue
			}
			return conflict(expect)
		}
		if err != nil {
			return unavailable(err)
		}
		warnings, err := c.missingChannels(channels)
		if err != nil {
			return err
		}
		warnings = append(warnings, deliver.AboutWarnings(channels)...)
		c.Response().Header().Set("ETag", etag(saved))
		status := http.StatusOK
		if saved == 1 {
			status = http.StatusCreated
		}
		return c.JSON(status, ChannelsSaved{
			Saved:    Saved{Document: ChannelsDocument, Version: saved, At: now, By: c.key.Name, Note: note, InEffect: true, Warnings: warnings},
			Channels: redacted(channels).Channels,
		})
	}
}

// missingChannels warns of rules that send to channels that don't exist.
func (c *call) missingChannels(channels []deliver.Channel) ([]string, error) {
	to, err := c.sentTo()
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
func (c *call) channelOfPath() (deliver.Channel, error) {
	name, err := c.pathValue("name")
	if err != nil {
		return deliver.Channel{}, err
	}
	channels, err := c.api.channels(c.Request().Context())
	if err != nil {
		return deliver.Channel{}, err
	}
	i := slices.IndexFunc(channels, func(ch deliver.Channel) bool { return ch.Name == name })
	if i < 0 {
		return deliver.Channel{}, problemf(codeUnknownChannel, "There is no channel %s.", shown([]byte(name)))
	}
	return channels[i], nil
}

// sender returns what sends deliveries.
func (c *call) sender() (Dispatcher, error) {
	if c.api.opt.Dispatcher == nil {
		return nil, problemf(codeUnavailable, "This server does not send deliveries.")
	}
	return c.api.opt.Dispatcher, nil
}

func (c *call) testChannel() error {
	ch, err := c.channelOfPath()
	if err != nil {
		return err
	}
	sender, err := c.sender()
	if err != nil {
		return err
	}
	out, err := sender.Test(c.Request().Context(), ch)
	if err != nil {
		return unavailable(err)
	}
	return c.JSON(http.StatusOK, outcomeView(out))
}

var _ json.Marshaler = deliver.Channel{}
