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
	codeBlind        = kit.Code{Name: "count_blind", Status: 409, Meaning: "The count is blind, and this is shown once it is closed."}
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
			Answers: journaled(201, "The count is open.", CountAnswer{}), Headers: []kit.Param{headerLocation},
			Codes: []kit.Code{kit.CodeConflict, codeZoneCounted, codeUnknownCount, codeCountStatus}, Handle: h.openCount,
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
			Params: []kit.Param{kit.Flag("curve", "true: with the curve and how often tags were heard, which are long.")},
			Codes:  of, Handle: h.getCount,
		}, {
			Method: "POST", Path: path + "/{id}/reads", Name: "postCountReads", Group: group,
			Summary: "Post a batch of tag reads of a count",
			About: "As for reads of the site, and answered alike. A read whose zone is not counted is rejected; " +
				"the rest of the batch stands. Reads sent again add nothing.\n\n" +
				"Text has one identity a line, CSV a first line with names of columns: epc, and if it likes read_point, zone, rssi and time. " +
				"What is rejected is then named by its line.",
			Scopes: []string{kit.ScopeReads, kit.ScopeOperate, kit.ScopeCount}, Appends: true,
			Params: []kit.Param{paramWait, kit.Query("read_point", "Of text and CSV: what read the lines that do not say."),
				kit.Query("zone", "Of text and CSV: where.")},
			Body: []kit.Content{kit.As(kit.MediaJSON, kit.OneOf{[]readRequest{}, readsRequest{}}), kit.As(mediaNDJSON, nil),
				kit.As(mediaText, nil), kit.As(mediaCSV, nil)},
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
	lists := []kit.Param{paramLimit(1000, 10_000), paramCursor}
	routes = append(routes, inForms(kit.Route{
		Method: "GET", Path: path + "/{id}/items", Name: "countedItems", Group: group, Summary: "The items that a count found, each once",
		About: "Of a count that goes on: so far. JSON comes in pages; tables and text have all of them.", Scopes: counter, Params: lists,
		Answers: []kit.Answer{kit.Reply(200, "The items.")}, Codes: of,
	}, CountedItems{}, h.countedItems, formCSV, formXLSX, formText)...)
	routes = append(routes, inForms(kit.Route{
		Method: "GET", Path: path + "/{id}/missing", Name: "missingItems", Group: group, Summary: "What a count expects and did not hear",
		About: "Of a count that goes on: so far, so that the list gets shorter while one looks for what is on it. Open a closed count " +
			"again, or another one with missing_of.\n\n" + event.Notice,
		Scopes: counter, Params: lists, Answers: []kit.Answer{kit.Reply(200, "What is missing.")}, Codes: []kit.Code{codeUnknownCount, codeBlind},
	}, MissingItems{}, h.missingItems, formCSV, formXLSX, formText)...)
	routes = append(routes, kit.Route{
		Method: "GET", Path: "/v1/sites/{site}/count-plan", Name: "countsDue", Group: group,
		Summary: "What the count plan has for today and tonight: due, overdue, running and done",
		About: "Zones and teams as the layout plans them, with the figures of the counts of the day and night around now: until noon that " +
			"is from yesterday's noon to midnight, from noon on from midnight to tomorrow's noon.",
		Scopes: counter, Answers: []kit.Answer{kit.OK("The plan.", CountsDue{})}, Handle: h.countsDue,
	})
	routes = append(routes, inForms(kit.Route{
		Method: "GET", Path: "/v1/sites/{site}/count-accuracy", Name: "countAccuracy", Group: group,
		Summary: "How well record and shelf agreed, by zones and week",
		About:   "Of the counts that were closed, by the week of their end. Deliveries and recounts of what was missing are left out.",
		Scopes:  counter, Params: []kit.Param{kit.Query("weeks", "How many weeks, the present one included.").Of(kit.IntSchema(1, maxWeeks, defaultWeeks)), paramZone},
		Answers: []kit.Answer{kit.Reply(200, "A line for each week and the zones that were counted together.")},
	}, CountAccuracy{}, h.countAccuracy, formCSV)...)
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
