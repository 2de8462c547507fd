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

// Flush gives every record that changed since the last call to write, nil values to delete.
// Deletions come first, since what is remembered of a rule may be dropped and made again between
// two commits.
func (b *Book) Flush(write func(kind, key string, value []byte)) {
	for _, d := range b.deleted {
		write(d.kind, d.key, nil)
	}
	for _, t := range b.dirtyTracks {
		if !t.gone {
			write(event.KindAlert, t.ID, event.AppendAlert(nil, &t.Alert))
		}
	}
	for _, m := range b.dirtyMemories {
		if !m.gone {
			write(event.KindAside, RulePrefix+m.rule, m.append(nil))
		}
	}
	b.Forget()
}

// Dirty returns how many records Flush would write at most.
func (b *Book) Dirty() int { return len(b.deleted) + len(b.dirtyTracks) + len(b.dirtyMemories) }

// Forget drops what Flush would write.
func (b *Book) Forget() {
	for _, t := range b.dirtyTracks {
		t.dirty = false
	}
	for _, m := range b.dirtyMemories {
		m.dirty = false
	}
	b.dirtyTracks, b.dirtyMemories, b.deleted = b.dirtyTracks[:0], b.dirtyMemories[:0], b.deleted[:0]
}

// LoadAlert takes the record of an alert; those that are over for good are left out.
func (b *Book) LoadAlert(value []byte) error {
	a, err := event.DecodeAlert(value)
	switch {
	case err != nil:
		return err
	case int(a.Stage) >= len(stageStates):
		return fmt.Errorf("alert record with stage %d, this Lintel knows stages up to %d", a.Stage, len(stageStates)-1)
	case a.Status == event.AlertClosed || a.Status == event.AlertCleared && a.EndedAt+keepCleared <= b.now:
		return nil
	}
	b.byID[a.ID] = newTrack(a)
	return nil
}

// LoadRule takes the record of what is remembered of a rule.
func (b *Book) LoadRule(rule string, value []byte) error {
	m, err := decodeMemory(rule, value)
	if err == nil {
		b.memories[rule] = m
	}
	return err
}

// Start ends the loading: after it the book is as it was when its records were written.
func (b *Book) Start() {
	for _, t := range b.inOrder() {
		if t.Status != event.AlertCleared && !t.Ended {
			b.follow(t)
		}
		b.retime(t)
		live := t.Status == event.AlertOpen || t.Status == event.AlertAcknowledged
		if live && t.GatherEnds > 0 && t.About != event.AboutStorm { // only the limit brings a storm more
			b.gathering[t.group()] = t
		}
		if t.Stage == event.StageNeeds {
			b.waiting[t.group()] = append(b.waiting[t.group()], t)
		}
	}
	b.Forget()
}
