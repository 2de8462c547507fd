package demo

import (
	"sort"
	"sync"
	"time"
)

// clock is the shop's time: it runs speed times as fast as the real clock, and waits at a limit
// that moves on with what was handed to the server. When the limit rises it makes up for a short
// wait at once, since timers are never exact; a long one is forgotten, so that the shop does not
// race after it.
type clock struct {
	speed float64

	mu    sync.Mutex
	base  instant  // where it would be if it never had waited: base.shop at base.real, and on from there
	steps []permit // the last ones, ascending
}

// instant is one moment by both clocks.
type instant struct{ shop, real time.Time }

// permit says that the clock may go as far as the limit, since when, and how it ran then.
type permit struct {
	limit, since time.Time
	base         instant
}

const (
	keptPermits = 8192        // how far back real can look
	makeUp      = time.Second // of real time: a longer wait is forgotten
)

// newClock returns a clock that stands at start.
func newClock(start time.Time, speed float64) *clock {
	base := instant{start, time.Now()}
	return &clock{speed: speed, base: base, steps: []permit{{start, base.real, base}}}
}

func (c *clock) limit() time.Time { return c.steps[len(c.steps)-1].limit }

// wished returns where the clock would be without a limit.
func (c *clock) wished(real time.Time) time.Time {
	return c.base.shop.Add(time.Duration(float64(real.Sub(c.base.real)) * c.speed))
}

// Now returns the shop's time.
func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.wished(time.Now())
	if limit := c.limit(); now.After(limit) {
		return limit
	}
	return now
}

// begin makes the clock run from where it stands.
func (c *clock) begin() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.base = instant{c.limit(), time.Now()}
}

// allow lets the clock run on to the limit.
func (c *clock) allow(limit time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	old, real := c.limit(), time.Now()
	if !limit.After(old) {
		return
	}
	if waited := float64(c.wished(real).Sub(old)) / c.speed; waited > float64(makeUp) {
		c.base = instant{old, real}
	}
	if len(c.steps) == keptPermits {
		c.steps = append(c.steps[:0], c.steps[keptPermits/2:]...)
	}
	c.steps = append(c.steps, permit{limit, real, c.base})
}

// until returns how long in real time the clock takes to a moment that it is allowed to reach.
func (c *clock) until(shop time.Time) time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return time.Duration(float64(shop.Sub(c.wished(time.Now()))) / c.speed)
}

// real returns the real time at which the clock first showed a moment that is past.
func (c *clock) real(shop time.Time) time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	k := sort.Search(len(c.steps), func(k int) bool { return !c.steps[k].limit.Before(shop) })
	p := c.steps[min(k, len(c.steps)-1)]
	at := p.base.real.Add(time.Duration(float64(shop.Sub(p.base.shop)) / c.speed))
	if at.Before(p.since) {
		return p.since
	}
	return at
}
