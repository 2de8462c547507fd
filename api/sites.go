package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/runner"
	"lintel/engine/store"
)

// siteRoutes are the routes about sites and their read points.
type siteRoutes struct{ *backend }

func (h siteRoutes) table() []kit.Route {
	return []kit.Route{
		{
			Method: "GET", Path: "/v1/sites", Name: "listSites", Group: "Questions", Summary: "List the sites that the key is for",
			Scopes: places, Params: []kit.Param{paramSite}, Answers: []kit.Answer{kit.OK("The sites.", SiteList{})},
			Codes: []kit.Code{kit.CodeUnknownSite, kit.CodeMissingSite}, Handle: h.listSites,
		}, {
			Method: "GET", Path: "/v1/sites/{site}/read-points", Name: "listReadPoints", Group: "Questions",
			Summary: "List read points and how they are doing",
			Scopes:  operate, Answers: []kit.Answer{kit.OK("The read points, in the layout's order.", ReadPointList{})},
			Handle: h.listReadPoints,
		},
	}
}

// allSites lists the sites of the store, by id.
func (b *backend) allSites(ctx context.Context) ([]string, error) {
	docs, err := b.store.ListDocuments(ctx, engine.LayoutDocument(""))
	if err != nil {
		return nil, unavailable(err)
	}
	ids := make([]string, 0, len(docs))
	for _, d := range docs {
		ids = append(ids, strings.TrimPrefix(d.Name, engine.LayoutDocument("")))
	}
	return ids, nil
}

// layoutEntry is the last layout of a site that was seen.
type layoutEntry struct {
	layout  atomic.Pointer[layout.Layout]
	version int // of the document, where it was read from the store; guarded by API.mu
}

// viewPatience is how long taking reads waits for a site's state before it goes by the stored
// layout: what comes in can be taken while a site loads, or is halted.
const viewPatience = 50 * time.Millisecond

// layoutOf returns the layout that the site goes by now.
func (b *backend) layoutOf(ctx context.Context, site string) (*layout.Layout, error) {
	s, err := b.runner.Site(ctx, site)
	if err != nil {
		return nil, unavailable(err)
	}
	b.mu.Lock()
	e := b.layouts[site]
	if e == nil {
		e = new(layoutEntry)
		b.layouts[site] = e
	}
	b.mu.Unlock()
	viewCtx, cancel := context.WithTimeout(ctx, viewPatience)
	defer cancel()
	var lay *layout.Layout
	err = s.View(viewCtx, func(st *engine.State) error {
		lay = st.Config().Layout
		return nil
	})
	if err == nil && len(lay.ReadPoints)+len(lay.Zones) > 0 {
		e.layout.Store(lay)
		return lay, nil
	}
	if lay := e.layout.Load(); lay != nil && err != nil {
		return lay, nil
	}
	// The site is loading for the first time, or has not folded its first layout yet.
	d, err := b.store.GetDocument(ctx, engine.LayoutDocument(site), 0)
	if errors.Is(err, store.ErrNotFound) {
		return nil, fmt.Errorf("%w: %q", runner.ErrNoSite, site)
	} else if err != nil {
		return nil, unavailable(err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if lay := e.layout.Load(); lay != nil && e.version == d.Version {
		return lay, nil
	}
	lay, err = layout.Parse(d.Body)
	if err != nil {
		return nil, err
	}
	e.version = d.Version
	e.layout.Store(lay)
	return lay, nil
}

// view calls f with the state of the site of the path, which f may only read.
func (b *backend) view(c *kit.Call, f func(*engine.State) error) error {
	return b.viewSite(c.Ctx(), c.Site, f)
}

func (b *backend) viewSite(ctx context.Context, site string, f func(*engine.State) error) error {
	s, err := b.runner.Site(ctx, site)
	if err != nil {
		return unavailable(err)
	}
	var inner error
	err = s.View(ctx, func(st *engine.State) error {
		inner = f(st)
		return nil
	})
	if err != nil && ctx.Err() == nil {
		return kit.Problemf(kit.CodeUnavailable, "The site is being loaded. Try again.").Because(err)
	} else if err != nil {
		return err
	}
	return inner
}

// SiteView is a site in the list of sites.
type SiteView struct {
	ID      string `json:"id"`
	Name    string `json:"name"`
	Zone    string `json:"time_zone"`
	Items   int    `json:"items" jsonschema_description:"Items that the site knows of, those that were sold or sent away included."`
	Entries uint64 `json:"sequence" jsonschema_description:"Number of the newest journal entry that was processed."`
	Alerts  int    `json:"alerts" jsonschema_description:"Alerts that are open or acknowledged."`
	Working bool   `json:"working" jsonschema_description:"False while the site is loading or halted; what comes in is taken all the same."`
}

// SiteList is the answer to a listing of sites.
type SiteList struct {
	Sites []SiteView `json:"sites"`
}

func (h siteRoutes) listSites(c *kit.Call) error {
	ctx := c.Ctx()
	ids, err := h.sites(c)
	if err != nil {
		return err
	}
	list := SiteList{Sites: []SiteView{}}
	for _, id := range ids {
		v := SiteView{ID: id, Name: id}
		s, err := h.runner.Site(ctx, id)
		if err != nil {
			return unavailable(err)
		}
		short, cancel := context.WithTimeout(ctx, viewPatience)
		healthy := s.Err() == nil // not within View, which holds the lock that Err takes
		err = s.View(short, func(st *engine.State) error {
			l := st.Config().Layout
			v.Name, v.Zone, v.Items, v.Entries, v.Working = l.Name, l.TimeZone, st.Len(), st.Seq(), healthy
			v.Alerts = st.CountAlerts()
			return nil
		})
		cancel()
		if err != nil && ctx.Err() != nil {
			return ctx.Err()
		} // a site that is loading is listed as not working
		list.Sites = append(list.Sites, v)
	}
	return c.JSON(http.StatusOK, list)
}

// ReadPointView is how a read point is doing.
type ReadPointView struct {
	ID     string     `json:"id"`
	Name   string     `json:"name"`
	Role   string     `json:"role"`
	Zone   string     `json:"zone,omitempty"`
	Last   *time.Time `json:"last_report,omitempty" jsonschema_description:"When it last reported; left out if it never did."`
	Silent bool       `json:"silent" jsonschema_description:"It has said nothing for longer than its silent_after."`

	Warnings []string `json:"warnings,omitempty" jsonschema_description:"What the reader does that keeps its door from being sure of a passage in time, and how to fix it."`
}

// ReadPointList is the answer to a listing of read points.
type ReadPointList struct {
	ReadPoints []ReadPointView `json:"read_points"`
}

func (h siteRoutes) listReadPoints(c *kit.Call) error {
	list := ReadPointList{ReadPoints: []ReadPointView{}}
	err := h.view(c, func(st *engine.State) error {
		l := st.Config().Layout
		for _, info := range st.ReadPoints() {
			p := &l.ReadPoints[info.Index]
			v := ReadPointView{ID: p.ID, Name: p.Name, Role: p.Role.String(), Last: moment(info.Last),
				Silent: info.Silent, Warnings: info.Warnings}
			if p.Zone >= 0 {
				v.Zone = l.Zones[p.Zone].ID
			}
			list.ReadPoints = append(list.ReadPoints, v)
		}
		return nil
	})
	return c.Answer(list, err)
}

// checkZoneParam refuses a parameter "zone" that is no zone of the site; "": it was not given.
func checkZoneParam(lay *layout.Layout, zone string) error {
	if _, ok := lay.ZoneIndex(zone); zone != "" && !ok {
		return kit.BadParam("zone", "%s", noZone(lay, zone))
	}
	return nil
}

// sites lists the sites that the caller may see, in order. With the parameter "site", just that
// one.
func (b *backend) sites(c *kit.Call) ([]string, error) {
	if site := c.QueryParam("site"); site != "" {
		if !c.Key.ForSite(site) {
			return nil, kit.Problemf(kit.CodeMissingSite, "%s is not for the site %q.", c.Key.Who(), site).With("site", site)
		}
		if !kit.ValidSite(site) {
			return nil, kit.Problemf(kit.CodeUnknownSite, "There is no such site.")
		}
		if _, err := b.runner.Site(c.Ctx(), site); err != nil {
			return nil, unavailable(err)
		}
		return []string{site}, nil
	}
	all, err := b.allSites(c.Ctx())
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(all, func(id string) bool { return !c.Key.ForSite(id) }), nil
}

// listing calls fn with encoded values until it returns an error. fn must not keep value.
type listing func(fn func(value []byte) error) error

// records lists records of a site: those with the ids, or all of the kind for none.
func (b *backend) records(ctx context.Context, site string, kind store.Kind, ids ...string) listing {
	return func(fn func([]byte) error) error {
		_, err := b.store.Records(ctx, site, kind, ids, func(_ store.Kind, _ string, v []byte) error { return fn(v) })
		return err
	}
}

// values lists what belongs to no site, as records does.
func (b *backend) values(ctx context.Context, kind store.Kind, ids ...string) listing {
	return func(fn func([]byte) error) error {
		return b.store.Values(ctx, kind, ids, func(v store.Value) error { return fn(v.Data) })
	}
}

// record returns what is listed last, nil if nothing is.
func record[T any](list listing, decode func([]byte) (T, error)) (*T, error) {
	var found *T
	err := list(func(v []byte) error {
		one, err := decode(v)
		found = &one
		return err
	})
	return found, unavailable(err)
}

// scan calls f with everything that is listed, as it is read. A listing that a commit broke off
// begins anew: begin, which is called first, too, must drop what f was given before. It reads the
// store, not the site's state, so that a site at work does not wait for it.
func scan[T any](list listing, decode func([]byte) (T, error), begin func(), f func(*T)) error {
	for try := 0; ; try++ {
		begin()
		err := list(func(v []byte) error {
			one, err := decode(v)
			if err == nil {
				f(&one)
			}
			return err
		})
		if !errors.Is(err, store.ErrConflict) || try == 10 {
			return err
		}
	}
}

// eachFact calls f with the facts of a site in a range, oldest first, at most limit of them if it
// is not 0, until f returns an error; errEnough ends the listing without one. f must not keep the
// fact.
func (b *backend) eachFact(ctx context.Context, site string, from, to store.FactID, limit int,
	f func(store.FactID, *event.Fact) error) error {
	err := b.store.Facts(ctx, site, from, to, limit, func(id store.FactID, data []byte) error {
		var one event.Fact
		if err := event.DecodeFact(data, id.Ms, id.N, &one); err != nil {
			return fmt.Errorf("fact %d-%d: %w", id.Ms, id.N, err)
		}
		return f(id, &one)
	})
	if errors.Is(err, errEnough) {
		return nil
	}
	return unavailable(err)
}

// fromJSON decodes a record that is kept as JSON.
func fromJSON[T any](b []byte) (v T, err error) { return v, json.Unmarshal(b, &v) }

// done is an entry that a person made, and what came of it.
type done struct {
	seq      uint64
	folded   bool                 // in time
	changes  []engine.AlertChange // once it is folded
	complete bool                 // changes are all
}

// carryOut puts an entry into the journal of a site and waits a little for its fold.
func (b *backend) carryOut(ctx context.Context, siteID string, e *event.Entry) (done, error) {
	site, err := b.runner.Site(ctx, siteID)
	if err != nil {
		return done{}, unavailable(err)
	}
	sub := site.Subscribe(1024)
	defer sub.Close()
	res, err := b.runner.Append(ctx, siteID, e, "", "")
	if err != nil {
		return done{}, unavailable(err)
	}
	d := done{seq: uint64(res.Seq)}
	wait, cancel := context.WithTimeout(ctx, b.foldPatience)
	defer cancel()
	if _, d.changes, d.complete, err = sub.Await(wait, d.seq); err != nil {
		return d, ctx.Err() // nil unless the caller is gone: it is in the journal and will be folded
	}
	d.folded = true
	return d, nil
}
