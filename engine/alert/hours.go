package alert

import (
	"time"

	"lintel/engine/event"
	"lintel/rules"
)

// inHours reports whether the rule may raise an alert at a moment.
func (b *Book) inHours(r *rules.Rule, ms int64) bool { return r.InHours(b.shop.Local(ms)) }

// lasting reports whether what the rule asks for goes on until something ends it, like too little
// stock, so that it is still worth a notification when the rule's hours begin. A passage, or a
// thing that has left, is of its moment.
func lasting(r *rules.Rule, env *rules.Env) bool {
	switch r.About {
	case event.AboutStock, event.AboutReader:
		return true
	case event.AboutItem:
		return env.Item.Present && !r.Momentary()
	}
	return false
}

// hoursAhead is how far nextHours looks.
const hoursAhead = 8 * 24 * time.Hour

// span is a moment at which hours were looked for, and when they begin.
type span struct{ from, next int64 }

// nextHours returns when the rule's hours begin next, to the minute of the site's time; after
// hoursAhead if they do not begin before. The answer is kept, since what waits for one rule mostly
// waits for the same moment.
func (b *Book) nextHours(r *rules.Rule) int64 {
	if h, ok := b.hours[r.Name]; ok && h.from <= b.now && b.now < h.next {
		return h.next
	}
	const minute = int64(time.Minute / time.Millisecond)
	at := (b.now/minute + 1) * minute
	for end := b.now + hoursAhead.Milliseconds(); at < end && !b.inHours(r, at); {
		at += minute
	}
	if b.hours == nil {
		b.hours = make(map[string]span)
	}
	b.hours[r.Name] = span{b.now, at}
	return at
}
