package alert

import (
	"time"

	"lintel/engine/event"
	"lintel/rules"
)

// calendar answers when rules may raise alerts.
type calendar struct {
	shop    Shop
	opening Opening
	begin   map[string]span // by rule: when its hours begin next
}

// span is a moment at which hours were looked for, and when they begin.
type span struct{ from, next int64 }

// include reports whether the rule may raise an alert at a moment.
func (c *calendar) include(r *rules.Rule, ms int64) bool { return r.InHours(c.shop.Local(ms)) }

// Opening are the opening hours of a site.
type Opening interface {
	// OpenAfter returns the moment at which the site has been open for so long since from.
	OpenAfter(from time.Time, length time.Duration) time.Time
}

// after returns when a length of time that began at from is over; open says that it counts the opening
// hours alone.
func (c *calendar) after(from int64, length time.Duration, open bool) int64 {
	if !open || length == 0 {
		return from + length.Milliseconds()
	}
	return c.opening.OpenAfter(time.UnixMilli(from), length).UnixMilli()
}

// lasting reports whether what the rule asks for goes on until something ends it, like too little
// stock or an item that is not heard, so that it is still worth a notification when the rule's hours
// begin. A passage is of its moment, and so is what a condition about the cause asks for; but that an
// item is not heard, whatever it was that said so, goes on until it is heard.
func lasting(r *rules.Rule, env *rules.Env) bool {
	switch {
	case r.About == event.AboutCount:
		return env.Count.Overdue
	case r.About != event.AboutItem || r.Absent():
		return true
	case r.Passage():
		return false
	case env.Item.Present:
		return !r.Momentary()
	case r.Reads("item.present"):
		return true
	case absence(env.Cause):
		return !r.Momentary() || r.Needs == 0 // several that went one by one did not go together
	}
	return !r.Momentary() && env.Cause != event.Passed.String()
}

// absence reports whether a fact of this kind says that an item is not heard.
func absence(cause string) bool {
	return cause == event.Left.String() || cause == event.Missing.String()
}

// hoursAhead is how far next looks.
const hoursAhead = 8 * 24 * time.Hour

// next returns when the rule's hours begin next, to the minute of the site's time; after
// hoursAhead if they do not begin before. The answer is kept, since what waits for one rule mostly
// waits for the same moment.
func (c *calendar) next(r *rules.Rule, now int64) int64 {
	if h, ok := c.begin[r.Name]; ok && h.from <= now && now < h.next {
		return h.next
	}
	const minute = int64(time.Minute / time.Millisecond)
	at := (now/minute + 1) * minute
	for end := now + hoursAhead.Milliseconds(); at < end && !c.include(r, at); {
		at += minute
	}
	if c.begin == nil {
		c.begin = make(map[string]span)
	}
	c.begin[r.Name] = span{now, at}
	return at
}
