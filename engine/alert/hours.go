package alert

import (
	"time"

	"lintel/engine/event"
	"lintel/rules"
)

// calendar answers when rules may raise alerts.
type calendar struct {
	shop  Shop
	begin map[string]span // by rule: when its hours begin next
}

// span is a moment at which hours were looked for, and when they begin.
type span struct{ from, next int64 }

// include reports whether the rule may raise an alert at a moment.
func (c *calendar) include(r *rules.Rule, ms int64) bool { return r.InHours(c.shop.Local(ms)) }

// lasting reports whether what the rule asks for goes on until something ends it, like too little
// stock or an item that is not heard, so that it is still worth a notification when the rule's hours
// begin. A passage is of its moment, and so is what a condition about the cause asks for.
func lasting(r *rules.Rule, env *rules.Env) bool {
	switch r.About {
	case event.AboutStock, event.AboutReader, event.AboutZone:
		return true
	case event.AboutCount:
		return env.Count.Overdue
	case event.AboutItem:
		return !r.Momentary() && env.Cause != event.Passed.String()
	}
	return false
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
