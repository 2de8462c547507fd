package api

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"lintel/engine/epcis"
	"lintel/engine/event"
	"lintel/engine/store"
)

const mediaJSONLD = "application/ld+json"

// defaultPublicURL begins the URIs of sites, zones and read points where none is set: a name that no one can own (RFC 6761).
const defaultPublicURL = "https://lintel.invalid"

var paramBehaviour = param{epcis.HeaderErrorBehaviour, "header", "What becomes of the good events of a document that has bad ones: nothing, or they are taken.",
	map[string]any{"type": "string", "enum": []string{string(epcis.Rollback), string(epcis.Proceed)}, "default": string(epcis.Rollback)}}

func epcisRoutes() []route {
	const group = "EPCIS"
	capture := []string{ScopeSales}
	version := param{epcis.HeaderEPCISVersion, "header", "The version that the caller speaks; only 2.0 is taken.", stringSchema}
	return []route{
		{
			method: "POST", path: "/epcis/capture", name: "capture", group: group, summary: "Capture EPCIS 2.0 events",
			about: "An EPCISDocument, an EPCISQueryDocument, or one event with its own @context. Read points and business locations are URIs as the export writes them: " +
				"<public URL>/sites/{site}/zones/{zone} and .../read-points/{id}. They say which site an event belongs to; \"site\" says it for events that name no place.\n\n" +
				"202: all that the events mean is durable in the journal, in one step for each site, and will be worked through; the job tells when it was, and what had no effect. " +
				"The same document sent again within 24 hours is not applied again, and has the same job. With rollback, all events must belong to one site.",
			scopes: capture, long: true, keyed: true,
			params:  []param{{"site", "query", "The site of events that name no place.", stringSchema}, paramBehaviour, version},
			body:    []content{{mediaJSONLD, nil}, {mediaJSON, map[string]any{}}},
			answers: []answer{{202, "Taken. Location leads to the job.", inJSON(CaptureJob{})}},
			codes:   []Code{codeInvalidEPCIS, codeBatchTooLarge, codeUnknownSite, codeMissingSite, codeNotAcceptable}, handle: (*call).capture,
		}, {
			method: "GET", path: "/epcis/capture", name: "captureJobs", group: group, summary: "List capture jobs, newest first",
			about:  "Those whose events belong to sites that the key is for. The header Link leads to the next page.",
			scopes: []string{ScopeSales, ScopeOperate},
			params: []param{{"perPage", "query", "How many jobs a page has, at most 1,000.", map[string]any{"type": "integer", "minimum": 1, "maximum": 1000, "default": 30}},
				{"nextPageToken", "query", "From the Link header of the page before.", stringSchema}},
			answers: []answer{ok("One page of jobs.", []CaptureJob{})}, handle: (*call).captureJobs,
		}, {
			method: "GET", path: "/epcis/capture/{id}", name: "captureJob", group: group, summary: "Get a capture job",
			about:  "Jobs are kept for 7 days.",
			scopes: []string{ScopeSales, ScopeOperate}, answers: []answer{ok("The job.", CaptureJob{})}, codes: []Code{codeUnknownCapture}, handle: (*call).captureJob,
		}, {
			method: "OPTIONS", path: "/epcis/capture", name: "captureOptions", group: group, summary: "Learn what the capture interface takes, from the headers",
			scopes: []string{ScopeSales, ScopeOperate}, answers: []answer{{204, "The headers say it.", nil}}, handle: (*call).captureOptions,
		},
	}
}

func (c *call) captureOptions() error {
	c.api.epcisHeaders(c.Response().Header())
	c.Response().Header().Set("Allow", "GET, POST, OPTIONS")
	return c.NoContent(http.StatusNoContent)
}

// epcisHeaders say which versions and sizes are taken.
func (a *API) epcisHeaders(h http.Header) {
	for _, name := range []string{
		epcis.HeaderEPCISVersion, epcis.HeaderEPCISMin, epcis.HeaderEPCISMax, epcis.HeaderCBVVersion, epcis.HeaderCBVMin, epcis.HeaderCBVMax,
	} {
		h.Set(name, epcis.Version)
	}
	h.Set(epcis.HeaderEPCFormat, "Always_GS1_Digital_Link")
	h.Set(epcis.HeaderCaptureLimit, strconv.Itoa(a.opt.BatchLimit))
	h.Set(epcis.HeaderCaptureFileLimit, strconv.FormatInt(a.opt.ProductsLimit, 10))
}

// epcisProblem gives a problem of the EPCIS routes the type that the standard has for it, and its headers.
func (a *API) epcisProblem(c echo.Context, p *Problem) *Problem {
	if !strings.HasPrefix(c.Path(), "/epcis/") {
		return p
	}
	a.epcisHeaders(c.Response().Header())
	var x epcis.Exception
	switch status := p.status(); {
	case p.code == codeInvalidParameter || p.code == codeInvalidIdempotencyKey:
		x = epcis.ExceptionQueryParameter
	case status == 400 || status == 422:
		x = epcis.ExceptionValidation
	case status == 401 || status == 403:
		x = epcis.ExceptionSecurity
	case status == 404:
		x = epcis.ExceptionNoSuchResource
	case status == 406:
		x = epcis.ExceptionNotAcceptable
	case status == 409:
		x = epcis.ExceptionResourceAlreadyExists
	case status == 413:
		x = epcis.ExceptionCaptureLimitExceeded
	case status == 415:
		x = epcis.ExceptionUnsupportedMediaType
	default:
		x = epcis.ExceptionImplementation
	}
	return p.with("type", string(x)).with("title", x.Title())
}

// directory returns the places of a site by their URIs.
func (c *call) directory(site string) (*epcis.Directory, error) {
	lay, err := c.api.layoutOf(c.Request().Context(), site)
	if err != nil {
		return nil, err
	}
	return epcis.NewDirectory(c.api.opt.PublicURL, lay, nil)
}

// factsPage is how many facts are read from the store at one time: a slow client must not hold the store's listing open.
const factsPage = 5000

// factsAsEPCIS streams the facts of a range as an EPCIS document.
func (c *call) factsAsEPCIS(want func(*event.Fact) bool) error {
	if as := c.QueryParam("as"); as != "epcis" {
		return badParam("as", "%s must be \"epcis\"", shown([]byte(as)))
	}
	for _, name := range []string{"limit", "cursor"} {
		if c.QueryParam(name) != "" {
			return badParam(name, "a document has all events of its range: narrow it down by from, to and cause")
		}
	}
	from, to, err := c.factRange()
	if err != nil {
		return err
	}
	places, err := c.directory(c.site)
	if err != nil {
		return err
	}
	c.api.epcisHeaders(c.Response().Header())
	c.Response().Header().Set("Content-Type", mediaJSONLD)
	_, err = epcis.WriteFacts(&deadlineWriter{c: c}, c.facts(from, to, want), epcis.ExportOptions{Places: places, Created: c.api.opt.Now().UnixMilli()})
	return c.brokenOff(unavailable(err))
}

// facts gives the facts of a range, page by page.
func (c *call) facts(from, to store.FactID, want func(*event.Fact) bool) func(func(*event.Fact, error) bool) {
	return func(yield func(*event.Fact, error) bool) {
		page := make([]event.Fact, 0, factsPage)
		for {
			page = page[:0]
			err := c.api.store.Facts(c.Request().Context(), c.site, from, to, factsPage, func(id store.FactID, data []byte) error {
				var f event.Fact
				if err := event.DecodeFact(data, id.Ms, id.N, &f); err != nil {
					return fmt.Errorf("fact %d-%d: %w", id.Ms, id.N, err)
				}
				page = append(page, f)
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
