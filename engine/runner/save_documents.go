package runner

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/store"
)

// ErrNotTold says that documents are stored, but that a site could not be told of them. It takes
// them up when it is loaded next.
var ErrNotTold = errors.New("the documents are stored, but not every site could be notified")

// tellWithin bounds how long telling the sites of documents that are stored already goes on, even
// if whoever stored them is gone.
const tellWithin = 10 * time.Second

// SaveDocuments stores the next versions of several documents, all or none (store.ErrConflict:
// none), and lets them take effect at the sites that they concern: each site learns of all of them
// by one entry, so that it never goes by some of them only. The bodies must have been checked. By
// and note are those of the puts; their time is set here. The error is ErrNotTold if they were
// stored and a site could not be told.
func (r *Runner) SaveDocuments(ctx context.Context, puts []store.DocumentPut, by string) error {
	now := r.opt.Now().UTC().Truncate(time.Millisecond)
	var everywhere []event.Pin
	layouts := make(map[string]event.Pin) // by site
	for i := range puts {
		d := &puts[i].Document
		d.At = now
		if puts[i].Keep {
			continue
		}
		pin := event.Pin{Doc: d.Name, Version: puts[i].Expect + 1}
		site, isLayout := strings.CutPrefix(d.Name, engine.LayoutDocument(""))
		switch {
		case isLayout:
			layouts[site] = pin
		case d.Name == engine.ProductsDocument || d.Name == engine.RulesDocument:
			everywhere = append(everywhere, pin)
		default:
			continue // no site goes by it
		}
		if _, err := ParseDocument(d.Name, d.Body); err != nil {
			return fmt.Errorf("document %s: %w", d.Name, err)
		}
	}
	if err := r.opt.Store.PutDocuments(ctx, puts); err != nil {
		return err
	}
	if len(everywhere)+len(layouts) == 0 {
		return nil
	}
	// What is stored must be told, also if the caller went away meanwhile.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), tellWithin)
	defer cancel()
	if err := r.tell(ctx, layouts, everywhere, by); err != nil {
		return fmt.Errorf("%w: %w", ErrNotTold, err)
	}
	return nil
}

// tell appends to the journal of each site that is concerned what it goes by from now on.
func (r *Runner) tell(ctx context.Context, layouts map[string]event.Pin, everywhere []event.Pin, by string) error {
	sites := make([]string, 0, len(layouts))
	if len(everywhere) == 0 {
		for site := range layouts {
			sites = append(sites, site)
		}
	} else {
		var docs []store.Document
		err := again(ctx, func() (err error) {
			docs, err = r.opt.Store.ListDocuments(ctx, engine.LayoutDocument(""))
			return err
		})
		if err != nil {
			return err
		}
		for _, d := range docs {
			sites = append(sites, strings.TrimPrefix(d.Name, engine.LayoutDocument("")))
		}
	}
	var errs []error
	for _, site := range sites {
		var pins []event.Pin
		if pin, ok := layouts[site]; ok {
			r.open(site)
			pins = append(pins, pin)
		}
		pins = append(pins, everywhere...)
		e := &event.Entry{Kind: event.EntryConfig, At: r.opt.Now().UnixMilli(), By: by, Config: pins}
		once := fmt.Sprint("\x00config ", pins) // no caller's idempotency key begins like this
		if err := again(ctx, func() error { _, err := r.Append(ctx, site, e, once, ""); return err }); err != nil {
			errs = append(errs, fmt.Errorf("site %s: %w", site, err))
		}
	}
	return errors.Join(errs...)
}

// again tries up to four times.
func again(ctx context.Context, f func() error) (err error) {
	for try := range 4 {
		if err = f(); err == nil || ctx.Err() != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(time.Duration(20<<try) * time.Millisecond):
		}
	}
	return err
}
