package deliver

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"lintel/engine/event"
)

// The types of notices: messages about a channel, to other channels whose document says so
// (Channel.AboutChannels).
const (
	TypeFailing     = "channel.failing"      // no success for 24 hours, for 48
	TypeStopped     = "channel.stopped"      // nothing is sent any more
	TypeStarted     = "channel.started"      // a stopped channel is sent to again
	TypeDeadLetters = "channel.dead_letters" // deliveries were given up after all their tries
)

const (
	deadEvery       = time.Hour        // between two notices of dead letters to one channel
	deadGather      = 10 * time.Second // that those wait that died together, to be told of together
	maxNoticeReason = 300              // bytes of a reason that a notice quotes
)

// noticeEvent names what a notice tells, within its id.
type noticeEvent string

const (
	noticeFailing1 noticeEvent = "failing-24h"
	noticeFailing2 noticeEvent = "failing-48h"
	noticeStopped  noticeEvent = "stopped"
	noticeStarted  noticeEvent = "started"
	noticeDead     noticeEvent = "dead-letters"
)

// notice is something to tell of a channel.
type notice struct {
	event   noticeEvent
	channel string
	at      time.Time
	moment  int64        // on record, which with channel and event makes the id: Unix milliseconds
	record  healthRecord // what is on record with it; of noticeStarted and noticeDead: what was before
	why     string       // of noticeStarted: what started it
}

// NoticeData is what a notice carries as its data. Times are RFC 3339 in UTC.
type NoticeData struct {
	Channel  string `json:"channel,omitempty"` // that it is about; not of TypeEntryAside
	Say      string `json:"say"`               // what happened, in a sentence or two
	Severity string `json:"severity"`          // info, warning or urgent

	FailingSince   string    `json:"failing_since,omitempty"`
	FailingHours   int       `json:"failing_hours,omitempty"`
	StoppedAt      string    `json:"stopped_at,omitempty"`
	StoppedBecause StopCause `json:"stopped_because,omitempty"`
	Reason         string    `json:"reason,omitempty"` // of the last failure, in our own words

	DeadLetters int    `json:"dead_letters,omitempty"` // how many, since the notice before
	First       string `json:"first,omitempty"`        // when what the oldest of them tells of happened
	Last        string `json:"last,omitempty"`

	Site     string `json:"site,omitempty"`     // of TypeEntryAside: where the entry is missing
	Sequence uint64 `json:"sequence,omitempty"` // and its number

	Fix []string `json:"fix"` // what to do, in order
}

func (n *notice) eventType() string {
	switch n.event {
	case noticeStopped:
		return TypeStopped
	case noticeStarted:
		return TypeStarted
	case noticeDead:
		return TypeDeadLetters
	}
	return TypeFailing
}

// delivery makes the notice for one receiver. The id depends on channel, event, moment and receiver
// alone. An underscore stands between them, since no name of a channel has one.
func (n *notice) delivery(to string, order int, data json.RawMessage) event.Delivery {
	return event.Delivery{
		ID:      fmt.Sprintf("msg_%s-%s_%s_%d_%s", Notices, n.channel, n.event, n.moment, to),
		Channel: to, Type: n.eventType(), Alert: n.channel, Order: order, At: n.at.UnixMilli(), Data: data,
	}
}

func (n *notice) data() json.RawMessage {
	b, err := json.Marshal(n.content())
	if err != nil {
		panic(fmt.Sprintf("deliver: a notice does not marshal: %v", err)) // all its parts are strings and numbers
	}
	return b
}

// content puts the notice into words. Reasons are our own words about a failure; they hold no
// secret and nothing that the receiver wrote.
func (n *notice) content() NoticeData {
	r := &n.record
	path := "/v1/channels/" + n.channel
	d := NoticeData{Channel: n.channel, FailingSince: moment(r.FailingSince), Reason: clipReason(r.Reason)}
	fix := "Fix the receiver, or the channel's address, secrets or headers (PUT /v1/channels)."
	recoverSince := func(since int64) string {
		return fmt.Sprintf(`Send again what died: POST %s/recover with {"since": %q}.`, path, moment(since))
	}
	switch n.event {
	case noticeFailing1, noticeFailing2:
		d.Severity = "warning"
		d.FailingHours = int(n.at.Sub(fromMillis(r.FailingSince)) / time.Hour)
		d.Say = fmt.Sprintf("The channel %s has had no success for %d hours, since %s: %s. If that goes on, it "+
			"will be stopped, and nothing will be sent to it.",
			n.channel, d.FailingHours, forPeople(r.FailingSince), d.Reason)
		d.Fix = []string{fix, fmt.Sprintf("Try it: POST %s/test. A test that gets through ends the failing.", path)}
	case noticeStopped:
		d.Severity = "urgent"
		d.StoppedAt, d.StoppedBecause = moment(r.Stopped), r.Cause
		because := "the receiver answered 410 Gone"
		if r.Cause == StoppedFailing {
			because = fmt.Sprintf("it had no success since %s: %s", forPeople(r.FailingSince), d.Reason)
		}
		d.Say = fmt.Sprintf("The channel %s was stopped, because %s. Nothing is sent to it; what is due for it "+
			"waits, and becomes a dead letter if it waits too long.", n.channel, because)
		d.Fix = []string{
			fix, fmt.Sprintf("Start it: POST %s/test, which starts it if the test gets through, or POST %s/start.",
				path, path), recoverSince(r.FailingSince),
		}
	case noticeStarted:
		d.Severity = "info"
		d.StoppedAt, d.StoppedBecause, d.Reason = moment(r.Stopped), r.Cause, ""
		d.Say = fmt.Sprintf("The channel %s is sent to again: %s. It was stopped on %s.", n.channel, n.why, forPeople(r.Stopped))
		d.Fix = []string{recoverSince(r.FailingSince)}
	case noticeDead:
		d.Severity = "warning"
		d.FailingSince = ""
		d.DeadLetters, d.First, d.Last, d.Reason = r.Dead.Count, moment(r.Dead.First), moment(r.Dead.Last), clipReason(r.Dead.Reason)
		what := fmt.Sprintf("%d deliveries to the channel %s were given up; they are dead letters now.", d.DeadLetters, n.channel)
		if d.DeadLetters == 1 {
			what = fmt.Sprintf("A delivery to the channel %s was given up; it is a dead letter now.", n.channel)
		}
		d.Say = fmt.Sprintf("%s The last reason: %s.", what, d.Reason)
		d.Fix = []string{
			fmt.Sprintf("See them: GET /v1/deliveries?status=dead&channel=%s.", n.channel), fix,
			fmt.Sprintf("Try it: POST %s/test.", path), recoverSince(r.Dead.First),
		}
	}
	return d
}

func moment(ms int64) string {
	if ms == 0 {
		return ""
	}
	return timestamp(ms)
}

func forPeople(ms int64) string { return time.UnixMilli(ms).UTC().Format("2006-01-02 15:04 MST") }

func clipReason(s string) string {
	if len(s) > maxNoticeReason {
		s = strings.ToValidUTF8(s[:maxNoticeReason], "") + "..."
	}
	return strings.TrimSuffix(s, ".")
}

// audience knows who is notified about channels.
type audience struct {
	channels func(name string) (Channel, bool)
	about    func() []string // nil: nobody
}

// notices makes the deliveries of what is to be told, for all channels that want to be told of it.
// No channel is told of itself. Their orders follow each other and begin after the given one.
func (a audience) notices(list []*notice, order int) []event.Delivery {
	var all []event.Delivery
	for _, n := range list {
		var data json.RawMessage
		for _, to := range a.toldAbout(n.channel, n.eventType()) {
			if data == nil {
				data = n.data()
			}
			order++
			all = append(all, n.delivery(to, order, data))
		}
	}
	return all
}

// toldAbout lists who is told of a channel by a type of notices.
func (a audience) toldAbout(channel, eventType string) []string {
	if a.about == nil {
		return nil
	}
	var names []string
	for _, name := range a.about() {
		if c, known := a.channels(name); known && name != channel && c.AboutChannels && c.Wants(eventType) {
			names = append(names, name)
		}
	}
	return names
}

// died takes note of deliveries that became dead letters. That a notice of dead letters died is not
// told, or two channels could keep telling each other.
func (d *Dispatcher) died(site string, batch []*entry) {
	d.mu.Lock()
	defer d.mu.Unlock()
	all := make(map[string]deaths)
	now := time.Now()
	for _, e := range batch {
		m := &e.result
		if !e.written || !validName(m.Channel) || m.Status != event.DeliveryDead || e.was != event.DeliveryPending ||
			e.out.Class == Gone || site == Notices && m.Type == TypeDeadLetters {
			continue
		}
		sum := all[m.Channel]
		sum.add(deaths{Count: 1, First: m.At, Last: m.At, Reason: m.Reason, Since: millis(now)})
		all[m.Channel] = sum
	}
	for channel, sum := range all {
		if len(d.toldAbout(channel, TypeDeadLetters)) > 0 {
			d.deadSteps++
			d.step(channel, d.healthOf(channel), step{kind: stepDead, at: now, dead: sum, number: d.deadSteps})
		}
	}
}

// AboutWarnings says what keeps people from being told of channels that fail, although the document
// means them to be told.
func AboutWarnings(channels []Channel) []string {
	var warnings []string
	var told []string
	for i := range channels {
		c := &channels[i]
		if !c.AboutChannels {
			continue
		}
		switch {
		case c.Disabled:
			warnings = append(warnings, fmt.Sprintf("the channel %q has \"about_channels\", but it is disabled, so "+
				"nothing is sent to it", c.Name))
			continue
		case !c.Wants(TypeFailing) && !c.Wants(TypeStopped) && !c.Wants(TypeStarted) && !c.Wants(TypeDeadLetters) && !c.Wants(TypeEntryAside):
			warnings = append(warnings, fmt.Sprintf("the channel %q has \"about_channels\", but its \"types\" "+
				"leave out all messages about channels; add \"channel\" to them", c.Name))
			continue
		}
		told = append(told, c.Name)
	}
	if len(told) == 1 {
		warnings = append(warnings, fmt.Sprintf("nobody is notified when the channel %q itself fails or is stopped: no "+
			"other channel has \"about_channels\"; give it to a second one", told[0]))
	}
	return warnings
}
