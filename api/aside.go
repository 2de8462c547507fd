package api

import (
	"errors"
	"net/http"
	"strconv"
	"time"

	"lintel/api/kit"
	"lintel/engine/runner"
)

var (
	codeNotAside = kit.Code{Name: "not_aside", Status: 404,
		Meaning: "No such entry is set aside, or it was tried again already."}
	codeUnreadable = kit.Code{Name: "entry_unreadable", Status: 409,
		Meaning: "This Lintel can't read the entry that was set aside."}
)

// asideRoutes are the routes about entries that could not be processed.
type asideRoutes struct{ *backend }

func (h asideRoutes) table() []kit.Route {
	const path = "/v1/sites/{site}/aside"
	return []kit.Route{
		{
			Method: "GET", Path: path, Name: "listAside", Group: "Questions",
			Summary: "List journal entries that could not be processed, oldest first",
			About: "An entry that fails again and again is set aside, so that the site goes on. It is kept whole. What it said " +
				"is missing from the shop until it is tried again by a Lintel that can process it.",
			Scopes: operate, Answers: []kit.Answer{kit.OK("The entries.", AsideList{})}, Handle: h.list,
		}, {
			Method: "POST", Path: path + "/{sequence}/retry", Name: "retryAside", Group: "Questions",
			Summary: "Process an entry that was set aside once more, as a new entry received now",
			About:   "Reads keep the times at which they were heard. If it fails again it is set aside again, under its new number.",
			Scopes:  admin, Keyed: true, Answers: []kit.Answer{kit.Reply(202, "In the journal.", kit.JSON(AsideRetried{})...)},
			Codes: []kit.Code{codeNotAside, codeUnreadable}, Handle: h.retry,
		},
	}
}

// AsideView is an entry that could not be processed.
type AsideView struct {
	Sequence uint64    `json:"sequence"`
	At       time.Time `json:"at" jsonschema_description:"When it was set aside."`
	Reason   string    `json:"reason"`
	Retried  uint64    `json:"retried_as,omitempty" jsonschema_description:"The entry as which it was tried again; left out while it waits."`
}

// AsideList is the answer to a listing of them.
type AsideList struct {
	Entries []AsideView `json:"entries"`
}

// AsideRetried names the entry as which one that was set aside is tried again.
type AsideRetried struct {
	Sequence uint64 `json:"sequence"`
}

func (h asideRoutes) list(c *kit.Call) error {
	list, err := h.runner.Aside(c.Ctx(), c.Site)
	if err != nil {
		return unavailable(err)
	}
	answer := AsideList{Entries: []AsideView{}}
	for _, a := range list {
		answer.Entries = append(answer.Entries, AsideView{Sequence: a.Seq, At: time.UnixMilli(a.At).UTC(), Reason: a.Reason, Retried: a.Again})
	}
	return c.JSON(http.StatusOK, answer)
}

func (h asideRoutes) retry(c *kit.Call) error {
	seq, _ := strconv.ParseUint(c.PathParam("sequence"), 10, 64) // what is no number gives one that no entry has
	seq, err := h.runner.Retry(c.Ctx(), c.Site, seq, c.Key.Name)
	switch {
	case errors.Is(err, runner.ErrNotAside):
		return kit.Problemf(codeNotAside, "No entry %s is set aside, or it was tried again already.", kit.Shown([]byte(c.PathParam("sequence"))))
	case errors.Is(err, runner.ErrUnreadable):
		return kit.Problemf(codeUnreadable, "This Lintel can't read the entry. Try it again with a newer one.").Because(err)
	case err != nil:
		return unavailable(err)
	}
	return c.JSON(http.StatusAccepted, AsideRetried{seq})
}
