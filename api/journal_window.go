package api

import (
	"context"
	"errors"
	"time"

	"lintel/engine/event"
	"lintel/engine/store"
)

// Limits on the journal that one request looks at.
const (
	windowLate     = 30 * time.Second // how late batches are still looked at, and how far receipts may be out of order
	maxWindowReads = 5_000_000
)

// errTooManyReads says that a site had more than maxWindowReads reads in the time that was asked
// for.
var errTooManyReads = errors.New("too many reads")

// entriesBetween calls f with the journal's entries that can hold reads from the moment from to the
// moment to, Unix milliseconds, in their order; f may keep nothing of one. An error of f ends it
// and is returned. whole reports whether the journal still has all of them that were received from
// the moment from on. It fails with errTooManyReads.
func (b *backend) entriesBetween(ctx context.Context, site string, from, to int64, f func(*event.Entry) error) (whole bool, err error) {
	_, newest, err := b.store.Cursor(ctx, site)
	if err != nil {
		return false, unavailable(err)
	}
	// The times of entries rise, but for the differences of the clocks of nodes.
	low, high, trimmed := store.Seq(0), newest, false
	var e event.Entry
	for low < high {
		mid := low + (high-low)/2
		got, err := b.store.Read(ctx, site, mid, 1, 0)
		switch {
		case errors.Is(err, store.ErrTrimmed):
			low, trimmed = mid+1, true // every entry that is left comes after all that are gone
			continue
		case err != nil:
			return false, unavailable(err)
		case len(got) == 0:
			high = mid
			continue
		}
		e.Seq = uint64(got[0].Seq)
		// One that can't be read was set aside, or will be: to begin before it costs only time.
		if err := event.DecodeEntry(got[0].Data, &e); err == nil && e.At < from-windowLate.Milliseconds() {
			low, trimmed = mid+1, false
		} else {
			high = mid
		}
	}
	whole = !trimmed
	for reads := 0; low < newest; {
		got, err := b.store.Read(ctx, site, low, 500, 0)
		if err != nil {
			return false, unavailable(err)
		}
		if len(got) == 0 {
			return whole, nil
		}
		for _, g := range got {
			low, e.Seq = g.Seq, uint64(g.Seq)
			if event.DecodeEntry(g.Data, &e) != nil {
				continue
			}
			whole = whole || e.At < from
			if e.At > to+2*windowLate.Milliseconds() {
				return whole, nil
			}
			if reads += len(e.Reads); reads > maxWindowReads {
				return false, errTooManyReads
			}
			if err := f(&e); err != nil {
				return false, err
			}
		}
	}
	return whole, nil
}
