package deliver

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"lintel/engine/store"
)

// KindChannel is the record kind of how a channel fares; the record's key is the channel's name. There is a record only while a channel has been failing for a while, or is
// stopped. Since channels are no site's, the records are kept under a name that no site can have.
const KindChannel store.Kind = "channel"

const channelsSite = "_channels"

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
	return fmt.Sprintf("the channel was stopped on %s, because %s; a test that succeeds, other settings, or starting it by hand starts it again",
		h.Stopped.UTC().Format("2006-01-02 15:04 MST"), because)
}

// health is what a dispatcher knows of a channel. It is guarded by Dispatcher.mu.
type health struct {
	Health
	warned  time.Time // when Warnings last grew
	print   string    // of the channel's settings when it was stopped: others start it again
	stored  bool      // a record is in the store
	dirty   bool      // the store does not have this yet
	savedAt uint64    // Dispatcher.saves when it was last written
}

// healthRecord is a health as it is stored. Times are Unix milliseconds.
type healthRecord struct {
	Version      int       `json:"v"`
	FailingSince int64     `json:"failing_since,omitempty"`
	LastFailure  int64     `json:"last_failure,omitempty"`
	Reason       string    `json:"reason,omitempty"`
	Warnings     int       `json:"warnings,omitempty"`
	Warned       int64     `json:"warned,omitempty"`
	Stopped      int64     `json:"stopped,omitempty"`
	Cause        StopCause `json:"cause,omitempty"`
	Print        string    `json:"print,omitempty"`
}

const healthVersion = 1

func millis(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMilli()
}

func fromMillis(ms int64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(ms)
}

func (h *health) record() []byte {
	b, err := json.Marshal(healthRecord{
		Version: healthVersion, FailingSince: millis(h.FailingSince), LastFailure: millis(h.LastFailure), Reason: h.Reason, Warnings: h.Warnings,
		Warned: millis(h.warned), Stopped: millis(h.Stopped), Cause: h.Cause, Print: h.print,
	})
	if err != nil {
		panic(fmt.Sprintf("deliver: a health does not marshal: %v", err)) // all its parts are strings and numbers
	}
	return b
}

// take replaces what is on record about the channel.
func (h *health) take(r *healthRecord) {
	h.FailingSince, h.Warnings, h.warned = fromMillis(r.FailingSince), r.Warnings, fromMillis(r.Warned)
	h.Stopped, h.Cause, h.print = fromMillis(r.Stopped), r.Cause, r.Print
	if last := fromMillis(r.LastFailure); last.After(h.LastFailure) {
		h.LastFailure, h.Reason = last, r.Reason
	}
	h.stored = true
}

// clear forgets the failing and the stop.
func (h *health) clear() {
	h.FailingSince, h.Reason, h.Warnings, h.warned = time.Time{}, "", 0, time.Time{}
	h.Stopped, h.Cause, h.print = time.Time{}, "", ""
}

// fingerprint tells settings of a channel apart.
func (c *Channel) fingerprint() string {
	b, err := json.Marshal(c.document())
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

// stoppedNow reports whether nothing may be sent to the channel, and why. Settings that changed since it was stopped start it again.
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
	d.opt.Log.Info("a stopped channel is sent to again", "channel", channel, "why", why, "stopped", h.Stopped.UTC(), "cause", string(h.Cause))
	h.clear()
	d.changed(h)
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
		log.Error("the receiver answered 410 Gone: the channel is stopped until a test or a message gets through, its settings change, or somebody starts it")
		d.event(c.Name, EventStoppedGone)
	case due && h.Warnings == failingSteps-1:
		d.stopChannel(c, h, StoppedFailing, now)
		log.Error("the channel is stopped: it had no success for three days. Mend the receiver, start the channel, and have what is dead sent again")
		d.event(c.Name, EventStoppedFailing)
	case due:
		h.Warnings++
		h.warned = now
		d.changed(h)
		log.Warn(fmt.Sprintf("the channel had no success for %d hours; after %d hours it will be stopped", h.Warnings*24, failingSteps*24))
		d.event(c.Name, [...]ChannelEvent{EventFailing1, EventFailing2}[h.Warnings-1])
	case !h.stored && failing >= keepFailing:
		d.changed(h)
	}
}

func (d *Dispatcher) succeeded(channel string, h *health, now time.Time) {
	h.LastSuccess = now
	switch {
	case !h.Stopped.IsZero():
		d.startAgain(channel, h, "a message got through")
	case h.stored || h.dirty:
		h.clear()
		d.changed(h)
	default:
		h.clear()
	}
}

func (d *Dispatcher) stopChannel(c *Channel, h *health, cause StopCause, now time.Time) {
	h.Stopped, h.Cause, h.print = now, cause, c.fingerprint()
	d.changed(h)
}

// changed has the store take up what is known of a channel.
func (d *Dispatcher) changed(h *health) {
	h.dirty = true
	if !d.savingHealth {
		d.savingHealth = true
		d.wg.Add(1)
		go d.saveHealth()
	}
}

// saveHealth writes what changed about channels until nothing is left to write.
func (d *Dispatcher) saveHealth() {
	defer d.wg.Done()
	for {
		var c store.Commit
		var names []string
		d.mu.Lock()
		for _, name := range slices.Sorted(maps.Keys(d.health)) {
			h := d.health[name]
			if !h.dirty {
				continue
			}
			names = append(names, name)
			h.dirty = false
			if h.stored = !h.FailingSince.IsZero() || !h.Stopped.IsZero(); h.stored {
				c.Writes = append(c.Writes, store.Record{Kind: KindChannel, Key: name, Value: h.record()})
			} else {
				c.Deletes = append(c.Deletes, store.RecordKey{Kind: KindChannel, Key: name})
			}
		}
		if len(names) == 0 {
			d.savingHealth = false
			d.mu.Unlock()
			return
		}
		d.mu.Unlock()
		c.Loose = true
		err := d.opt.Store.Commit(d.base, channelsSite, c)
		d.mu.Lock()
		d.saves++
		for _, name := range names {
			d.health[name].savedAt = d.saves
			d.health[name].dirty = d.health[name].dirty || err != nil
		}
		if err != nil && d.base.Err() != nil {
			d.savingHealth = false
			d.mu.Unlock()
			return
		}
		d.mu.Unlock()
		if err != nil {
			d.opt.Log.Error("how channels fare can't be stored; it is tried again", "channels", names, "error", err)
			select {
			case <-d.base.Done():
			case <-time.After(storeRetry):
			}
		}
	}
}

// refreshHealth reads what this process and others have on record about channels. A record that is gone was cleared by another process: a message got through
// there, or somebody started the channel.
func (d *Dispatcher) refreshHealth(ctx context.Context) error {
	d.mu.Lock()
	began := d.saves
	d.mu.Unlock()
	var found map[string]healthRecord
	err := again(ctx, func() error {
		found = make(map[string]healthRecord)
		_, err := d.opt.Store.Records(ctx, channelsSite, KindChannel, nil, func(_ store.Kind, name string, value []byte) error {
			var r healthRecord
			if err := json.Unmarshal(value, &r); err != nil || r.Version != healthVersion {
				d.opt.Log.Error("the record of how a channel fares is damaged or of another version, and is passed over", "channel", name)
				return nil
			}
			found[name] = r
			return nil
		})
		return err
	})
	if err != nil {
		return fmt.Errorf("reading how channels fare: %w", err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.healthKnown = true
	for name, h := range d.health {
		if _, there := found[name]; !there && h.stored && !h.dirty && h.savedAt <= began {
			stopped := !h.Stopped.IsZero()
			h.clear()
			h.stored = false
			if stopped {
				d.pump(d.lane(name))
			}
		}
	}
	for name, r := range found {
		h := d.healthOf(name)
		if h.dirty || h.savedAt > began {
			continue
		}
		h.take(&r)
		if h.LastSuccess.After(h.FailingSince) && h.LastSuccess.After(h.Stopped) && !d.stopping {
			h.clear() // it fails for another process only
			d.changed(h)
		}
	}
	return nil
}

// tendHealth refreshes what is known of channels every now and then, and starts those again whose settings changed.
func (d *Dispatcher) tendHealth() {
	defer d.wg.Done()
	if err := d.refreshHealth(d.base); err != nil && d.base.Err() == nil {
		d.opt.Log.Warn("what is on record about channels can't be read; what was known before holds", "error", err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.tending, d.tendAt = false, time.Now().Add(healthRefresh)
	if d.stopping {
		return
	}
	for name := range d.health {
		if c, known := d.opt.Channels(name); known && !d.health[name].Stopped.IsZero() {
			if _, still := d.stoppedNow(&c); !still {
				d.pump(d.lane(name))
			}
		}
	}
}

// Health returns how channels fare: those that were sent to since the start, and those that any process has on record as failing or stopped.
func (d *Dispatcher) Health(ctx context.Context) (map[string]Health, error) {
	if err := d.refreshHealth(ctx); err != nil {
		return nil, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	all := make(map[string]Health, len(d.health))
	for name, h := range d.health {
		all[name] = h.Health
		if c, known := d.opt.Channels(name); known && !h.Stopped.IsZero() && h.print != c.fingerprint() {
			all[name] = Health{LastSuccess: h.LastSuccess, LastFailure: h.LastFailure} // about to be started again
		}
	}
	return all, nil
}

// StartChannel lets a channel be sent to again that was stopped, and forgets how long it failed. It reports whether the channel was stopped. What failed for
// good meanwhile is not sent again by this (see Recover).
func (d *Dispatcher) StartChannel(ctx context.Context, name string) (bool, error) {
	if err := d.refreshHealth(ctx); err != nil {
		return false, err
	}
	err := d.opt.Store.Commit(ctx, channelsSite, store.Commit{Loose: true, Deletes: []store.RecordKey{{Kind: KindChannel, Key: name}}})
	if err != nil {
		return false, fmt.Errorf("starting channel %s: %w", name, err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.saves++
	h := d.healthOf(name)
	h.savedAt = d.saves
	stopped := !h.Stopped.IsZero()
	if stopped {
		d.opt.Log.Info("a stopped channel is sent to again", "channel", name, "why", "somebody started it", "stopped", h.Stopped.UTC(), "cause", string(h.Cause))
		d.event(name, EventStarted)
	}
	h.clear()
	h.stored = false
	d.pump(d.lane(name))
	return stopped, nil
}
