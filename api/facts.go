package api

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/store"
	"lintel/rules/doc"
)

// factRoutes are the routes about facts.
type factRoutes struct{ *backend }

func (h factRoutes) table() []kit.Route {
	return []kit.Route{
		{
			Method: "GET", Path: "/v1/sites/{site}/facts", Name: "listFacts", Group: "Questions", Summary: "List facts",
			Scopes: operate, Params: []kit.Param{paramFrom, paramTo, paramCause, paramLimit(200, 5000), paramCursor,
				kit.Enum("as", "epcis: all facts of the range that are events in the sense of EPCIS 2.0, as one "+
					"document, without limit and cursor.", "epcis")},
			Answers: []kit.Answer{kit.Reply(200, "One page of facts, oldest first.", kit.As(kit.MediaJSON, FactList{}),
				kit.As(mediaJSONLD, nil))}, Headers: epcisParams, Handle: h.listFacts,
		}, {
			Method: "GET", Path: "/v1/sites/{site}/facts.jsonl", Name: "exportFacts", Group: "Bulk",
			Summary: "Get all facts of a time range, one JSON object a line",
			About: "Each line is a fact as the listing has it. It is what `lintel trial --facts` reads, and has " +
				"all of a fact that a rule can see. An answer that breaks off is not whole.",
			Scopes: operate, Stream: true, Params: []kit.Param{paramFrom, paramTo, paramCause},
			Answers: []kit.Answer{kit.Reply(200, "The facts, oldest first.", kit.As(mediaNDJSON, FactView{}))}, Headers: withFile, Handle: h.exportFacts,
		},
	}
}

// FactList is one page of facts.
type FactList struct {
	Facts []FactView `json:"facts"`
	Next  string     `json:"next,omitempty" jsonschema_description:"Give it as cursor to go on; left out at the end of the range."`
}

// errEnough ends a listing of facts.
var errEnough = errors.New("enough")

func parseInt(s string, bits int) (int64, error) {
	n, err := strconv.ParseUint(s, 10, bits)
	return int64(n), err
}

// Facts that one request looks at, at most: one that finds little in them gets a cursor to go on
// from.
const scanLimit = 500_000

// defaultSpan is the range of a listing that names none.
const defaultSpan = 24 * time.Hour

// timeRange reads from and to, Unix milliseconds; to is at most latest. Default: the span before
// now.
func (b *backend) timeRange(c *kit.Call, now, latest int64, span time.Duration) (from, to int64, err error) {
	if to, err = c.TimeParam("to", now); err != nil {
		return 0, 0, err
	}
	to = min(to, latest)
	if from, err = c.TimeParam("from", max(0, to-span.Milliseconds())); err != nil {
		return 0, 0, err
	}
	if from > to {
		return 0, 0, kit.BadParam("from", "it is after \"to\"")
	}
	return from, to, nil
}

// factRange reads from, to and cursor.
func (b *backend) factRange(c *kit.Call) (from, to store.FactID, err error) {
	if from.Ms, to.Ms, err = b.timeRange(c, b.opt.Now().UnixMilli()+1, math.MaxInt64, defaultSpan); err != nil {
		return from, to, err
	}
	cursor, err := c.CursorParam(1)
	if err != nil {
		return from, to, err
	}
	if cursor != nil {
		id, ok := parseFactID(cursor[0])
		if !ok {
			return from, to, kit.BadParam("cursor", "it is none of this route")
		}
		if id.Compare(from) > 0 {
			from = id
		}
	}
	if to.Ms == 0 { // which the store takes for no bound
		to.N, from.N = 1, max(from.N, 1)
	}
	return from, to, nil
}

// scanFacts answers with the facts of a range that want lets through.
func (b *backend) scanFacts(c *kit.Call, want func(*event.Fact) bool) error {
	limit := c.Int("limit")
	from, to, err := b.factRange(c)
	if err != nil {
		return err
	}
	if _, err := b.runner.Site(c.Ctx(), c.Site); err != nil {
		return unavailable(err)
	}
	list := FactList{Facts: []FactView{}}
	looked := 0
	err = b.eachFact(c.Ctx(), c.Site, from, to, 0, func(id store.FactID, f *event.Fact) error {
		if looked++; len(list.Facts) == limit || looked > scanLimit {
			list.Next = kit.EncodeCursor(fmt.Sprintf("%d-%d", id.Ms, id.N))
			return errEnough
		}
		if want(f) {
			list.Facts = append(list.Facts, factView(f))
		}
		return nil
	})
	return c.Answer(list, err)
}

// wantedCauses reads which facts are wanted.
func wantedCauses(c *kit.Call) (func(*event.Fact) bool, error) {
	var causes [256]bool
	all := true
	for word := range strings.SplitSeq(c.QueryParam("cause"), ",") {
		if word = strings.TrimSpace(word); word == "" {
			continue
		}
		cause, ok := event.Causes.Parse(word)
		if !ok {
			return nil, kit.BadParam("cause", "there is no cause %s%s", kit.Shown([]byte(word)),
				doc.OrDidYouMean(word, event.Causes.Texts()))
		}
		causes[cause], all = true, false
	}
	return func(f *event.Fact) bool { return all || causes[f.Cause] }, nil
}

// exportFacts streams the facts of a range, one a line.
func (h factRoutes) exportFacts(c *kit.Call) error {
	want, err := wantedCauses(c)
	if err != nil {
		return err
	}
	from, to, err := h.factRange(c)
	if err != nil {
		return err
	}
	if _, err := h.runner.Site(c.Ctx(), c.Site); err != nil {
		return unavailable(err)
	}
	tableHead(c, mediaNDJSON, c.Site+"-facts")
	c.Response().WriteHeader(http.StatusOK)
	out := bufio.NewWriterSize(c.Writer(), 64<<10)
	lines := json.NewEncoder(out)
	for f, err := range h.facts(c, from, to, want) {
		if err == nil {
			err = lines.Encode(factView(f))
		}
		if err != nil {
			return c.BrokenOff(unavailable(err))
		}
	}
	return c.BrokenOff(out.Flush())
}

func (h factRoutes) listFacts(c *kit.Call) error {
	want, err := wantedCauses(c)
	if err != nil {
		return err
	}
	if c.QueryParams().Has("as") {
		return h.factsAsEPCIS(c, want)
	}
	return h.scanFacts(c, want)
}

func (h itemRoutes) itemTrail(c *kit.Call) error {
	k, err := itemKey(c)
	if err != nil {
		return err
	}
	err = h.view(c, func(st *engine.State) error {
		if _, ok := st.Item(k); !ok {
			return kit.Problemf(codeUnknownItem, "The site %q has never heard of this item.", c.Site)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return h.scanFacts(c, func(f *event.Fact) bool { return f.Key == k })
}
