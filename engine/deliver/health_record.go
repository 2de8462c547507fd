package deliver

import (
	"encoding/json"
	"fmt"
	"time"
)

// healthRecord is a health as it is stored. Times are Unix milliseconds. The zero value is that of
// a channel of which nothing is on record.
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

	Dead     *deaths `json:"dead,omitempty"`      // those that nobody was told of yet
	DeadTold int64   `json:"dead_told,omitempty"` // when somebody was last told of others
	// by process: the number of the last step that was counted, so that none counts twice
	DeadFrom map[string]uint64 `json:"dead_from,omitempty"`
}

// deaths are deliveries that became dead letters.
type deaths struct {
	Count  int    `json:"count"`
	First  int64  `json:"first"` // when what the oldest of them tells of happened
	Last   int64  `json:"last"`
	Reason string `json:"reason"` // of the last one
	Since  int64  `json:"since"`  // when the first of them became one
}

func (d *deaths) add(more deaths) {
	if d.Count == 0 {
		*d = more
		return
	}
	d.Count += more.Count
	d.First, d.Last, d.Reason, d.Since = min(d.First, more.First), max(d.Last, more.Last), more.Reason, min(d.Since, more.Since)
}

const (
	healthVersion = 1
	maxDeadFrom   = 32 // processes that are remembered; more than ever sent within one hour
)

// ails reports whether the channel fails or is stopped.
func (r *healthRecord) ails() bool { return r.FailingSince != 0 || r.Stopped != 0 }

// empty reports whether there is nothing to keep.
func (r *healthRecord) empty() bool { return !r.ails() && r.Dead == nil && r.DeadTold == 0 }

// tellable reports whether dead letters are due to be told of. Those that follow the first at once
// are told of with it.
func (r *healthRecord) tellable(now time.Time) bool {
	return r.Dead != nil && !now.Before(fromMillis(r.DeadTold).Add(deadEvery)) && !now.Before(fromMillis(r.Dead.Since).Add(deadGather))
}

// over reports whether all that is on record is that somebody was told of dead letters, long enough
// ago.
func (r *healthRecord) over(now time.Time) bool {
	return r.Dead == nil && r.DeadTold != 0 && !now.Before(fromMillis(r.DeadTold).Add(deadEvery))
}

func (r *healthRecord) encode() []byte {
	r.Version = healthVersion
	b, err := json.Marshal(r)
	if err != nil {
		panic(fmt.Sprintf("deliver: a health does not marshal: %v", err)) // all its parts are strings and numbers
	}
	return b
}

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

// take replaces what is known about the channel by what is on record: that it ails.
func (h *health) take(r *healthRecord) {
	h.FailingSince, h.Warnings, h.warned = fromMillis(r.FailingSince), r.Warnings, fromMillis(r.Warned)
	h.Stopped, h.Cause, h.print = fromMillis(r.Stopped), r.Cause, r.Print
	if last := fromMillis(r.LastFailure); last.After(h.LastFailure) {
		h.LastFailure, h.Reason = last, r.Reason
	}
	h.stored = true
}

// stepKind is what a step does.
type stepKind uint8

const (
	stepFailing stepKind = iota // it has been failing for a while
	stepWarned                  // for a day, or two
	stepStopped
	stepCleared // it works, or is started again
	stepDead    // deliveries became dead letters
	stepTell    // dead letters are told of, if they are due
)

// step is one change of a health. It is applied to what the store has then, in one commit with the
// notice that comes of it, so that each event is told once whichever process saw it, and however
// often: a step that another process, or a commit whose reply was lost, has taken before changes
// nothing.
type step struct {
	kind     stepKind
	at       time.Time
	since    time.Time // of failing
	reason   string    // of the last failure; of stepCleared: what started it
	warnings int
	cause    StopCause
	print    string
	dead     deaths
	number   uint64 // of stepDead: grows within a process
	tried    bool   // a commit with it was tried
}

// apply changes the record of a channel and returns what is to be told of that, if anything.
func (s *step) apply(channel, process string, r *healthRecord) *notice {
	switch s.kind {
	case stepFailing:
		r.fails(s)
	case stepWarned:
		r.fails(s)
		if r.Stopped != 0 || r.Warnings >= s.warnings {
			return nil
		}
		r.Warnings, r.Warned = s.warnings, millis(s.at)
		return &notice{event: [...]noticeEvent{noticeFailing1, noticeFailing2}[s.warnings-1], channel: channel,
			at: s.at, moment: r.FailingSince, record: *r}
	case stepStopped:
		r.fails(s)
		if r.Stopped != 0 && (s.cause != StoppedGone || r.Print == s.print) {
			return nil
		}
		r.Stopped, r.Cause, r.Print = millis(s.at), s.cause, s.print
		return &notice{event: noticeStopped, channel: channel, at: s.at, moment: r.Stopped, record: *r}
	case stepCleared:
		if r.Stopped == 0 && r.FailingSince > millis(s.at) {
			return nil // it failed again since
		}
		was := *r
		*r = healthRecord{Dead: r.Dead, DeadTold: r.DeadTold, DeadFrom: r.DeadFrom}
		if was.Stopped != 0 {
			return &notice{event: noticeStarted, channel: channel, at: s.at, moment: was.Stopped, record: was, why: s.reason}
		}
	case stepDead:
		if r.DeadFrom[process] >= s.number {
			return nil
		}
		if r.DeadFrom == nil || len(r.DeadFrom) >= maxDeadFrom {
			r.DeadFrom = make(map[string]uint64)
		}
		r.DeadFrom[process] = s.number
		if r.Dead == nil {
			r.Dead = new(deaths)
		}
		r.Dead.add(s.dead)
	case stepTell:
		switch {
		case r.tellable(s.at):
			n := &notice{event: noticeDead, channel: channel, at: s.at, moment: millis(s.at), record: *r}
			r.Dead, r.DeadTold = nil, millis(s.at)
			return n
		case r.over(s.at):
			r.DeadTold, r.DeadFrom = 0, nil
		}
	}
	return nil
}

// fails takes note that the channel fails; since when, is what the store knew first.
func (r *healthRecord) fails(s *step) {
	if r.FailingSince == 0 {
		r.FailingSince = millis(s.since)
	}
	if at := millis(s.at); at >= r.LastFailure {
		r.LastFailure, r.Reason = at, s.reason
	}
}
