package deliver

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"lintel/engine/event"
	"lintel/engine/store"
)

// archive reads and writes the deliveries that are on record.
type archive struct {
	store Store
	log   *slog.Logger
}

// records calls fn with deliveries of the site, or of Notices: those with the ids, or all for nil.
func (a *archive) records(ctx context.Context, site string, ids []string, fn func(m *event.Delivery)) error {
	return Stored(ctx, a.store, site, ids, func(id string, value []byte) error {
		m, err := event.DecodeDelivery(value)
		if err != nil {
			a.log.Error("the record of a delivery is damaged and is passed over", "site", site, "delivery", id, "error", err)
			return nil
		}
		fn(&m)
		return nil
	})
}

// Stored calls fn with encoded deliveries of a site, or of Notices: those with the ids, or all for
// nil. Its errors are those of store.Records; fn must not keep value.
func Stored(ctx context.Context, st Stores, site string, ids []string, fn func(id string, value []byte) error) error {
	if site == Notices {
		return st.Values(ctx, KindNotice, ids, func(v store.Value) error { return fn(v.Key, v.Data) })
	}
	_, err := st.Records(ctx, site, event.KindDelivery, ids, func(_ store.Kind, id string, value []byte) error {
		return fn(id, value)
	})
	return err
}

// Stores is where deliveries are stored.
type Stores interface {
	store.Records
	store.Values
}

// write stores a loose commit of deliveries of the site, or of Notices.
func (a *archive) write(ctx context.Context, site string, c store.Commit) error {
	if site != Notices {
		return a.store.Commit(ctx, site, c)
	}
	changes := make([]store.Value, 0, len(c.Deletes)+len(c.Writes))
	for _, k := range c.Deletes {
		changes = append(changes, noticeValue(k.Key, nil))
	}
	for _, r := range c.Writes {
		changes = append(changes, noticeValue(r.Key, r.Value))
	}
	_, err := a.store.SetValues(ctx, changes...)
	return err
}

func noticeValue(id string, data []byte) store.Value {
	return store.Value{Kind: KindNotice, Key: id, Data: data, Revision: store.AnyRevision}
}

// again repeats a reading that met a commit.
func again(ctx context.Context, read func() error) error {
	const tries = 10
	for try := 1; ; try++ {
		err := read()
		if !errors.Is(err, store.ErrConflict) || try == tries {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Duration(try) * 10 * time.Millisecond):
		}
	}
}

func (a *archive) read(ctx context.Context, site, id string) (*event.Delivery, error) {
	var rec *event.Delivery
	err := again(ctx, func() error {
		rec = nil
		return a.records(ctx, site, []string{id}, func(m *event.Delivery) { rec = m })
	})
	if err != nil {
		return nil, err
	}
	if rec == nil {
		return nil, fmt.Errorf("delivery %s of site %s: %w", id, site, store.ErrNotFound)
	}
	return rec, nil
}

// deadLetter is as much of a dead delivery as choosing the oldest takes.
type deadLetter struct {
	site, id string
	at       int64
	order    int
}

// deadOf lists the oldest dead deliveries of a range, one more than are queued at once if there are
// so many.
func (a *archive) deadOf(ctx context.Context, sites []string, channel string, since, until int64) ([]deadLetter, error) {
	var all []deadLetter
	cut := func() {
		slices.SortFunc(all, func(x, y deadLetter) int {
			return cmp.Or(cmp.Compare(x.at, y.at), cmp.Compare(x.site, y.site), cmp.Compare(x.order, y.order), cmp.Compare(x.id, y.id))
		})
		all = all[:min(len(all), MaxRecover+1)]
	}
	for _, site := range sites {
		had := slices.Clone(all)
		err := again(ctx, func() error {
			all = append(all[:0], had...)
			return a.records(ctx, site, nil, func(m *event.Delivery) {
				if m.Status != event.DeliveryDead || m.Channel != channel || m.At < since || m.At >= until {
					return
				}
				if all = append(all, deadLetter{site, m.ID, m.At, m.Order}); len(all) >= 4*MaxRecover {
					cut()
				}
			})
		})
		if err != nil {
			return nil, fmt.Errorf("looking for dead deliveries of site %s: %w", site, err)
		}
		cut()
	}
	return all, nil
}
