package alert

import (
	"fmt"

	"lintel/engine/event"
)

// RulePrefix begins the keys of the records, of kind event.KindAside, of what is remembered of
// rules; the rule's name follows.
const RulePrefix = "rule/"

// record names a record.
type record struct{ kind, key string }

// unwritten are the records that changed since they were last written.
type unwritten struct {
	tracks   []*track
	memories []*memory
	deleted  []record
}

// mark notes that the alert's record must be written.
func (u *unwritten) mark(t *track) {
	if !t.dirty {
		t.dirty = true
		u.tracks = append(u.tracks, t)
	}
}

func (u *unwritten) delete(kind, key string) { u.deleted = append(u.deleted, record{kind, key}) }

// Flush gives every record that changed since the last call to write, nil values to delete.
// Deletions come first, since what is remembered of a rule may be dropped and made again between
// two commits.
func (u *unwritten) Flush(write func(kind, key string, value []byte)) {
	for _, d := range u.deleted {
		write(d.kind, d.key, nil)
	}
	for _, t := range u.tracks {
		if !t.gone {
			write(event.KindAlert, t.ID, event.AppendAlert(nil, &t.Alert))
		}
	}
	for _, m := range u.memories {
		if !m.gone {
			write(event.KindAside, RulePrefix+m.rule, m.append(nil))
		}
	}
	u.Forget()
}

// Dirty returns how many records Flush would write at most.
func (u *unwritten) Dirty() int { return len(u.deleted) + len(u.tracks) + len(u.memories) }

// Forget drops what Flush would write.
func (u *unwritten) Forget() {
	for _, t := range u.tracks {
		t.dirty = false
	}
	for _, m := range u.memories {
		m.dirty = false
	}
	u.tracks, u.memories, u.deleted = u.tracks[:0], u.memories[:0], u.deleted[:0]
}

// LoadAlert takes the record of an alert; those that are over for good are left out.
func (b *Book) LoadAlert(value []byte) error {
	a, err := event.DecodeAlert(value)
	switch {
	case err != nil:
		return err
	case int(a.Stage) >= len(stageStates):
		return fmt.Errorf("alert record with stage %d, this Lintel knows stages up to %d", a.Stage, len(stageStates)-1)
	case a.Status == event.AlertClosed && a.ClosedAt+keepOver <= b.now || a.Status == event.AlertCleared && a.EndedAt+keepOver <= b.now:
		return nil
	}
	b.byID[a.ID] = newTrack(a)
	return nil
}

// LoadRule takes the record of what is remembered of a rule.
func (b *Book) LoadRule(rule string, value []byte) error {
	m, err := decodeMemory(rule, value)
	if err == nil {
		b.memories.byRule[rule] = m
	}
	return err
}

// Start ends the loading: after it the book is as it was when its records were written.
func (b *Book) Start() {
	for _, t := range b.inOrder() {
		if !t.Over() && !t.Ended {
			b.following.add(t)
		}
		b.retime(t)
		live := t.Status == event.AlertOpen || t.Status == event.AlertAcknowledged
		if live && t.GatherEnds > 0 && t.About != event.AboutStorm { // only the limit brings a storm more
			b.gathers.begin(t)
		}
		switch t.Stage {
		case event.StageNeeds:
			b.gathers.wait(t)
		case event.StageWithin:
			b.begun.add(t)
		}
	}
	b.Forget()
}
