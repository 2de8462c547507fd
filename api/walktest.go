package api

import (
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/layout"
	"lintel/engine/walktest"
	"lintel/rules/hours"
)

var (
	codeUnknownZone = kit.Code{Name: "unknown_zone", Status: 404, Meaning: "The site's layout has no such zone."}
)

// WalkTestRequest says which tags were carried, when, and where to.
type WalkTestRequest struct {
	Tags  []string      `json:"tags" jsonschema:"minItems=1,maxItems=100" jsonschema_description:"Identities of the tags that were carried in every walk, in any form."`
	Walks []WalkRequest `json:"walks" jsonschema:"minItems=1,maxItems=200" jsonschema_description:"In their order, one at a time, within 15 minutes."`
	Store bool          `json:"store,omitempty" jsonschema_description:"Whether to store the proposed min_rssi and sure_within as the next version of the site's layout."`
}

// WalkRequest is one walk.
type WalkRequest struct {
	From time.Time `json:"from" jsonschema_description:"When it began. The clocks of whoever writes this down, of the readers and of the server should agree to a second."`
	To   time.Time `json:"to"`
	What string    `json:"what" jsonschema:"enum=out,enum=in,enum=along,enum=still" jsonschema_description:"out and in: through the door. along: past it, inside. still: left where goods lie near the door."`
}

// WalkTestAnswer is what the test found.
type WalkTestAnswer struct {
	walktest.Result
	Stored *LayoutSaved `json:"stored,omitempty" jsonschema_description:"With store: the version of the layout that has what is proposed; left out if nothing is proposed."`
}

// doorRoutes are the routes about doors.
type doorRoutes struct{ documents }

func (h doorRoutes) table() []kit.Route {
	return []kit.Route{{
		Method: "POST", Path: "/v1/sites/{site}/doors/{zone}/walktest", Name: "walkTest", Group: "Documents",
		Summary: "Judge a door by walks whose truth is known",
		About: "Somebody carries known tags out and in through the door, along it, and leaves them near it. From " +
			"the reads of that time, which must still be in the journal, the answer says how often and how " +
			"strongly each side heard each tag, how far the sides part, which other goods the door heard, and " +
			"proposes a floor, power and a time to be sure. `lintel walk-test` asks for the walks one by one.",
		Scopes: []string{kit.ScopeAuthor}, Keyed: true, Long: true, Params: []kit.Param{paramNote}, Body: kit.JSON(WalkTestRequest{}),
		Answers: []kit.Answer{kit.OK("What was found.", WalkTestAnswer{})}, Codes: []kit.Code{codeUnknownZone,
			codeInvalidIdentity, kit.CodeVersionMismatch}, Handle: h.walkTest,
	}}
}

func (h doorRoutes) walkTest(c *kit.Call) error {
	zone := c.PathParam("zone")
	var req WalkTestRequest
	if err := c.DecodeJSON(&req); err != nil {
		return err
	}
	ctx := c.Ctx()
	lay, err := h.layoutOf(ctx, c.Site)
	if err != nil {
		return err
	}
	index, ok := lay.ZoneIndex(zone)
	if !ok {
		return kit.Problemf(codeUnknownZone, "%s.", sentence(noZone(lay, zone)))
	}
	if len(req.Tags) > walktest.MaxTags {
		return kit.Problemf(kit.CodeInvalidBody, "\"tags\" has %d entries; at most %d tags are looked at.", len(req.Tags), walktest.MaxTags)
	}
	tags := make([]walktest.Tag, len(req.Tags))
	for i, s := range req.Tags {
		id, err := parseIdentity(s, 0, false)
		if err != nil {
			return kit.Problemf(codeInvalidIdentity, "tags[%d]: %s", i, identityFault(err).Reason)
		}
		k, _ := keyOf(id)
		tags[i] = walktest.Tag{Key: k, Name: s}
	}
	walks := make([]walktest.Walk, len(req.Walks))
	for i, w := range req.Walks {
		if w.From.IsZero() || w.To.IsZero() {
			return kit.Problemf(kit.CodeInvalidBody, "walks[%d] has no \"from\" or no \"to\"; write RFC 3339 "+
				"times, such as \"2026-11-25T09:14:07Z\".", i)
		}
		walks[i] = walktest.Walk{From: w.From.UnixMilli(), To: w.To.UnixMilli(), What: w.What}
	}
	test, err := walktest.New(lay, index, tags, walks)
	if err != nil {
		return kit.Problemf(kit.CodeInvalidBody, "%s.", sentence(err.Error()))
	}
	from, to := test.Window()
	_, err = h.entriesBetween(ctx, c.Site, from, to, func(e *event.Entry) error {
		test.Add(e)
		return nil
	})
	if errors.Is(err, errTooManyReads) {
		return kit.Problemf(kit.CodeInvalidBody, "The site had more than %d reads in that time. Test in shorter parts.", maxWindowReads)
	} else if err != nil {
		return err
	}
	answer := WalkTestAnswer{Result: test.Result()}
	if p := answer.Proposal; req.Store && (p.MinRSSI != nil || p.SureWithin != "") {
		if answer.Stored, err = h.storeProposal(c, zone, p); err != nil {
			return err
		}
	}
	return c.JSON(http.StatusOK, answer)
}

// sentence begins a text with a capital letter.
func sentence(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// storeProposal stores the newest layout with what is proposed for the door.
func (h doorRoutes) storeProposal(c *kit.Call, zone string, p walktest.Proposal) (*LayoutSaved, error) {
	name := engine.LayoutDocument(c.Site)
	d, err := h.store.GetDocument(c.Ctx(), name, 0)
	if err != nil {
		return nil, unavailable(err)
	}
	lay, err := layout.Parse(d.Body)
	if err != nil {
		return nil, err
	}
	index, ok := lay.ZoneIndex(zone)
	if !ok {
		return nil, conflict(d.Version) // the door went from the layout since the test began
	}
	for i := range lay.ReadPoints {
		if r := &lay.ReadPoints[i]; p.MinRSSI != nil && r.Role == event.Portal && r.Zone == index {
			r.MinRSSI = *p.MinRSSI
		}
	}
	if p.SureWithin != "" {
		if lay.Zones[index].SureWithin, err = hours.ParsePeriod(p.SureWithin); err != nil {
			return nil, err
		}
	}
	body, err := lay.MarshalJSON()
	if err != nil {
		return nil, err
	}
	if lay, err = layout.Parse(body); err != nil {
		return nil, fmt.Errorf("the proposed layout is no layout: %w", err)
	}
	saved, err := h.save(c, name, body, d.Version)
	if err != nil {
		return nil, err
	}
	return &LayoutSaved{Saved: saved, Warnings: h.layoutWarnings(c.Ctx(), lay)}, nil
}
