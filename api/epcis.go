package api

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"lintel/api/kit"
	"lintel/engine/epcis"
	"lintel/engine/event"
	"lintel/engine/store"
)

var (
	codeInvalidEPCIS = kit.Code{Name: "invalid_epcis", Status: 400, Meaning: "The document breaks EPCIS 2.0, or " +
		"its events can't be taken, as the answer lists. Nothing was taken."}
	codeUnknownCapture = kit.Code{Name: "unknown_capture", Status: 404, Meaning: "There is no such capture job, or it is too old."}
)

const mediaJSONLD = "application/ld+json"

// defaultPublicURL begins the URIs of sites, zones and read points where none is set: a name that
// no one can own (RFC 6761).
const defaultPublicURL = "https://lintel.invalid"

var paramBehaviour = kit.Header(epcis.HeaderErrorBehaviour, "What becomes of the good events of a document that "+
	"has bad ones: nothing, or they are taken.").Of(map[string]any{"type": "string",
	"enum": []string{string(epcis.Rollback), string(epcis.Proceed)}, "default": string(epcis.Rollback)})

// epcisRoutes are the routes of the capture interface of EPCIS 2.0.
type epcisRoutes struct {
	*backend
	captures kit.Seldom // when old capture jobs were last dropped
}

func (h *epcisRoutes) table() []kit.Route {
	const group = "EPCIS"
	capture := []string{kit.ScopeSales}
	version := kit.Header(epcis.HeaderEPCISVersion, "The version that the caller speaks; only 2.0 is taken.")
	return []kit.Route{
		{
			Method: "POST", Path: "/epcis/capture", Name: "capture", Group: group, Summary: "Capture EPCIS 2.0 events",
			About: "An EPCISDocument, an EPCISQueryDocument, or one event with its own @context. Read points and " +
				"business locations are URIs as the export writes them: " +
				"<public URL>/sites/{site}/zones/{zone} and .../read-points/{id}. They say which site an event " +
				"belongs to; \"site\" says it for events that name no place.\n\n" +
				"202: all that the events mean is durable in the journal, in one step for each site, and will be " +
				"worked through; the job says when it was, and what had no effect. " +
				"The same document sent again within 24 hours is not applied again, and has the same job. With " +
				"rollback, all events must belong to one site.",
			Scopes: capture, Long: true, Keyed: true,
			Params:  []kit.Param{kit.Query("site", "The site of events that name no place."), paramBehaviour, version},
			Body:    []kit.Content{kit.As(mediaJSONLD, nil), kit.As(kit.MediaJSON, map[string]any{})},
			Answers: []kit.Answer{kit.Reply(202, "Taken. Location leads to the job.", kit.JSON(CaptureJob{})...)},
			Headers: append(slices.Clip(epcisParams), headerLocation, headerBehaviour, kit.Header(kit.HeaderReplayed, "true: the document was captured before.")),
			Codes: []kit.Code{codeInvalidEPCIS, codeBatchTooLarge, kit.CodeUnknownSite, kit.CodeMissingSite,
				kit.CodeNotAcceptable}, Handle: h.capture,
		}, {
			Method: "GET", Path: "/epcis/capture", Name: "captureJobs", Group: group, Summary: "List capture jobs, newest first",
			About:  "Those whose events belong to sites that the key is for. The header Link leads to the next page.",
			Scopes: []string{kit.ScopeSales, kit.ScopeOperate},
			Params: []kit.Param{kit.Query("perPage", "How many jobs a page has, at most 1,000.").Of(kit.IntSchema(1, 1000, 30)),
				kit.Query("nextPageToken", "From the Link header of the page before.")},
			Answers: []kit.Answer{kit.OK("One page of jobs.", []CaptureJob{})},
			Headers: append(slices.Clip(epcisParams), kit.Header("Link", "Leads to the next page (RFC 8288).")), Handle: h.captureJobs,
		}, {
			Method: "GET", Path: "/epcis/capture/{id}", Name: "captureJob", Group: group, Summary: "Get a capture job",
			About:  "Jobs are kept for 7 days.",
			Scopes: []string{kit.ScopeSales, kit.ScopeOperate}, Answers: []kit.Answer{kit.OK("The job.", CaptureJob{})},
			Headers: append(slices.Clip(epcisParams), headerBehaviour),
			Codes:   []kit.Code{codeUnknownCapture}, Handle: h.captureJob,
		}, {
			Method: "OPTIONS", Path: "/epcis/capture", Name: "captureOptions", Group: group,
			Summary: "Learn what the capture interface takes, from the headers",
			Scopes:  []string{kit.ScopeSales, kit.ScopeOperate},
			Answers: []kit.Answer{kit.Reply(204, "The headers say it.")},
			Headers: append(slices.Clip(epcisParams), kit.Header("Allow", "The methods that are served.")), Handle: h.captureOptions,
		},
	}
}

func (h *epcisRoutes) captureOptions(c *kit.Call) error {
	h.epcisHeaders(c.Response().Header())
	c.Response().Header().Set("Allow", "GET, POST, OPTIONS")
	return c.NoContent(http.StatusNoContent)
}

// epcisParams are the headers of EPCIS 2.0 on every answer of its routes.
var epcisParams = []kit.Param{
	kit.Header(epcis.HeaderEPCISVersion, "The version of EPCIS that is spoken."), kit.Header(epcis.HeaderEPCISMin, "The lowest version of it."),
	kit.Header(epcis.HeaderEPCISMax, "The highest version of it."), kit.Header(epcis.HeaderCBVVersion, "The version of the Core Business Vocabulary."),
	kit.Header(epcis.HeaderCBVMin, "The lowest version of it."), kit.Header(epcis.HeaderCBVMax, "The highest version of it."),
	kit.Header(epcis.HeaderEPCFormat, "How identities are written."), kit.Header(epcis.HeaderCaptureLimit, "How many events a document may have."),
	kit.Header(epcis.HeaderCaptureFileLimit, "How many bytes a document may have."),
}

// headerBehaviour says what was asked for where one of several events is at fault.
var headerBehaviour = kit.Header(epcis.HeaderErrorBehaviour, "What an event at fault does to the others: rollback or proceed.")

// epcisHeaders say which versions and sizes are taken.
func (b *backend) epcisHeaders(h http.Header) {
	for _, name := range []string{
		epcis.HeaderEPCISVersion, epcis.HeaderEPCISMin, epcis.HeaderEPCISMax, epcis.HeaderCBVVersion,
		epcis.HeaderCBVMin, epcis.HeaderCBVMax,
	} {
		h.Set(name, epcis.Version)
	}
	h.Set(epcis.HeaderEPCFormat, "Always_GS1_Digital_Link")
	h.Set(epcis.HeaderCaptureLimit, strconv.Itoa(b.opt.BatchLimit))
	h.Set(epcis.HeaderCaptureFileLimit, strconv.FormatInt(b.opt.ProductsLimit, 10))
}

// epcisExceptions are the types of problems that the standard has, by HTTP status.
var epcisExceptions = map[int]epcis.Exception{
	400: epcis.ExceptionValidation, 422: epcis.ExceptionValidation, 401: epcis.ExceptionSecurity, 403: epcis.ExceptionSecurity,
	404: epcis.ExceptionNoSuchResource, 406: epcis.ExceptionNotAcceptable, 409: epcis.ExceptionResourceAlreadyExists,
	413: epcis.ExceptionCaptureLimitExceeded, 415: epcis.ExceptionUnsupportedMediaType,
}

// epcisProblem gives a problem of the EPCIS routes the type that the standard has for it, and its
// headers.
func (b *backend) epcisProblem(c echo.Context, p *kit.Problem) *kit.Problem {
	if !strings.HasPrefix(c.Path(), "/epcis/") {
		return p
	}
	b.epcisHeaders(c.Response().Header())
	x, ok := epcisExceptions[p.Code.Status]
	if p.Code == kit.CodeInvalidParameter || p.Code == kit.CodeInvalidIdempotencyKey {
		x = epcis.ExceptionQueryParameter
	} else if !ok {
		x = epcis.ExceptionImplementation
	}
	return p.With("type", string(x)).With("title", x.Title())
}

// directory returns the places of a site by their URIs.
func (b *backend) directory(c *kit.Call, site string) (*epcis.Directory, error) {
	lay, err := b.layoutOf(c.Ctx(), site)
	if err != nil {
		return nil, err
	}
	return epcis.NewDirectory(b.opt.PublicURL, lay, nil)
}

// factsPage is how many facts are read from the store at one time: a slow client must not hold the
// store's listing open.
const factsPage = 5000

// factsAsEPCIS streams the facts of a range as an EPCIS document.
func (h factRoutes) factsAsEPCIS(c *kit.Call, want func(*event.Fact) bool) error {
	if c.QueryParam("as") == "" { // what follows is not what a caller means who writes ?as=
		return kit.BadParam("as", "it must be \"epcis\"")
	}
	for _, name := range []string{"limit", "cursor"} {
		if c.QueryParam(name) != "" {
			return kit.BadParam(name, "a document has all events of its range: narrow it down by from, to and cause")
		}
	}
	from, to, err := h.factRange(c)
	if err != nil {
		return err
	}
	places, err := h.directory(c, c.Site)
	if err != nil {
		return err
	}
	h.epcisHeaders(c.Response().Header())
	c.Response().Header().Set("Content-Type", mediaJSONLD)
	_, err = epcis.WriteFacts(c.Writer(), h.facts(c, from, to, want), epcis.ExportOptions{Places: places, Created: h.opt.Now().UnixMilli()})
	return c.BrokenOff(unavailable(err))
}

// facts gives the facts of a range, page by page.
func (b *backend) facts(c *kit.Call, from, to store.FactID, want func(*event.Fact) bool) func(func(*event.Fact, error) bool) {
	return func(yield func(*event.Fact, error) bool) {
		page := make([]event.Fact, 0, factsPage)
		for {
			page = page[:0]
			err := b.eachFact(c.Ctx(), c.Site, from, to, factsPage, func(_ store.FactID, f *event.Fact) error {
				page = append(page, *f)
				return nil
			})
			if err != nil {
				yield(nil, err)
				return
			}
			for i := range page {
				if want(&page[i]) && !yield(&page[i], nil) {
					return
				}
			}
			if len(page) < factsPage {
				return
			}
			last := &page[len(page)-1]
			from = store.FactID{Ms: last.Ms, N: last.N + 1}
		}
	}
}
