package store

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"
)

// Copied says what Copy copied.
type Copied struct {
	Sites, Documents, Entries, Records, Facts, Values int
}

// copyChunk is how many records, facts or entries go over in one call.
const copyChunk = 1000

// Copy copies the named sites, all values and all documents from one store to an empty one: every
// version of every document, journals as far as they were kept, records, cursors and facts. Leases
// and idempotency keys of journals stay behind. Nothing may write to either meanwhile: Copy takes
// the leases of the sites in the source, and refuses if another process has one or if a site moved
// on. If it fails, empty the target and start again: the source is never changed but for leases.
func Copy(ctx context.Context, from, to Store, sites []string) (Copied, error) {
	var n Copied
	have, err := to.ListDocuments(ctx, "")
	if err != nil {
		return n, err
	}
	if len(have) > 0 {
		return n, fmt.Errorf("the target is not empty: it holds the document %s", have[0].Name)
	}
	docs, err := from.ListDocuments(ctx, "")
	if err != nil {
		return n, err
	}
	release, err := holdSites(ctx, from, sites)
	defer release()
	if err != nil {
		return n, err
	}
	ends := make(map[string][2]Seq, len(sites))
	for _, site := range sites {
		cursor, newest, err := from.Cursor(ctx, site)
		if err == nil {
			err = copySite(ctx, from, to, site, cursor, newest, &n)
		}
		if err != nil {
			return n, fmt.Errorf("site %s: %w", site, err)
		}
		ends[site] = [2]Seq{cursor, newest}
		n.Sites++
	}
	if err := copyValues(ctx, from, to, &n); err != nil {
		return n, err
	}
	for _, site := range sites {
		cursor, newest, err := from.Cursor(ctx, site)
		if err != nil {
			return n, err
		}
		if ends[site] != [2]Seq{cursor, newest} {
			return n, fmt.Errorf("site %s: somebody wrote to the source while it was copied: stop every process that uses it, "+
				"empty the target, and start again", site)
		}
	}
	// Documents last: a target that has them is a whole one.
	for _, d := range docs {
		versions, err := from.DocumentVersions(ctx, d.Name)
		if err != nil {
			return n, fmt.Errorf("document %s: %w", d.Name, err)
		}
		slices.SortFunc(versions, func(a, b Document) int { return a.Version - b.Version })
		for _, v := range versions {
			whole, err := from.GetDocument(ctx, v.Name, v.Version)
			if err != nil {
				return n, fmt.Errorf("document %s version %d: %w", v.Name, v.Version, err)
			}
			if _, err := PutDocument(ctx, to, whole, whole.Version-1); err != nil {
				return n, fmt.Errorf("document %s version %d: %w", v.Name, v.Version, err)
			}
			n.Documents++
		}
	}
	return n, nil
}

// How long Copy holds a site without renewing that, and how long it waits for a lease of a process
// that ended without giving it up.
const (
	copyLease    = time.Minute
	copyPatience = 6 * time.Second
)

// holdSites takes the leases of the sites and keeps them until release is called.
func holdSites(ctx context.Context, from Store, sites []string) (release func(), err error) {
	owner := "copy-" + rand.Text()
	lease := func(ctx context.Context, ttl time.Duration) (site string, err error) {
		for _, site := range sites {
			held, err := from.Lease(ctx, site, owner, ttl)
			if err != nil || !held && ttl > 0 {
				return site, err
			}
		}
		return "", nil
	}
	renewing, stop := context.WithCancel(ctx)
	var wg sync.WaitGroup
	release = func() {
		stop()
		wg.Wait()
		_, _ = lease(context.WithoutCancel(ctx), 0) // they run out otherwise
	}
	for end := time.Now().Add(copyPatience); ; {
		site, err := lease(ctx, copyLease)
		switch {
		case err != nil:
			return release, fmt.Errorf("site %s: %w", site, err)
		case site == "":
			wg.Go(func() {
				tick := time.NewTicker(copyLease / 4)
				defer tick.Stop()
				for {
					select {
					case <-renewing.Done():
						return
					case <-tick.C:
						_, _ = lease(renewing, copyLease) // that nobody wrote is seen at the end
					}
				}
			})
			return release, nil
		case time.Now().After(end):
			return release, fmt.Errorf("site %s is worked by a server that runs: stop every process that uses the source first", site)
		}
		select {
		case <-ctx.Done():
			return release, ctx.Err()
		case <-time.After(200 * time.Millisecond):
		}
	}
}

func copyValues(ctx context.Context, from, to Values, n *Copied) error {
	var all []Value
	if err := from.Values(ctx, "", nil, func(v Value) error {
		v.Data = append([]byte{}, v.Data...)
		v.Revision = 0
		all = append(all, v)
		return nil
	}); err != nil {
		return err
	}
	for _, v := range all {
		if _, err := to.SetValues(ctx, v); err != nil {
			return fmt.Errorf("value %q of kind %s: %w", v.Key, v.Kind, err)
		}
		n.Values++
	}
	return nil
}

// copySite copies a site whose cursor and newest entry are known.
func copySite(ctx context.Context, from, to Store, site string, cursor, newest Seq, n *Copied) error {
	if c, e, err := to.Cursor(ctx, site); err != nil || c != 0 || e != 0 {
		return errors.Join(err, errors.New("the target has this site already"))
	}
	first, err := oldestKept(ctx, from, site, newest)
	if err != nil {
		return err
	}
	if first > 0 {
		if err := to.StartJournal(ctx, site, first); err != nil {
			return err
		}
	}
	for after := first; after < newest; {
		entries, err := from.Read(ctx, site, after, copyChunk, 0)
		if err != nil {
			return err
		}
		if len(entries) == 0 {
			return fmt.Errorf("the journal ends at %d, not at %d", after, newest)
		}
		batch := make([]NewEntry, len(entries))
		for i, e := range entries {
			batch[i].Data = e.Data
		}
		if _, err := to.Append(ctx, site, batch...); err != nil {
			return err
		}
		after = entries[len(entries)-1].Seq
		n.Entries += len(entries)
	}
	c := Commit{Loose: true}
	flush := func() error {
		if len(c.Writes)+len(c.Facts) == 0 {
			return nil
		}
		err := to.Commit(ctx, site, c)
		c = Commit{Loose: true}
		return err
	}
	var all []Record
	if _, err := from.Records(ctx, site, "", nil, func(kind Kind, key string, value []byte) error {
		all = append(all, Record{Kind: kind, Key: key, Value: slices.Clone(value)})
		return nil
	}); err != nil {
		return err
	}
	for chunk := range slices.Chunk(all, copyChunk) {
		c.Writes = chunk
		if err := flush(); err != nil {
			return err
		}
		n.Records += len(chunk)
	}
	if err := from.Facts(ctx, site, FactID{}, FactID{}, 0, func(id FactID, data []byte) error {
		c.Facts = append(c.Facts, Fact{ID: id, Data: slices.Clone(data)})
		n.Facts++
		if len(c.Facts) < copyChunk {
			return nil
		}
		return flush()
	}); err != nil {
		return err
	}
	if err := flush(); err != nil {
		return err
	}
	if cursor == 0 {
		return nil
	}
	return to.Commit(ctx, site, Commit{Expect: 0, Next: cursor})
}

// oldestKept returns the number before the oldest entry that the journal still has, by halving.
func oldestKept(ctx context.Context, st Journal, site string, newest Seq) (Seq, error) {
	low, high := Seq(0), newest
	for low < high {
		mid := low + (high-low)/2
		switch _, err := st.Read(ctx, site, mid, 1, 0); {
		case errors.Is(err, ErrTrimmed):
			low = mid + 1
		case err != nil:
			return 0, err
		default:
			high = mid
		}
	}
	return low, nil
}
