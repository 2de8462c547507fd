package api

import (
	"bufio"
	"encoding/json"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"lintel/engine"
	"lintel/engine/event"
	"lintel/engine/store"
	"lintel/rules/doc"
)

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
func (c *call) factRange() (from, to store.FactID, err error) {
	now := c.api.opt.Now().UnixMilli()
	if to.Ms, err = c.timeParam("to", now+1); err != nil {
		return from, to, err
	}
	if from.Ms, err = c.timeParam("from", max(0, to.Ms-defaultSpan.Milliseconds())); err != nil {
		return from, to, err
	}
	if from.Ms > to.Ms {
		return from, to, badParam("from", "it is after \"to\"")
	}
	cursor, err := c.cursorParam(1)
	if err != nil {
		return from, to, err
	}
	if cursor != nil {
		id, ok := parseFactID(cursor[0])
		if !ok {
			return from, to, badParam("cursor", "it is none of this route")
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
func (c *call) scanFacts(want func(*event.Fact) bool) error {
	limit, err := c.intParam("limit", 200, 1, 5000)
	if err != nil {
		return err
	}
	from, to, err := c.factRange()
	if err != nil {
		return err
	}
	if _, err := c.api.runner.Site(c.Request().Context(), c.site); err != nil {
		return unavailable(err)
	}
	list := FactList{Facts: []FactView{}}
	looked := 0
	err = c.api.store.Facts(c.Request().Context(), c.site, from, to, 0, func(id store.FactID, data []byte) error {
		if looked++; len(list.Facts) == limit || looked > scanLimit {
			list.Next = encodeCursor(strconv.FormatInt(id.Ms, 10) + "-" + strconv.FormatUint(uint64(id.N), 10))
			return errEnough
		}
		var f event.Fact
		if err := event.DecodeFact(data, id.Ms, id.N, &f); err != nil {
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
func (c *call) wantedCauses() (func(*event.Fact) bool, error) {
	var causes [256]bool
	all := true
	for word := range strings.SplitSeq(c.QueryParam("cause"), ",") {
		if word = strings.TrimSpace(word); word == "" {
			continue
		}
		cause, ok := event.Causes.Parse(word)
		if !ok {
			return nil, badParam("cause", "there is no cause %s%s", shown([]byte(word)), doc.OrDidYouMean(word, causeNames()))
		}
		causes[cause], all = true, false
	}
	return func(f *event.Fact) bool { return all || causes[f.Cause] }, nil
}

// exportFacts streams the facts of a range, one a line.
func (c *call) exportFacts() error {
	want, err := c.wantedCauses()
	if err != nil {
		return err
	}
	from, to, err := c.factRange()
	if err != nil {
		return err
	}
	if _, err := c.api.runner.Site(c.Request().Context(), c.site); err != nil {
		return unavailable(err)
	}
	c.tableHead(mediaNDJSON, c.site+"-facts")
	c.Response().WriteHeader(http.StatusOK)
	out := bufio.NewWriterSize(&deadlineWriter{c: c}, 64<<10)
	lines := json.NewEncoder(out)
	for f, err := range c.facts(from, to, want) {
		if err == nil {
			err = lines.Encode(factView(f))
		}
		if err != nil {
			return c.brokenOff(unavailable(err))
		}
	}
	return c.brokenOff(out.Flush())
}

func (c *call) listFacts() error {
	want, err := c.wantedCauses()
	if err != nil {
		return err
	}
	if c.QueryParams().Has("as") {
		return c.factsAsEPCIS(want)
	}
	return c.scanFacts(want)
}

func causeNames() []string {
	var names []string
	for i := range 256 {
		if name := event.Cause(i).String(); !strings.HasPrefix(name, "cause ") {
			names = append(names, name)
		}
	}
	return names
}

func (c *call) itemTrail() error {
	k, err := c.itemKey()
	if err != nil {
		return err
	}
	err = c.view(func(st *engine.State) error {
		if _, ok := st.Item(k); !ok {
			return problemf(codeUnknownItem, "The site %q has never heard of this item.", c.site)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return c.scanFacts(func(f *event.Fact) bool { return f.Key == k })
}
