package deliver

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"

	"lintel/engine/store"
)

// The kinds of values that the store keeps of channels.
const (
	// KindChannel is the kind of the health of channels; the key is the channel's name. There is a
	// value only while a channel has been failing for a while, is stopped, or had dead letters of
	// which people were notified within the hour, or have yet to be.
	KindChannel store.Kind = "channel"
	// KindNotice is the kind of the notices about channels, deliveries of the queue Notices by
	// their id.
	KindNotice store.Kind = "notice"
	// kindOrder is the kind of one value, keyOrder, which changes together with every health: the
	// order of the last notice, as a decimal number.
	kindOrder store.Kind = "order"
)

const keyOrder = "notices"

// Notices is the name of the queue of notices about channels, which stands where deliveries of a
// site have the site's name. No site can have it. It is part of the ids of notices.
const Notices = "_channels"

const (
	failingStep   = 24 * time.Hour   // without any success: a warning, another, and then the channel is stopped
	failingSteps  = 3                //
	failingGap    = failingStep / 2  // between two steps at least, so that a channel of few messages is warned of in time too
	keepFailing   = 10 * time.Minute // of failing, before it is worth a record
	healthRefresh = 10 * time.Second // how soon other nodes know
)

// StopCause says why a channel was stopped.
type StopCause string

// The causes of a stop.
const (
	StoppedGone    StopCause = "gone"    // the receiver answered 410 Gone
	StoppedFailing StopCause = "failing" // there was no success for three days
)

// ChannelEvent is what happened to a channel.
type ChannelEvent string

// The events of a channel.
const (
	EventFailing1       ChannelEvent = "failing_24h" // without any success
	EventFailing2       ChannelEvent = "failing_48h"
	EventStoppedGone    ChannelEvent = "stopped_gone"
	EventStoppedFailing ChannelEvent = "stopped_failing"
	EventStarted        ChannelEvent = "started" // a stopped channel is sent to again
)

// Health is how a channel fares.
type Health struct {
	FailingSince time.Time // the first failure since the last success; zero: it does not fail
	LastSuccess  time.Time // zero: none since this process started
	LastFailure  time.Time // zero: none since this process started, and none on record
	Reason       string    // of the last failure, or "" after a success; never holds a secret
	Warnings     int       // how often it was warned of the failing: 0, 1, 2
	Stopped      time.Time // since when nothing is sent; zero: it is sent to
	Cause        StopCause // of the stop
}

// why says why a channel is stopped and what starts it again.
func (h Health) why() string {
	because := "the receiver answered 410 Gone"
	if h.Cause == StoppedFailing {
		because = "it had no success for three days"
	}
	return fmt.Sprintf("the channel was stopped on %s, because %s; a test that succeeds, other settings, or "+
		"starting it by hand starts it again",
		h.Stopped.UTC().Format("2006-01-02 15:04 MST"), because)
}

// health is what a dispatcher knows of a channel. It is guarded by Dispatcher.mu.
type health struct {
	Health
	warned  time.Time // when Warnings last grew
	print   string    // of the channel's settings when it was stopped: others start it again
	stored  bool      // it is in the store that the channel fails or is stopped, or one of steps says so
	steps   []step    // what the store does not have yet, in order
	savedAt uint64    // Dispatcher.saves when it was last written
}

// clear forgets the failing and the stop.
func (h *health) clear() {
	h.FailingSince, h.Reason, h.Warnings, h.warned = time.Time{}, "", 0, time.Time{}
	h.Stopped, h.Cause, h.print = time.Time{}, "", ""
}

// fingerprint tells settings of a channel apart that its receiver can notice.
func (c *Channel) fingerprint() string {
	doc := c.document()
	doc.AboutChannels = false
	b, err := json.Marshal(doc)
	if err != nil {
		return "" // a template that does not marshal, which no parsed channel has
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:16])
}

func (d *Dispatcher) healthOf(channel string) *health {
	h := d.health[channel]
	if h == nil {
		h = new(health)
		d.health[channel] = h
	}
	return h
}

// stoppedNow reports whether nothing may be sent to the channel, and why. Settings that changed
// since it was stopped start it again.
func (d *Dispatcher) stoppedNow(c *Channel) (Health, bool) {
	h := d.health[c.Name]
	if h == nil || h.Stopped.IsZero() {
		return Health{}, false
	}
	if h.print != c.fingerprint() {
		d.startAgain(c.Name, h, "its settings were changed")
		return Health{}, false
	}
	return h.Health, true
}

// startAgain lets a stopped channel be sent to.
func (d *Dispatcher) startAgain(channel string, h *health, why string) {
	d.opt.Log.Info("a stopped channel is sent to again", "channel", channel, "why", why, "stopped", h.Stopped.UTC(),
		"cause", string(h.Cause))
	h.clear()
	d.step(channel, h, step{kind: stepCleared, at: time.Now(), reason: why})
	d.event(channel, EventStarted)
}

func (d *Dispatcher) event(channel string, e ChannelEvent) {
	if d.opt.Observe.Channel != nil {
		d.opt.Observe.Channel(channel, e)
	}
}

// fared takes note of how a try went.
func (d *Dispatcher) fared(c *Channel, out Outcome) {
	now := time.Now()
	h := d.healthOf(c.Name)
	if out.OK() {
		d.succeeded(c.Name, h, now)
		return
	}
	h.LastFailure, h.Reason = now, out.Reason
	if h.FailingSince.IsZero() {
		h.FailingSince = now
	}
	failing := now.Sub(h.FailingSince)
	log := d.opt.Log.With("channel", c.Name, "failing_since", h.FailingSince.UTC(), "reason", out.Reason)
	switch due := failing >= time.Duration(h.Warnings+1)*failingStep && now.Sub(h.warned) >= failingGap; {
	case !h.Stopped.IsZero() && (out.Class != Gone || h.print == c.fingerprint()):
		// It was sent by hand; it stays stopped.
	case out.Class == Gone:
		d.stopChannel(c, h, StoppedGone, now)
		log.Error("the receiver answered 410 Gone: the channel is stopped until a test or a message gets through, " +
			"its settings change, or somebody starts it")
		d.event(c.Name, EventStoppedGone)
	case due && h.Warnings == failingSteps-1:
		d.stopChannel(c, h, StoppedFailing, now)
		log.Error("the channel is stopped: it had no success for three days. Mend the receiver, start the channel, " +
			"and have what is dead sent again")
		d.event(c.Name, EventStoppedFailing)
	case due:
		h.Warnings++
		h.warned = now
		d.step(c.Name, h, step{kind: stepWarned, at: now, since: h.FailingSince, reason: out.Reason, warnings: h.Warnings})
		log.Warn(fmt.Sprintf("the channel had no success for %d hours; after %d hours it will be stopped", h.Warnings*24, failingSteps*24))
		d.event(c.Name, [...]ChannelEvent{EventFailing1, EventFailing2}[h.Warnings-1])
	case !h.stored && failing >= keepFailing:
		d.step(c.Name, h, step{kind: stepFailing, at: now, since: h.FailingSince, reason: out.Reason})
	}
}

func (d *Dispatcher) succeeded(channel string, h *health, now time.Time) {
	h.LastSuccess = now
	switch {
	case !h.Stopped.IsZero():
		d.startAgain(channel, h, "a message got through")
	case h.stored:
		h.clear()
		d.step(channel, h, step{kind: stepCleared, at: now, reason: "a message got through"})
	default:
		h.clear()
	}
}

func (d *Dispatcher) stopChannel(c *Channel, h *health, cause StopCause, now time.Time) {
	h.Stopped, h.Cause, h.print = now, cause, c.fingerprint()
	d.step(c.Name, h, step{kind: stepStopped, at: now, since: h.FailingSince, reason: h.Reason, cause: cause, print: h.print})
}
