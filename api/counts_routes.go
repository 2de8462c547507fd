package api

import (
	"lintel/api/kit"
	"lintel/engine/estimate"
	"lintel/engine/event"
)

var (
	codeUnknownCount = kit.Code{Name: "unknown_count", Status: 404, Meaning: "There is no such count."}
	codeZoneCounted  = kit.Code{Name: "zone_counted", Status: 409, Meaning: "Another count of the zone is open."}
	codeLittleRead   = kit.Code{Name: "little_read", Status: 409, Meaning: "Almost nothing of what should be there was read."}
	codeCountStatus  = kit.Code{Name: "count_status", Status: 409, Meaning: "The count is not in a status in which this can be done."}
)

// countRoutes are the routes about counts.
type countRoutes struct{ *backend }

func (h countRoutes) table() []kit.Route {
	const group = "Counts"
	const path = "/v1/sites/{site}/counts"
	of := []kit.Code{codeUnknownCount}
	routes := []kit.Route{
		{
			Method: "POST", Path: path, Name: "openCount", Group: group,
			Summary: "Open a count of zones, or check a delivery against its papers",
			About: "What should be there is frozen at this moment. Reads posted to the count change nothing else " +
				"until it is closed.\n\n" + estimate.Caution,
			Scopes: counter, Keyed: true, Body: kit.JSON(CountRequest{}),
			Params:  []kit.Param{kit.Flag("also", "1: even if another count of one of the zones is open.")},
			Answers: journaled(201, "The count is open.", CountAnswer{}),
			Codes:   []kit.Code{kit.CodeConflict, codeZoneCounted}, Handle: h.openCount,
		}, {
			Method: "GET", Path: path, Name: "listCounts", Group: group, Summary: "List counts, newest first",
			Scopes: counter,
			Params: []kit.Param{kit.Enum("status", "Only these; active is open and paused. Default: all.",
				countStatusNames...), paramZone, paramLimit(100, 1000), paramCursor},
			Answers: []kit.Answer{kit.OK("One page of counts.", CountList{})}, Handle: h.listCounts,
		}, {
			Method: "GET", Path: path + "/{id}", Name: "getCount", Group: group,
			Summary: "Get one count, with how far it has come and how far it may be trusted",
			About:   estimate.Caution, Scopes: counter, Answers: []kit.Answer{kit.OK("The count.", CountDetail{})},
			Codes: of, Handle: h.getCount,
		}, {
			Method: "POST", Path: path + "/{id}/reads", Name: "postCountReads", Group: group,
			Summary: "Post a batch of tag reads of a count",
			About: "As for reads of the site, and answered alike. A read whose zone is not counted is rejected; " +
				"the rest of the batch stands. Reads sent again add nothing.",
			Scopes: []string{kit.ScopeReads, kit.ScopeOperate, kit.ScopeCount}, Appends: true, Params: []kit.Param{paramWait},
			Body:    []kit.Content{kit.As(kit.MediaJSON, kit.OneOf{[]readRequest{}, readsRequest{}}), kit.As(mediaNDJSON, nil)},
			Answers: batchAnswers,
			Codes:   []kit.Code{codeBatchTooLarge, codeUnknownCount, codeCountStatus}, Handle: h.postCountReads,
		},
	}
	for i, v := range countVerbs {
		r := kit.Route{
			Method: "POST", Path: path + "/{id}/" + v.do, Name: v.do + "Count", Group: group, Summary: v.summary,
			About: v.about, Scopes: counter, Keyed: true,
			Answers: journaled(200, "The count as it is now.", CountAnswer{}),
			Codes:   []kit.Code{codeUnknownCount, codeCountStatus}, Handle: func(c *kit.Call) error { return h.commandCount(c, i) },
		}
		if v.do == "close" {
			r.Params = []kit.Param{kit.Flag("anyway", "1: even if less than a tenth of what should be there was read.")}
			r.Codes = append(r.Codes, codeLittleRead)
		}
		routes = append(routes, r)
	}
	routes = append(routes, inForms(kit.Route{
		Method: "GET", Path: path + "/{id}/items", Name: "countedItems", Group: group, Summary: "The items that a closed count found, each once",
		About: "JSON comes in pages; tables have all of them.", Scopes: counter, Params: []kit.Param{paramLimit(1000, 10_000), paramCursor},
		Answers: []kit.Answer{kit.Reply(200, "The items.")}, Codes: []kit.Code{codeUnknownCount, codeCountStatus},
	}, CountedItems{}, h.countedItems, formCSV, formXLSX)...)
	return append(routes, inForms(kit.Route{
		Method: "GET", Path: path + "/{id}/differences", Name: "countDifferences", Group: group,
		Summary: "What closing a count found otherwise than expected",
		About:   estimate.Caution + "\n\n" + event.Notice, Scopes: counter,
		Params: []kit.Param{
			kit.Query("against", "Another closed count of one of its zones: what one found and the other did not."),
			kit.Enum("lines", "In tables: a line for each item that differs, or for each product that was expected "+
				"or found.", "items", "products"),
		},
		Answers: []kit.Answer{kit.Reply(200, "The differences.")}, Codes: []kit.Code{codeUnknownCount, codeCountStatus},
	}, DifferencesView{}, h.differences, formCSV, formXLSX, formHTML)...)
}
