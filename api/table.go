package api

import (
	"lintel/engine/event"
)

// Parts of routes that come again and again.
var (
	paramLimit = func(def, highest int) param {
		return param{"limit", "query", "How many to answer at most.", map[string]any{"type": "integer", "minimum": 1, "maximum": highest, "default": def}}
	}
	paramCursor  = param{"cursor", "query", "Where to go on: \"next\" of the answer before.", stringSchema}
	paramSite    = param{"site", "query", "Only this site.", stringSchema}
	paramWait    = param{"wait", "query", "Answer after the batch was worked through, with what came of it; at most 10s.", map[string]any{"type": "string", "examples": []string{"2s"}}}
	paramFrom    = param{"from", "query", "Facts from this moment on, by the site clock: RFC 3339, or Unix milliseconds. Default: 24 hours before \"to\".", stringSchema}
	paramTo      = param{"to", "query", "Facts before this moment. Default: now.", stringSchema}
	paramCause   = param{"cause", "query", "Only these causes, with commas between.", stringSchema}
	paramVersion = param{"version", "query", "This version instead of the newest.", map[string]any{"type": "integer", "minimum": 1}}
	paramNote    = param{"note", "query", "Why the document is changed; kept with the version.", map[string]any{"type": "string", "maxLength": maxNoteParam}}
	paramDryRun  = param{"dry_run", "query", "1: check and compare, store nothing.", map[string]any{"type": "string", "enum": []string{"0", "1"}}}
	paramProduct = param{"product", "query", "Only this product: its GTIN or SKU.", stringSchema}
	paramZone    = param{"zone", "query", "Only this zone.", stringSchema}
	paramFormat  = param{"format", "query", "The form of the answer, as a link can ask for it; otherwise Accept does.", stringSchema}
	ifMatch      = param{"If-Match", "header", "The ETag that the document must have: nobody else's change is lost.", stringSchema}
	ifNoneMatch  = param{"If-None-Match", "header", "An ETag that the caller has; \"*\" when storing: the document must not exist yet.", stringSchema}

	stringSchema = map[string]any{"type": "string"}
)

func enumParam(name, about string, values ...string) param {
	return param{name, "query", about, map[string]any{"type": "string", "enum": values}}
}

func inJSON(v any) []content { return []content{{mediaJSON, v}} }

func ok(about string, v any) answer { return answer{200, about, inJSON(v)} }

var (
	operate    = []string{ScopeOperate}
	author     = []string{ScopeAuthor}
	readers    = []string{ScopeOperate, ScopeAuthor}
	admin      = []string{ScopeAdmin}
	notChanged = answer{304, "The caller has this version already.", nil}
)

// table is the one list of routes: the router, the OpenAPI document and the checks of keys all come from it.
func (a *API) table() []route {
	var t []route
	t = append(t, streamRoutes()...)
	t = append(t, questionRoutes()...)
	t = append(t, bulkRoutes()...)
	t = append(t, pickRoutes()...)
	t = append(t, findRoutes()...)
	t = append(t, countRoutes()...)
	t = append(t, epcisRoutes()...)
	t = append(t, alertRoutes()...)
	t = append(t, healthRoutes()...)
	t = append(t, qualityRoutes()...)
	t = append(t, whyRoutes()...)
	t = append(t, documentRoutes()...)
	t = append(t, doorRoutes()...)
	t = append(t, passageRoutes()...)
	t = append(t, trialRoutes()...)
	t = append(t, versionRoutes()...)
	t = append(t, configurationRoutes()...)
	t = append(t, keyRoutes()...)
	return append(t, processRoutes()...)
}

func streamRoutes() []route {
	return []route{
		{
			method: "POST", path: "/v1/sites/{site}/reads", name: "postReads", group: "What comes in", summary: "Post a batch of tag reads",
			about: "202 means: durable in the site's journal, and it will be worked through whatever happens. A bad read is rejected with its place and the reason; the rest of the batch stands.\n\n" +
				"An Idempotency-Key makes it safe to send a batch again: it counts once, and the answer has the same entry.",
			scopes: []string{ScopeReads}, appends: true, params: []param{paramWait},
			body:    []content{{mediaJSON, oneOf{[]readRequest{}, readsRequest{}}}, {mediaNDJSON, nil}},
			answers: []answer{{202, "Taken.", inJSON(BatchAnswer{})}, {200, "Taken and worked through, because wait was given.", inJSON(BatchAnswer{})}},
			codes:   []Code{codeBatchTooLarge}, handle: (*call).postReads,
		}, {
			method: "POST", path: "/v1/sites/{site}/events", name: "postEvents", group: "What comes in", summary: "Post business events: sales, returns, deliveries from suppliers, moves",
			about:  "One event, or an array of events. Answers like a batch of reads.",
			scopes: []string{ScopeSales}, appends: true, params: []param{paramWait},
			body:    []content{{mediaJSON, oneOf{EventRequest{}, []EventRequest{}}}},
			answers: []answer{{202, "Taken.", inJSON(BatchAnswer{})}, {200, "Taken and worked through, because wait was given.", inJSON(BatchAnswer{})}},
			codes:   []Code{codeBatchTooLarge}, handle: (*call).postEvents,
		},
	}
}

func questionRoutes() []route {
	return []route{
		{
			method: "GET", path: "/v1/sites", name: "listSites", group: "Questions", summary: "List the sites that the key is for",
			scopes: readers, params: []param{paramSite}, answers: []answer{ok("The sites.", SiteList{})}, codes: []Code{codeUnknownSite, codeMissingSite}, handle: (*call).listSites,
		}, {
			method: "GET", path: "/v1/sites/{site}/items", name: "listItems", group: "Questions", summary: "List items",
			scopes:  operate,
			params:  []param{paramZone, paramProduct, enumParam("disposition", "Only items in this business state.", event.Dispositions.Texts()...), paramLimit(100, 1000), paramCursor},
			answers: []answer{ok("One page of items, in the order of their identities.", ItemList{})}, handle: (*call).listItems,
		}, {
			method: "GET", path: "/v1/sites/{site}/items/{epc}", name: "getItem", group: "Questions", summary: "Get one item",
			about:  "The item is named in any form of its identity, percent-encoded.",
			scopes: operate, answers: []answer{ok("The item.", ItemView{})}, codes: []Code{codeUnknownItem, codeInvalidIdentity}, handle: (*call).getItem,
		}, {
			method: "GET", path: "/v1/sites/{site}/items/{epc}/trail", name: "itemTrail", group: "Questions", summary: "Follow one item through its facts",
			scopes: operate, params: []param{paramFrom, paramTo, paramLimit(200, 5000), paramCursor},
			answers: []answer{ok("The item's facts in the range, oldest first.", FactList{})}, codes: []Code{codeUnknownItem, codeInvalidIdentity}, handle: (*call).itemTrail,
		}, {
			method: "GET", path: "/v1/sites/{site}/stock", name: "listStock", group: "Questions", summary: "List stock by product and place",
			scopes:  operate,
			params:  []param{enumParam("below", "Only what is below its minimum.", "minimum"), paramProduct, paramZone, paramLimit(100, 1000), paramCursor},
			answers: []answer{ok("One page of stock, by GTIN and place. A minimum or maximum has a row even where nothing is there.", StockList{})}, handle: (*call).listStock,
		}, {
			method: "GET", path: "/v1/sites/{site}/read-points", name: "listReadPoints", group: "Questions", summary: "List read points and how they are doing",
			scopes: operate, answers: []answer{ok("The read points, in the layout's order.", ReadPointList{})}, handle: (*call).listReadPoints,
		}, {
			method: "GET", path: "/v1/sites/{site}/facts", name: "listFacts", group: "Questions", summary: "List facts",
			scopes: operate, params: []param{paramFrom, paramTo, paramCause, paramLimit(200, 5000), paramCursor,
				enumParam("as", "epcis: all facts of the range that are events in the sense of EPCIS 2.0, as one document, without limit and cursor.", "epcis")},
			answers: []answer{{200, "One page of facts, oldest first.", []content{{mediaJSON, FactList{}}, {mediaJSONLD, nil}}}}, handle: (*call).listFacts,
		}, {
			method: "GET", path: "/v1/sites/{site}/facts.jsonl", name: "exportFacts", group: "Bulk", summary: "Get all facts of a time range, one JSON object a line",
			about:  "Each line is a fact as the listing has it. It is what `lintel trial --facts` reads, and has all of a fact that a rule can see. An answer that breaks off is not whole.",
			scopes: operate, stream: true, params: []param{paramFrom, paramTo, paramCause},
			answers: []answer{{200, "The facts, oldest first.", []content{{mediaNDJSON, FactView{}}}}}, handle: (*call).exportFacts,
		}, {
			method: "GET", path: "/v1/sites/{site}/live", name: "live", group: "Questions", summary: "Follow a site as it happens",
			about: "Server-sent events: \"fact\" with the fact's id, \"alert\" for each change of an alert, \"gap\" if more was missed than a stream gives again, \"end\" before the server closes. " +
				"Last-Event-ID resumes from the stored facts. A client that does not keep up is dropped and resumes by itself.",
			scopes: operate, stream: true,
			params:  []param{{headerLastID, "header", "Id of the last fact that the client has.", stringSchema}, {"after", "query", "The same, for clients that can't set headers.", stringSchema}},
			answers: []answer{{200, "The stream.", []content{{mediaEvents, nil}}}}, codes: []Code{codeTooManyStreams}, handle: (*call).liveStream,
		},
	}
}

func alertRoutes() []route {
	return []route{
		{
			method: "GET", path: "/v1/alerts", name: "listAlerts", group: "Alerts", summary: "List alerts, newest first",
			about:  event.Notice,
			scopes: operate,
			params: []param{paramSite, enumParam("status", "Only these. active, which is the default, is open and acknowledged.", alertStatuses...),
				{"rule", "query", "Only those of this rule.", stringSchema}, paramLimit(100, 1000), paramCursor},
			answers: []answer{ok("One page of alerts.", AlertList{})}, codes: []Code{codeUnknownSite, codeMissingSite}, handle: (*call).listAlerts,
		}, {
			method: "GET", path: "/v1/alerts/{id}", name: "getAlert", group: "Alerts", summary: "Get one alert, with why it was raised",
			scopes: operate, answers: []answer{ok("The alert.", event.AlertView{})}, codes: []Code{codeUnknownAlert, codeMissingSite}, handle: (*call).getAlert,
		}, {
			method: "POST", path: "/v1/alerts/{id}/acknowledge", name: "acknowledgeAlert", group: "Alerts", summary: "Say that somebody has an alert in hand",
			scopes: operate, keyed: true, body: inJSON(AcknowledgeRequest{}),
			answers: []answer{ok("The alert as it is now.", ActAnswer{}), {202, "In the journal, not worked through yet.", inJSON(ActAnswer{})}},
			codes:   []Code{codeUnknownAlert, codeMissingSite, codeAlertStatus}, handle: (*call).acknowledgeAlert,
		}, {
			method: "POST", path: "/v1/alerts/{id}/close", name: "closeAlert", group: "Alerts", summary: "Close an alert with an outcome",
			scopes: operate, keyed: true, body: inJSON(CloseRequest{}),
			answers: []answer{ok("The alert as it is now.", ActAnswer{}), {202, "In the journal, not worked through yet.", inJSON(ActAnswer{})}},
			codes:   []Code{codeUnknownAlert, codeMissingSite, codeAlertStatus}, handle: (*call).closeAlert,
		}, {
			method: "GET", path: "/v1/deliveries", name: "listDeliveries", group: "Deliveries", summary: "List deliveries, newest first",
			scopes: operate,
			params: []param{paramSite, enumParam("status", "Only these.", event.DeliveryStatuses.Texts()...), {"channel", "query", "Only those to this channel.", stringSchema},
				{"alert", "query", "Only those of this alert.", stringSchema}, paramLimit(100, 1000), paramCursor},
			answers: []answer{ok("One page of deliveries.", DeliveryList{})}, codes: []Code{codeUnknownSite, codeMissingSite}, handle: (*call).listDeliveries,
		}, {
			method: "GET", path: "/v1/deliveries/{id}", name: "getDelivery", group: "Deliveries", summary: "Get one delivery, with what it carries",
			scopes: operate, answers: []answer{ok("The delivery.", DeliveryView{})}, codes: []Code{codeUnknownDelivery}, handle: (*call).getDelivery,
		}, {
			method: "POST", path: "/v1/deliveries/{id}/retry", name: "retryDelivery", group: "Deliveries", summary: "Send a delivery once more, now, with the same id",
			scopes: operate, keyed: true, answers: []answer{ok("What came of it. That the receiver refused is an answer too.", RetryAnswer{})},
			codes: []Code{codeUnknownDelivery}, handle: (*call).retryDelivery,
		},
	}
}

func documentRoutes() []route {
	saved := func(v any) []answer {
		return []answer{{201, "Stored as the first version.", inJSON(v)}, {200, "Stored as the next version.", inJSON(v)}}
	}
	savedOrDry := func(v, dry any) []answer {
		return []answer{{201, "Stored as the first version.", inJSON(v)}, {200, "Stored as the next version; or with dry_run, what storing would change.", inJSON(oneOf{v, dry})}}
	}
	wrote := []Code{codeInvalidDocument, codeVersionMismatch, codeConflict}
	productBody := []content{{mediaJSON, productsDocument{}}, {mediaCSV, nil}}
	productParams := []param{paramDryRun, paramNote, ifMatch, ifNoneMatch}
	products := func(method, name, summary string, handle func(*call) error) route {
		return route{
			method: method, path: "/v1/products", name: name, group: "Documents", summary: summary,
			about:  "Everything that is wrong is listed by row, and then nothing is stored. Zones that no site has are warnings.",
			scopes: author, allSites: true, long: true, keyed: method == "POST", params: productParams, body: productBody,
			answers: savedOrDry(ProductsSaved{}, DryRun{}), codes: wrote, handle: handle,
		}
	}
	versions := func(path, name, what string, handle func(*call) error, more ...Code) route {
		return route{
			method: "GET", path: path + "/versions", name: name, group: "Documents", summary: "List the versions of the " + what, scopes: readers,
			answers: []answer{ok("The versions, newest first.", VersionList{})}, codes: append(more, codeUnknownDocument), handle: handle,
		}
	}
	return []route{
		{
			method: "GET", path: "/v1/sites/{site}/layout", name: "getLayout", group: "Documents", summary: "Get a site's layout",
			scopes: readers, params: []param{paramVersion, ifNoneMatch}, answers: []answer{ok("The layout, as it was stored.", layoutDocument{}), notChanged},
			codes: []Code{codeUnknownDocument}, handle: (*call).getLayout,
		}, {
			method: "PUT", path: "/v1/sites/{site}/layout", name: "putLayout", group: "Documents", summary: "Store a site's layout; the first one makes the site",
			about:  "What a door or reader cannot give, as the layout has it, is answered as warnings.",
			scopes: author, params: []param{paramDryRun, paramNote, ifMatch, ifNoneMatch}, body: inJSON(layoutDocument{}),
			answers: savedOrDry(LayoutSaved{}, LayoutDryRun{}), codes: wrote, handle: (*call).putLayout,
		},
		versions("/v1/sites/{site}/layout", "layoutVersions", "layout", (*call).layoutVersions),
		{
			method: "GET", path: "/v1/products", name: "getProducts", group: "Documents", summary: "Get the products",
			scopes: readers, long: true, params: []param{paramVersion, paramFormat, ifNoneMatch},
			answers: []answer{{200, "The products.", []content{{mediaJSON, productsDocument{}}, {mediaCSV, nil}}}, notChanged},
			codes:   []Code{codeUnknownDocument, codeNotAcceptable}, handle: (*call).getProducts,
		},
		products("PUT", "putProducts", "Replace the products", (*call).putProducts),
		products("PATCH", "patchProducts", "Add products, and replace those that are there", (*call).mergeProducts),
		products("POST", "mergeProducts", "Add products, and replace those that are there", (*call).mergeProducts),
		versions("/v1/products", "productVersions", "products", (*call).productVersions),
		{
			method: "GET", path: "/v1/rules", name: "getRules", group: "Documents", summary: "Get the rules",
			scopes: readers, params: []param{paramVersion, paramFormat, ifNoneMatch},
			answers: []answer{{200, "The rules, as they were written or parsed.", []content{{mediaYAML, nil}, {mediaJSON, RulesView{}}}}, notChanged},
			codes:   []Code{codeUnknownDocument, codeNotAcceptable}, handle: (*call).getRules,
		}, {
			method: "PUT", path: "/v1/rules", name: "putRules", group: "Documents", summary: "Store the rules",
			scopes: author, allSites: true, params: []param{paramNote, ifMatch, ifNoneMatch}, body: []content{{mediaYAML, nil}},
			answers: saved(RulesSaved{}), codes: wrote, handle: (*call).putRules,
		}, {
			method: "POST", path: "/v1/rules/check", name: "checkRules", group: "Documents", summary: "Check rules without storing them",
			scopes: readers, body: []content{{mediaYAML, nil}}, answers: []answer{ok("What was found; errors are an answer too.", CheckAnswer{})}, handle: (*call).checkRules,
		},
		versions("/v1/rules", "ruleVersions", "rules", (*call).ruleVersions),
		{
			method: "GET", path: "/v1/channels", name: "getChannels", group: "Documents", summary: "Get the channels, with their secrets masked",
			scopes: readers, params: []param{paramVersion, ifNoneMatch}, answers: []answer{ok("The channels.", channelsDocument{}), notChanged},
			codes: []Code{codeUnknownDocument}, handle: (*call).getChannels,
		}, {
			method: "PUT", path: "/v1/channels", name: "putChannels", group: "Documents", summary: "Store the channels; a mask keeps what it stands for",
			scopes: author, allSites: true, params: []param{paramNote, ifMatch, ifNoneMatch}, body: inJSON(channelsDocument{}),
			answers: saved(ChannelsSaved{}), codes: wrote, handle: (*call).putChannels,
		},
		versions("/v1/channels", "channelVersions", "channels", (*call).channelVersions),
		{
			method: "POST", path: "/v1/channels/{name}/test", name: "testChannel", group: "Documents", summary: "Send a sample to a channel, now",
			scopes: author, allSites: true, keyed: true, answers: []answer{ok("What came of it. That the receiver refused is an answer too.", OutcomeView{})},
			codes: []Code{codeUnknownChannel}, handle: (*call).testChannel,
		},
	}
}

func keyRoutes() []route {
	return []route{
		{
			method: "GET", path: "/v1/keys", name: "listKeys", group: "Keys", summary: "List the keys, without their texts",
			scopes: admin, allSites: true, answers: []answer{ok("The keys, revoked ones included.", KeyList{})}, handle: (*call).listKeys,
		}, {
			method: "POST", path: "/v1/keys", name: "makeKey", group: "Keys", summary: "Make a key",
			about:  "The text is shown once. Sent again with its Idempotency-Key the answer comes without it.",
			scopes: admin, allSites: true, keyed: true, body: inJSON(KeyRequest{}),
			answers: []answer{{201, "The key, with its text.", inJSON(KeyView{})}}, codes: []Code{codeKeyExists}, handle: (*call).makeKey,
		}, {
			method: "DELETE", path: "/v1/keys/{name}", name: "revokeKey", group: "Keys", summary: "Revoke a key",
			about:  "It ends on every node within a second.",
			scopes: admin, allSites: true, answers: []answer{{204, "It is revoked.", nil}}, codes: []Code{codeUnknownKey, codeLastAdmin}, handle: (*call).revokeKey,
		},
	}
}

func processRoutes() []route {
	return []route{
		{
			method: "GET", path: "/healthz", name: "healthz", group: "Process", summary: "Whether the process runs", open: true,
			answers: []answer{ok("It does.", Health{})}, handle: (*call).healthz,
		}, {
			method: "GET", path: "/readyz", name: "readyz", group: "Process", summary: "Whether the store can serve and all sites are worked", open: true,
			answers: []answer{ok("They are.", Health{}), {503, "They are not; the log says why.", inJSON(Health{})}}, handle: (*call).readyz,
		}, {
			method: "GET", path: "/metrics", name: "metrics", group: "Process", summary: "Metrics for Prometheus",
			scopes: operate, allSites: true, answers: []answer{{200, "The metrics.", []content{{"text/plain", nil}}}}, handle: (*call).metricsText,
		}, {
			method: "GET", path: "/openapi.json", name: "openapi", group: "Process", summary: "This document",
			answers: []answer{ok("The document.", map[string]any{})}, handle: (*call).openAPI,
		},
	}
}
