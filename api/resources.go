package api

import (
	"net/http"
	"reflect"
	"slices"
	"sync"

	"lintel/api/kit"
	"lintel/engine/deliver"
)

// resource is one part of the interface: a small type with the table of its routes and their
// handlers.
type resource interface{ table() []kit.Route }

// resources lists every resource, in the order of the OpenAPI document.
func (a *API) resources() []resource {
	b, d := a.backend, documents{a.backend}
	return []resource{
		intakeRoutes{b}, siteRoutes{b}, asideRoutes{b}, itemRoutes{b}, stockRoutes{b}, factRoutes{b}, a.live, findRoutes{b}, countRoutes{b},
		a.epcis, alertRoutes{b}, deliveryRoutes{b}, qualityRoutes{b}, whyRoutes{b}, layoutRoutes{d},
		productRoutes{d}, ruleRoutes{d}, channelRoutes{d}, doorRoutes{d}, passageRoutes{b}, a.trials, configurationRoutes{d},
		keyRoutes{b}, sessionRoutes{b}, signInRoutes{b}, processRoutes{b},
	}
}

// table is the one list of routes: the router, the OpenAPI document and the checks of keys come
// from it. Whoever may view may get all that whoever operates may get.
func (a *API) table() []kit.Route {
	var t []kit.Route
	for _, r := range a.resources() {
		t = append(t, r.table()...)
	}
	for i := range t {
		if r := &t[i]; r.Method == http.MethodGet && slices.Contains(r.Scopes, kit.ScopeOperate) && !slices.Contains(r.Scopes, kit.ScopeMetrics) {
			r.Scopes = append(slices.Clip(r.Scopes), kit.ScopeView)
		}
	}
	return t
}

// versionMark is put into the document where the program's version will be.
const versionMark = "{version}"

// openAPI says what of the OpenAPI document the routes do not.
var openAPI = kit.Document{
	Title: "Lintel", Version: versionMark,
	Description: "Where every tagged item of a shop is, and who must know when something is wrong.\n\n" +
		"Every route but /healthz, /readyz and /openapi.json wants a key: `Authorization: Bearer lk_...`. " +
		"Errors are problem details (RFC 9457) whose member `code` is stable. " +
		"Times are RFC 3339 in UTC. Bodies may be sent with Content-Encoding: gzip. " +
		"Every answer has an X-Request-Id, which is the caller's if it sends one, and which the log has too.",
	Prefixes: map[string]string{"lintel/engine/trial": "Trial", "lintel/engine/passages": "Passage", "lintel/engine/cases": "Case"},
	Examples: examples(),
	StandIns: map[reflect.Type]any{reflect.TypeFor[deliver.Channel](): channelDocument{}},
	Webhooks: []kit.Webhook{
		{
			Name: "alert", Summary: "What happened to an alert", Body: webhookBodies(alertMessage{}, alertCloudEvent{}),
			About: "Sent to every channel that a rule names, in the form that the channel has; a channel with a template " +
				"gets what that makes of it. Try after try, and with every repetition, the id is the same: count a message once.",
			Params: webhookHeaders,
		}, {
			Name: "channel", Summary: "What became of another channel", Body: webhookBodies(noticeMessage{}, noticeCloudEvent{}),
			About: "Sent to channels with about_channels.", Params: webhookHeaders,
		},
	},
}

// webhookBodies are the bodies of a message in the formats webhook and cloudevents.
func webhookBodies(plain, cloud any) []kit.Content {
	return []kit.Content{kit.As(kit.MediaJSON, plain), kit.As("application/cloudevents+json", cloud)}
}

// webhookHeaders are those of Standard Webhooks 1.0.
var webhookHeaders = []kit.Param{
	kit.Header(deliver.HeaderID, "Names the message."), kit.Header(deliver.HeaderTimestamp, "When this try was made: Unix seconds."),
	kit.Header(deliver.HeaderSignature, "v1 and the HMAC-SHA256 of id, timestamp and body, divided by full stops, for each secret of the channel."),
}

// openAPIDocument is the OpenAPI document of all routes. It takes long to make and is always the
// same.
var openAPIDocument = sync.OnceValue(func() []byte { return kit.MustJSON(openAPI.Of(new(API).table(), false)) })

// Parts of routes that come again and again.
var (
	paramLimit = func(def, highest int) kit.Param {
		return kit.Query("limit", "How many to answer at most.").Of(kit.IntSchema(1, highest, def))
	}
	paramCursor = kit.Query("cursor", "Where to go on: \"next\" of the answer before.")
	paramSite   = kit.Query("site", "Only this site.")
	paramWait   = kit.Query("wait", "Answer after the batch was worked through, with what came of it; at most 10s.").
			Of(map[string]any{"type": "string", "examples": []string{"2s"}})
	paramFrom = kit.Query("from",
		"Facts from this moment on, by the site clock: RFC 3339, or Unix milliseconds. Default: 24 hours before \"to\".")
	paramTo      = kit.Query("to", "Facts before this moment. Default: now.")
	paramCause   = kit.Query("cause", "Only these causes, with commas between.")
	paramVersion = kit.Query("version", "This version instead of the newest.").Of(kit.IntSchema(1, 0, 0))
	paramNote    = kit.Query("note", "Why the document is changed; kept with the version.").
			Of(map[string]any{"type": "string", "maxLength": maxNoteParam})
	paramDryRun  = kit.Flag("dry_run", "Check and compare, store nothing.")
	paramRemoval = kit.Flag("allow_removal", "It is meant that the document takes away more than half of what there is.")
	paramProduct = kit.Query("product", "Only this product: its GTIN or SKU.")
	paramZone    = kit.Query("zone", "Only this zone.")
	paramFormat  = kit.Query("format", "The form of the answer, as a link can ask for it; otherwise Accept does.")
	ifMatch      = kit.Header("If-Match", "The ETag that the document must have: nobody else's change is lost.")
	ifNoneMatch  = kit.Header("If-None-Match", "An ETag that the caller has; \"*\" when storing: the document must not exist yet.")
)

// Headers of answers.
var (
	headerETag     = kit.Header("ETag", "Names the version of what was asked for or stored, for If-Match and If-None-Match.")
	headerModified = kit.Header("Last-Modified", "When the version was stored (RFC 9110).")
	headerLocation = kit.Header("Location", "Where what was made is.")
	headerFile     = kit.Header("Content-Disposition", "A name for the file.")
	withETag       = []kit.Param{headerETag}
	withVersion    = []kit.Param{headerETag, headerModified}
	withCookie     = []kit.Param{kit.Header("Set-Cookie", "The session, for the browser only; or the end of it (RFC 6265).")}
	withFile       = []kit.Param{headerFile}
)

// Scopes that open a route.
var (
	operate = []string{kit.ScopeOperate}
	author  = []string{kit.ScopeAuthor}
	counter = []string{kit.ScopeOperate, kit.ScopeCount}
	readers = []string{kit.ScopeOperate, kit.ScopeAuthor}
	places  = []string{kit.ScopeOperate, kit.ScopeAuthor, kit.ScopeCount} // who counts chooses a place by its name
	admin   = []string{kit.ScopeAdmin}
)

// Answers that come again and again.
var (
	notChanged = kit.Reply(304, "The caller has this version already.")

	batchAnswers = []kit.Answer{
		kit.Reply(202, "Taken.", kit.JSON(BatchAnswer{})...),
		kit.Reply(200, "Taken and worked through, because wait was given.", kit.JSON(BatchAnswer{})...),
	}
)

// journaled are the answers to something that a person did, which goes through the journal.
func journaled(status int, about string, v any) []kit.Answer {
	return []kit.Answer{
		kit.Reply(status, about, kit.JSON(v)...),
		kit.Reply(202, "In the journal, not worked through yet.", kit.JSON(v)...),
	}
}
