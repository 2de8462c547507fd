package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"

	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/passages"
	"lintel/engine/store"
	"lintel/rules/doc"
)

func passageRoutes() []route {
	return []route{{
		method: "GET", path: "/v1/sites/{site}/facts/{id}/passage", name: "getPassage", group: "Questions", summary: "Get what a door heard of a passage, to label it and to judge it again",
		about: "For a fact of cause passed: the layout in force, what was known of the item before, and the journal entries from 3 minutes before it to 20 seconds after, with the reads of the door and, of what it heard, those of other read points. " +
			"The reads must still be in the journal. Within 20 seconds after the fact the end is not yet there. `lintel passages` gets many, and `lintel truth --passages` compares what is concluded of them with their labels.",
		scopes: operate, long: true, params: []param{
			enumParam("label", "What really happened. Left out: out or stayed where an alert of this fact about the item was closed as genuine or false, else nothing.", append(passages.Labels(), "")...),
		},
		answers: []answer{ok("The passage.", passages.Passage{})}, codes: []Code{codeUnknownFact, codeNoPassage}, handle: (*call).getPassage,
	}}
}

func (c *call) getPassage() error {
	text, err := c.pathValue("id")
	if err != nil {
		return err
	}
	label := c.QueryParam("label")
	if label != "" && !slices.Contains(passages.Labels(), label) {
		return badParam("label", "%s is no label%s", shown([]byte(label)), doc.OrDidYouMean(label, passages.Labels()))
	}
	ctx := c.Request().Context()
	if _, err := c.api.runner.Site(ctx, c.site); err != nil {
		return unavailable(err)
	}
	f, err := c.factByID(text)
	if err != nil {
		return err
	}
	rec, err := c.recordPassage(f)
	if err != nil {
		return err
	}
	if !c.QueryParams().Has("label") {
		if label, err = c.passageLabel(f); err != nil {
			return err
		}
	}
	return c.JSON(http.StatusOK, rec.Passage(label))
}

// factByID finds a fact of the site.
func (c *call) factByID(text string) (*event.Fact, error) {
	var found *event.Fact
	if id, ok := parseFactID(text); ok {
		err := c.api.store.Facts(c.Request().Context(), c.site, id, store.FactID{Ms: id.Ms, N: id.N + 1}, 1, func(id store.FactID, data []byte) error {
			found = new(event.Fact)
			return event.DecodeFact(data, id.Ms, id.N, found)
		})
		if err != nil {
			return nil, unavailable(err)
		}
	}
	if found == nil {
		return nil, problemf(codeUnknownFact, "The site %q has no fact %s, or it is too old.", c.site, shown([]byte(text)))
	}
	return found, nil
}

// recordPassage makes the document of a passage from the journal and the facts of its time.
func (c *call) recordPassage(f *event.Fact) (*passages.Recorder, error) {
	ctx := c.Request().Context()
	lay, doc, err := c.layoutAt(ctx, f.Ms)
	if err != nil {
		return nil, err
	}
	rec, err := passages.NewRecorder(lay, doc, f)
	if err != nil {
		return nil, problemf(codeNoPassage, "%s.", sentence(err.Error()))
	}
	from, to := rec.Window()
	// Twice, since what else the door heard is known only at the end.
	_, err = c.api.entriesBetween(ctx, c.site, f.At-passages.Around.Milliseconds(), to, func(e *event.Entry) error {
		rec.Listen(e)
		return nil
	})
	whole := false
	if err == nil {
		whole, err = c.api.entriesBetween(ctx, c.site, from, to, rec.Add)
	}
	switch {
	case errors.Is(err, passages.ErrTooMany), errors.Is(err, errTooManyReads):
		return nil, problemf(codeNoPassage, "The readers reported more around the fact %s than a document holds.", f.ID())
	case err != nil:
		return nil, err
	case !whole || len(rec.Passage("").Entries) == 0:
		return nil, problemf(codeNoPassage, "The reads of the fact %s, from %s before it on, are no longer in the journal. Get passages sooner, or keep the journal for longer (--journal-keep).", f.ID(), passages.Before)
	}
	err = c.api.store.Facts(ctx, c.site, store.FactID{Ms: max(from, 0), N: 1}, store.FactID{Ms: to + 1}, scanLimit, func(id store.FactID, data []byte) error {
		var other event.Fact
		if err := event.DecodeFact(data, id.Ms, id.N, &other); err != nil {
			return err
		}
		rec.Fact(&other)
		return nil
	})
	if err != nil {
		return nil, unavailable(err)
	}
	return rec, c.view(func(st *engine.State) error {
		rec.Unknown(func(k epc.Key) {
			if it, ok := st.Item(k); ok {
				rec.Item(&it)
			}
		})
		return nil
	})
}

// layoutAt returns the layout that was in force at a moment, Unix milliseconds, and its text.
func (c *call) layoutAt(ctx context.Context, ms int64) (*layout.Layout, []byte, error) {
	name := engine.LayoutDocument(c.site)
	versions, err := c.api.store.DocumentVersions(ctx, name)
	if err != nil {
		return nil, nil, unavailable(err)
	}
	version := 0
	for _, v := range versions { // newest first
		if version = v.Version; v.At.UnixMilli() <= ms {
			break
		}
	}
	d, err := c.api.store.GetDocument(ctx, name, version)
	if err != nil {
		return nil, nil, unavailable(err)
	}
	lay, err := layout.Parse(d.Body)
	return lay, d.Body, err
}

// passageLabel says what people said of the alert that the fact raised about its item.
func (c *call) passageLabel(f *event.Fact) (label string, err error) {
	const some = 200
	for first, found := 1, true; found && label == ""; first += some {
		found = false
		keys := make([]string, some) // an alert's id has the entry that raised it and its number there
		for k := range keys {
			keys[k] = fmt.Sprintf("%s-%d-%d", c.site, f.Seq, first+k)
		}
		_, err := c.api.store.Records(c.Request().Context(), c.site, event.KindAlert, keys, func(_ store.Kind, _ string, v []byte) error {
			al, err := event.DecodeAlert(v)
			found = true
			if err == nil && al.About == "item" && al.Key == f.Key && al.FactMs == f.Ms && al.FactN == f.N {
				switch al.Outcome {
				case "genuine":
					label = passages.Out
				case "false":
					label = passages.Stayed
				}
			}
			return err
		})
		if err != nil {
			return "", unavailable(err)
		}
	}
	return label, nil
}
