package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
)

// Copied says what Copy copied.
type Copied struct {
	Sites, Documents, Entries, Records, Facts, Values int
}

// copyChunk is how many records, facts or entries go over in one call.
const copyChunk = 1000

// Copy copies the named sites, all values and all documents from one store to an empty one: every
// version of every document, journals as far as they were kept, records, cursors and facts. Nothing
// may write to either meanwhile. Leases and idempotency keys of journals stay behind. If it fails,
// empty the target and start again: the source is never changed.
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
	for _, site := range sites {
		if err := copySite(ctx, from, to, site, &n); err != nil {
			return n, fmt.Errorf("site %s: %w", site, err)
		}
		n.Sites++
	}
	if err := copyValues(ctx, from, to, &n); err != nil {
		return n, err
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

func copySite(ctx context.Context, from, to Store, site string, n *Copied) error {
	cursor, newest, err := from.Cursor(ctx, site)
	if err != nil {
		return err
	}
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
