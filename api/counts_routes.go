package api

import (
	"lintel/engine/estimate"
	"lintel/engine/event"
)

// countRoutes are the routes of counts.
func countRoutes() []route {
	const group = "Counts"
	const path = "/v1/sites/{site}/counts"
	of := []Code{codeUnknownCount}
	routes := []route{
		{
			method: "POST", path: path, name: "openCount", group: group, summary: "Open a count of zones, or check a delivery against its papers",
			about:  "What should be there is frozen at this moment. Reads posted to the count change nothing else until it is closed.\n\n" + estimate.Caution,
			scopes: operate, keyed: true, body: inJSON(CountRequest{}),
			answers: []answer{{201, "The count is open.", inJSON(CountAnswer{})}, {202, "In the journal, not worked through yet.", inJSON(CountAnswer{})}},
			codes:   []Code{codeConflict}, handle: (*call).openCount,
		}, {
			method: "GET", path: path, name: "listCounts", group: group, summary: "List counts, newest first",
			scopes:  operate,
			params:  []param{enumParam("status", "Only these; active is open and paused. Default: all.", countStatusNames...), paramZone, paramLimit(100, 1000), paramCursor},
			answers: []answer{ok("One page of counts.", CountList{})}, handle: (*call).listCounts,
		}, {
			method: "GET", path: path + "/{id}", name: "getCount", group: group, summary: "Get one count, with how far it has come and how far it may be trusted",
			about: estimate.Caution, scopes: operate, answers: []answer{ok("The count.", CountDetail{})}, codes: of, handle: (*call).getCount,
		}, {
			method: "POST", path: path + "/{id}/reads", name: "postCountReads", group: group, summary: "Post a batch of tag reads of a count",
			about:  "As for reads of the site, and answered alike. A read whose zone is not counted is rejected; the rest of the batch stands. Reads sent again add nothing.",
			scopes: []string{ScopeReads, ScopeOperate}, appends: true, params: []param{paramWait},
			body:    []content{{mediaJSON, oneOf{[]readRequest{}, readsRequest{}}}, {mediaNDJSON, nil}},
			answers: []answer{{202, "Taken.", inJSON(BatchAnswer{})}, {200, "Taken and worked through, because wait was given.", inJSON(BatchAnswer{})}},
			codes:   []Code{codeBatchTooLarge, codeUnknownCount, codeCountStatus}, handle: (*call).postCountReads,
		},
	}
	for i, v := range countVerbs {
		routes = append(routes, route{
			method: "POST", path: path + "/{id}/" + v.do, name: v.do + "Count", group: group, summary: v.summary, about: v.about, scopes: operate, keyed: true,
			answers: []answer{ok("The count as it is now.", CountAnswer{}), {202, "In the journal, not worked through yet.", inJSON(CountAnswer{})}},
			codes:   []Code{codeUnknownCount, codeCountStatus}, handle: func(c *call) error { return c.commandCount(i) },
		})
	}
	return append(routes, inForms(route{
		method: "GET", path: path + "/{id}/differences", name: "countDifferences", group: group, summary: "What closing a count found otherwise than expected",
		about: estimate.Caution + "\n\n" + event.Notice, scopes: operate,
		params: []param{
			{"against", "query", "Another closed count of one of its zones: what one found and the other did not.", stringSchema},
			enumParam("lines", "In tables: a line for each item that differs, or for each product that was expected or found.", "items", "products"),
		},
		answers: []answer{{200, "The differences.", nil}}, codes: []Code{codeUnknownCount, codeCountStatus},
	}, DifferencesView{}, (*call).differences, formCSV, formXLSX, formHTML)...)
}
