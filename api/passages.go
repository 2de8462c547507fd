package api

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"slices"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/passages"
	"lintel/engine/store"
	"lintel/rules/doc"
)

var (
	codeUnknownFact = kit.Code{Name: "unknown_fact", Status: 404, Meaning: "There is no such fact, or it is too old."}
	codeNoPassage   = kit.Code{Name: "no_passage", Status: 404, Meaning: "The fact is no passage, or its reads are " +
		"no longer in the journal."}
)

// passageRoutes are the routes about passages.
type passageRoutes struct{ *backend }

func (h passageRoutes) table() []kit.Route {
	return []kit.Route{{
		Method: "GET", Path: "/v1/sites/{site}/facts/{id}/passage", Name: "getPassage", Group: "Questions",
		Summary: "Get what a door heard of a passage, to label it and to judge it again",
		About: "For a fact of cause passed: the layout in force, what was known of the item before, and the " +
			"journal entries from 3 minutes before it to 20 seconds after, with the reads of the door and, of what " +
			"it heard, those of other read points. " +
			"The reads must still be in the journal. Within 20 seconds after the fact the end is not yet there. " +
			"`lintel passages` gets many, and `lintel truth --passages` compares what is concluded of them with their labels.",
		Scopes: operate, Long: true, Params: []kit.Param{
			kit.Enum("label", "What really happened. Left out: out or stayed where an alert of this fact about the "+
				"item was closed as genuine or false, else nothing.", append(passages.Labels(), "")...),
		},
		Answers: []kit.Answer{kit.OK("The passage.", passages.Passage{})}, Codes: []kit.Code{codeUnknownFact,
			codeNoPassage}, Handle: h.getPassage,
	}}
}

func (h passageRoutes) getPassage(c *kit.Call) error {
	text := c.PathParam("id")
	label := c.QueryParam("label")
	if label != "" && !slices.Contains(passages.Labels(), label) {
		return kit.BadParam("label", "%s is no label%s", kit.Shown([]byte(label)), doc.OrDidYouMean(label, passages.Labels()))
	}
	ctx := c.Ctx()
	if _, err := h.runner.Site(ctx, c.Site); err != nil {
		return unavailable(err)
	}
	f, err := h.factByID(c, text)
	if err != nil {
		return err
	}
	rec, err := h.recordPassage(c, f)
	if err != nil {
		return err
	}
	if !c.QueryParams().Has("label") {
		if label, err = h.passageLabel(c, f); err != nil {
			return err
		}
	}
	return c.JSON(http.StatusOK, rec.Passage(label))
}

// factByID finds a fact of the site.
func (h passageRoutes) factByID(c *kit.Call, text string) (*event.Fact, error) {
	var found *event.Fact
	if id, ok := parseFactID(text); ok {
		err := h.eachFact(c.Ctx(), c.Site, id, store.FactID{Ms: id.Ms, N: id.N + 1}, 1, func(_ store.FactID, f *event.Fact) error {
			found = f
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	if found == nil {
		return nil, kit.Problemf(codeUnknownFact, "The site %q has no fact %s, or it is too old.", c.Site, kit.Shown([]byte(text)))
	}
	return found, nil
}

// recordPassage makes the document of a passage from the journal and the facts of its time.
func (h passageRoutes) recordPassage(c *kit.Call, f *event.Fact) (*passages.Recorder, error) {
	ctx := c.Ctx()
	lay, doc, err := h.layoutAt(c, ctx, f.Ms)
	if err != nil {
		return nil, err
	}
	rec, err := passages.NewRecorder(lay, doc, f)
	if err != nil {
		return nil, kit.Problemf(codeNoPassage, "%s.", sentence(err.Error()))
	}
	from, to := rec.Window()
	// Twice, since what else the door heard is known only at the end.
	_, err = h.entriesBetween(ctx, c.Site, f.At-passages.Around.Milliseconds(), to, func(e *event.Entry) error {
		rec.Listen(e)
		return nil
	})
	whole := false
	if err == nil {
		whole, err = h.entriesBetween(ctx, c.Site, from, to, rec.Add)
	}
	switch {
	case errors.Is(err, passages.ErrTooMany), errors.Is(err, errTooManyReads):
		return nil, kit.Problemf(codeNoPassage, "The readers reported more around the fact %s than a document holds.", f.ID())
	case err != nil:
		return nil, err
	case !whole || len(rec.Passage("").Entries) == 0:
		return nil, kit.Problemf(codeNoPassage, "The reads of the fact %s, from %s before it on, are no longer in "+
			"the journal. Get passages sooner, or keep the journal for longer (--journal-keep).", f.ID(), passages.Before)
	}
	window := store.FactID{Ms: max(from, 0), N: 1}
	err = h.eachFact(ctx, c.Site, window, store.FactID{Ms: to + 1}, scanLimit, func(_ store.FactID, other *event.Fact) error {
		rec.Fact(other)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return rec, h.view(c, func(st *engine.State) error {
		rec.Unknown(func(k epc.Key) {
			if it, ok := st.Item(k); ok {
				rec.Item(&it)
			}
		})
		rec.Learnt(st)
		return nil
	})
}

// layoutAt returns the layout that was in force at a moment, Unix milliseconds, and its text.
func (h passageRoutes) layoutAt(c *kit.Call, ctx context.Context, ms int64) (*layout.Layout, []byte, error) {
	name := engine.LayoutDocument(c.Site)
	versions, err := h.store.DocumentVersions(ctx, name)
	if err != nil {
		return nil, nil, unavailable(err)
	}
	version := 0
	for _, v := range versions { // newest first
		if version = v.Version; v.At.UnixMilli() <= ms {
			break
		}
	}
	d, err := h.store.GetDocument(ctx, name, version)
	if err != nil {
		return nil, nil, unavailable(err)
	}
	lay, err := layout.Parse(d.Body)
	return lay, d.Body, err
}

// passageLabel says what people said of the alert that the fact raised about its item.
func (h passageRoutes) passageLabel(c *kit.Call, f *event.Fact) (label string, err error) {
	err = h.scanAlerts(c.Ctx(), c.Site, func() { label = "" }, func(al *event.Alert) {
		if al.About != "item" || al.Key != f.Key || al.FactMs != f.Ms || al.FactN != f.N {
			return
		}
		switch al.Outcome {
		case "genuine":
			label = passages.Out
		case "false":
			label = cmp.Or(label, passages.Stayed)
		}
	})
	if err != nil {
		return "", unavailable(err)
	}
	return label, nil
}
