package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync/atomic"
	"time"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/runner"
	"lintel/engine/store"
)

// allSites lists the sites of the store, by id.
func (a *API) allSites(ctx context.Context) ([]string, error) {
	docs, err := a.store.ListDocuments(ctx, engine.LayoutDocument(""))
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

// viewPatience is how long taking reads waits for a site's state before it goes by the stored layout: what comes in can be taken while a site loads, or is halted.
const viewPatience = 50 * time.Millisecond

// layoutOf returns the layout that the site goes by now.
func (a *API) layoutOf(ctx context.Context, site string) (*layout.Layout, error) {
	s, err := a.runner.Site(ctx, site)
	if err != nil {
		return nil, unavailable(err)
	}
	a.mu.Lock()
	e := a.layouts[site]
	if e == nil {
		e = new(layoutEntry)
		a.layouts[site] = e
	}
	a.mu.Unlock()
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
	d, err := a.store.GetDocument(ctx, engine.LayoutDocument(site), 0)
	if errors.Is(err, store.ErrNotFound) {
		return nil, fmt.Errorf("%w: %q", runner.ErrNoSite, site)
	} else if err != nil {
		return nil, unavailable(err)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
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
func (c *call) view(f func(*engine.State) error) error {
	return c.api.view(c.Request().Context(), c.site, f)
}

func (a *API) view(ctx context.Context, site string, f func(*engine.State) error) error {
	s, err := a.runner.Site(ctx, site)
	if err != nil {
		return unavailable(err)
	}
	var inner error
	err = s.View(ctx, func(st *engine.State) error {
		inner = f(st)
		return nil
	})
	if err != nil && ctx.Err() == nil {
		return problemf(codeUnavailable, "The site is being loaded. Try again.").because(err)
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
	Entries uint64 `json:"entries" jsonschema_description:"Journal entries folded so far."`
	Alerts  int    `json:"alerts" jsonschema_description:"Alerts that are open or acknowledged."`
	Working bool   `json:"working" jsonschema_description:"False while the site is loading or halted; what comes in is taken all the same."`
}

// SiteList is the answer to a listing of sites.
type SiteList struct {
	Sites []SiteView `json:"sites"`
}

func (c *call) listSites() error {
	ctx := c.Request().Context()
	ids, err := c.sites()
	if err != nil {
		return err
	}
	list := SiteList{Sites: []SiteView{}}
	for _, id := range ids {
		v := SiteView{ID: id, Name: id}
		s, err := c.api.runner.Site(ctx, id)
		if err != nil {
			return unavailable(err)
		}
		short, cancel := context.WithTimeout(ctx, viewPatience)
		healthy := s.Err() == nil // not within View, which holds the lock that Err takes
		err = s.View(short, func(st *engine.State) error {
			l := st.Config().Layout
			v.Name, v.Zone, v.Items, v.Entries, v.Working = l.Name, l.TimeZone, st.Len(), st.Seq(), healthy
			for _, a := range st.Alerts() {
				if a.Lead == "" && (a.Status == event.AlertOpen || a.Status == event.AlertAcknowledged) {
					v.Alerts++
				}
			}
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
}

// ReadPointList is the answer to a listing of read points.
type ReadPointList struct {
	ReadPoints []ReadPointView `json:"read_points"`
}

func (c *call) listReadPoints() error {
	list := ReadPointList{ReadPoints: []ReadPointView{}}
	err := c.view(func(st *engine.State) error {
		l := st.Config().Layout
		for _, info := range st.ReadPoints() {
			p := &l.ReadPoints[info.Index]
			v := ReadPointView{ID: p.ID, Name: p.Name, Role: p.Role.String(), Last: moment(info.Last), Silent: info.Silent}
			if p.Zone >= 0 {
				v.Zone = l.Zones[p.Zone].ID
			}
			list.ReadPoints = append(list.ReadPoints, v)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, list)
}
