package runner

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/store"
)

// load builds the state of a site as of its cursor: the records, and then evidence from the tail of
// the journal. It returns the entries that were set aside beside it, without what they hold.
func load(ctx context.Context, st Store, docs *documents, site string) (*engine.Machine, map[uint64]*event.SetAside, error) {
	for try := 0; ; try++ {
		aside := make(map[uint64]*event.SetAside)
		s, err := loadOnce(ctx, st, docs, site, aside)
		// Another worker may commit while we read: the records of two moments don't fit together.
		if errors.Is(err, store.ErrConflict) && try < 20 && ctx.Err() == nil {
			continue
		}
		return s, aside, err
	}
}

func loadOnce(ctx context.Context, st Store, docs *documents, site string, aside map[uint64]*event.SetAside) (*engine.Machine, error) {
	names := make(map[uint16]string)
	var meta []byte
	// The names must be known before the items, and an engine yields kinds in no order: so two
	// listings of one cut.
	cursor, err := st.Records(ctx, site, event.KindName, nil, func(_ store.Kind, key string, v []byte) error {
		if len(key) != 2 {
			return fmt.Errorf("name record with key %x", key)
		}
		names[binary.BigEndian.Uint16([]byte(key))] = string(v)
		return nil
	})
	if err != nil {
		return nil, err
	}
	metaCursor, err := st.Records(ctx, site, event.KindMeta, []string{event.KindMeta}, func(_ store.Kind, _ string, v []byte) error {
		meta = append([]byte(nil), v...)
		return nil
	})
	if err != nil {
		return nil, err
	}
	if metaCursor != cursor {
		return nil, store.ErrConflict
	}
	if meta == nil {
		if cursor != 0 {
			return nil, fmt.Errorf("site %s has folded entries but no meta record: the store is damaged; restore it from a backup", site)
		}
		return engine.NewMachine(site, docs.empty(site)), nil
	}
	m, err := engine.DecodeMeta(meta)
	if err != nil {
		return nil, err
	}
	cfg, err := docs.configWith(ctx, site, docs.empty(site), m.Pins)
	if err != nil {
		return nil, err
	}
	l, err := engine.NewLoader(site, cfg, m, names)
	if err != nil {
		return nil, err
	}
	for _, kind := range engine.StateKinds {
		c, err := st.Records(ctx, site, store.Kind(kind), nil, func(k store.Kind, key string, v []byte) error {
			return l.Record(string(k), key, v)
		})
		if err != nil {
			return nil, err
		}
		if c != cursor {
			return nil, store.ErrConflict
		}
	}
	c, err := st.Records(ctx, site, event.KindSetAside, nil, func(_ store.Kind, key string, v []byte) error {
		a, err := event.DecodeSetAside(key, v)
		if err == nil {
			a.Data = nil
			aside[a.Seq] = a
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	if c != cursor {
		return nil, store.ErrConflict
	}
	if err := replay(ctx, st, site, l, aside); err != nil {
		return nil, err
	}
	return l.Machine(), nil
}

// replay feeds the tail of the journal to the loader. What was trimmed away is older than evidence
// reaches, and what was set aside says nothing.
func replay(ctx context.Context, st store.Journal, site string, l *engine.Loader, aside map[uint64]*event.SetAside) error {
	after, last := l.From()
	var e event.Entry
	for after < last {
		entries, err := st.Read(ctx, site, store.Seq(after), 256, 0)
		if err != nil {
			return err
		}
		if len(entries) == 0 {
			return fmt.Errorf("the journal ends at %d before the cursor %d: the store is damaged; restore it from a backup", after, last)
		}
		for _, raw := range entries {
			if uint64(raw.Seq) > last {
				return nil
			}
			after, e.Seq = uint64(raw.Seq), uint64(raw.Seq)
			if aside[after] != nil {
				continue
			}
			if err := event.DecodeEntry(raw.Data, &e); err != nil {
				return err
			}
			l.Replay(&e)
		}
	}
	return nil
}
