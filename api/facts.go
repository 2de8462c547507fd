package api

import (
	"bufio"
	"encoding/json"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"lintel/api/kit"
	"lintel/engine"
	"lintel/engine/faults"
	"lintel/engine/store"
)

// factRoutes are the routes about facts.
type factRoutes struct{ *backend }

func (h factRoutes) table() []kit.Route {
	return []kit.Route{
		{
			Method: "GET", Path: "/v1/sites/{site}/facts", Name: "listFacts", Group: "Questions", Summary: "List facts",
			Scopes: operate, Params: []kit.Param{paramFrom, paramTo, paramCause, paramLimit(200, 5000), paramCursor,
				kit.Enum("as", "epcis: all facts of the range that are events in the sense of EPCIS 2.0, as one document, without limit and cursor.", "epcis")},
			Answers: []kit.Answer{kit.Reply(200, "One page of facts, oldest first.", kit.As(kit.MediaJSON, FactList{}), kit.As(mediaJSONLD, nil))}, Handle: h.listFacts,
		},
		{
			Method: "GET", Path: "/v1/sites/{site}/facts.jsonl", Name: "exportFacts", Group: "Bulk", Summary: "Get all facts of a time range, one JSON object a line",
			About:  "Each line is a fact as the listing has it. It is what `lintel trial --facts` reads, and has all of a fact that a rule can see. An answer that breaks off is not whole.",
			Scopes: operate, Stream: true, Params: []kit.Param{paramFrom, paramTo, paramCause},
			Answers: []kit.Answer{kit.Reply(200, "The facts, oldest first.", kit.As(mediaNDJSON, FactView{}))}, Handle: h.exportFacts,
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

// Facts that one request looks at, at most: one that finds little in them gets a cursor to go on from.
const scanLimit = 500_000

// defaultSpan is the range of a listing that names none.
const defaultSpan = 24 * time.Hour

// factRange reads from, to and cursor.
func (b *backend) factRange(c *kit.Call) (from, to store.FactID, err error) {
	now := b.opt.Now().UnixMilli()
	if to.Ms, err = c.TimeParam("to", now+1); err != nil {
		return from, to, err
	}
	if from.Ms, err = c.TimeParam("from", max(0, to.Ms-defaultSpan.Milliseconds())); err != nil {
		return from, to, err
	}
	if from.Ms > to.Ms {
		return from, to, kit.BadParam("from", "it is after \"to\"")
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
func (b *backend) scanFacts(c *kit.Call, want func(*engine.Fact) bool) error {
	limit, err := c.IntParam("limit", 200, 1, 5000)
	if err != nil {
		return err
	}
	from, to, err := b.factRange(c)
	if err != nil {
		return err
	}
	if _, err := b.runner.Site(c.Ctx(), c.Site); err != nil {
		return unavailable(err)
	}
	list := FactList{Facts: []FactView{}}
	looked := 0
	err = b.store.Facts(c.Ctx(), c.Site, from, to, 0, func(id store.FactID, data []byte) error {
		if looked++; len(list.Facts) == limit || looked > scanLimit {
			list.Next = kit.EncodeCursor(strconv.FormatInt(id.Ms, 10) + "-" + strconv.FormatUint(uint64(id.N), 10))
			return errEnough
		}
		var f engine.Fact
		if err := engine.DecodeFact(data, id.Ms, id.N, &f); err != nil {
			return err
		}
		if want(&f) {
			list.Facts = append(list.Facts, factView(&f))
		}
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return unavailable(err)
	}
	return c.JSON(http.StatusOK, list)
}

// wantedCauses reads which facts are wanted.
func wantedCauses(c *kit.Call) (func(*engine.Fact) bool, error) {
	var causes [256]bool
	all := true
	for word := range strings.SplitSeq(c.QueryParam("cause"), ",") {
		if word = strings.TrimSpace(word); word == "" {
			continue
		}
		cause, ok := engine.CauseByName(word)
		if !ok {
			return nil, kit.BadParam("cause", "there is no cause %s%s", kit.Shown([]byte(word)), faults.OrDidYouMean(word, causeNames()))
		}
		causes[cause], all = true, false
	}
	return func(f *engine.Fact) bool { return all || causes[f.Cause] }, nil
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

func causeNames() []string {
	var names []string
	for i := range 256 {
		if name := engine.Cause(i).String(); !strings.HasPrefix(name, "cause ") {
			names = append(names, name)
		}
	}
	return names
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
	return h.scanFacts(c, func(f *engine.Fact) bool { return f.Key == k })
}
