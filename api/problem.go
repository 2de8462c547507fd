package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"

	"github.com/labstack/echo/v4"

	"lintel/engine/runner"
	"lintel/engine/store"
)

// Code is a stable word for what went wrong: what programs branch on. It is the member "code" of every problem.
type Code string

// The codes.
const (
	codeInvalidJSON           Code = "invalid_json"
	codeInvalidBody           Code = "invalid_body"
	codeInvalidParameter      Code = "invalid_parameter"
	codeInvalidIdempotencyKey Code = "invalid_idempotency_key"
	codeInvalidIdentity       Code = "invalid_identity"
	codeInvalidEncoding       Code = "invalid_encoding"
	codeInvalidEPCIS          Code = "invalid_epcis"
	codeUnauthorized          Code = "unauthorized"
	codeMissingScope          Code = "missing_scope"
	codeMissingSite           Code = "missing_site"
	codeNotFound              Code = "not_found"
	codeUnknownSite           Code = "unknown_site"
	codeUnknownItem           Code = "unknown_item"
	codeUnknownZone           Code = "unknown_zone"
	codeUnknownFact           Code = "unknown_fact"
	codeNoPassage             Code = "no_passage"
	codeUnknownAlert          Code = "unknown_alert"
	codeUnknownDelivery       Code = "unknown_delivery"
	codeUnknownCount          Code = "unknown_count"
	codeUnknownCapture        Code = "unknown_capture"
	codeUnknownDocument       Code = "unknown_document"
	codeUnknownChannel        Code = "unknown_channel"
	codeUnknownKey            Code = "unknown_key"
	codeUnknownRule           Code = "unknown_rule"
	codeMethodNotAllowed      Code = "method_not_allowed"
	codeNotAcceptable         Code = "not_acceptable"
	codeAlertStatus           Code = "alert_status"
	codeCountStatus           Code = "count_status"
	codeChannelStopped        Code = "channel_stopped"
	codeIdempotencyBusy       Code = "idempotency_in_progress"
	codeIdempotencyLost       Code = "idempotency_outcome_unknown"
	codeKeyExists             Code = "key_exists"
	codeLastAdmin             Code = "last_admin"
	codeConflict              Code = "conflict"
	codeVersionMismatch       Code = "version_mismatch"
	codeBodyTooLarge          Code = "body_too_large"
	codeBatchTooLarge         Code = "batch_too_large"
	codeUnsupportedType       Code = "unsupported_media_type"
	codeUnsupportedEncoding   Code = "unsupported_encoding"
	codeInvalidDocument       Code = "invalid_document"
	codeIdempotencyMismatch   Code = "idempotency_mismatch"
	codeInternal              Code = "internal"
	codeUnavailable           Code = "unavailable"
	codeTimeout               Code = "timeout"
	codeTooManyStreams        Code = "too_many_streams"
	codeTooManyTrials         Code = "too_many_trials"
)

// problems is the one table of what can go wrong and which status says so.
var problems = map[Code]struct {
	status  int
	meaning string // for the OpenAPI document
}{
	codeInvalidJSON:           {400, "The body is not valid JSON or not UTF-8."},
	codeInvalidBody:           {400, "The body is valid JSON of the wrong shape."},
	codeInvalidParameter:      {400, "A path or query parameter, or a header, is malformed."},
	codeInvalidIdempotencyKey: {400, "The Idempotency-Key is malformed."},
	codeInvalidIdentity:       {400, "The tag identity is malformed or breaks the standard."},
	codeInvalidEncoding:       {400, "The body is not what its Content-Encoding says."},
	codeInvalidEPCIS:          {400, "The document breaks EPCIS 2.0, or its events can't be taken, as the answer lists. Nothing was taken."},
	codeUnauthorized:          {401, "There is no key, or it is not known or was revoked."},
	codeMissingScope:          {403, "The key lacks the scope that the route needs."},
	codeMissingSite:           {403, "The key is not for this site."},
	codeNotFound:              {404, "There is no such route."},
	codeUnknownSite:           {404, "There is no such site."},
	codeUnknownItem:           {404, "The site has no such item."},
	codeUnknownZone:           {404, "The site's layout has no such zone."},
	codeUnknownFact:           {404, "There is no such fact, or it is too old."},
	codeNoPassage:             {404, "The fact is no passage, or its reads are no longer in the journal."},
	codeUnknownAlert:          {404, "There is no such alert."},
	codeUnknownDelivery:       {404, "There is no such delivery."},
	codeUnknownCount:          {404, "There is no such count."},
	codeUnknownCapture:        {404, "There is no such capture job, or it is too old."},
	codeUnknownDocument:       {404, "There is no such document, or no such version of it."},
	codeUnknownChannel:        {404, "There is no such channel."},
	codeUnknownKey:            {404, "There is no key of that name."},
	codeUnknownRule:           {404, "There is no such rule."},
	codeMethodNotAllowed:      {405, "The route exists, the method does not."},
	codeNotAcceptable:         {406, "The answer does not exist in the form that Accept asks for."},
	codeAlertStatus:           {409, "The alert is not in a status in which this can be done."},
	codeCountStatus:           {409, "The count is not in a status in which this can be done."},
	codeChannelStopped:        {409, "The channel is stopped or disabled, so nothing could be sent to it."},
	codeIdempotencyBusy:       {409, "The first request with this Idempotency-Key is still running."},
	codeIdempotencyLost:       {409, "The first request with this Idempotency-Key never ended. Look what became of it and use a new key."},
	codeKeyExists:             {409, "A key of that name exists or existed."},
	codeLastAdmin:             {409, "The last key with the scope admin can't be revoked."},
	codeConflict:              {409, "Somebody else changed it at the same moment. Try again."},
	codeVersionMismatch:       {412, "The document is not at the version that If-Match or If-None-Match wants."},
	codeBodyTooLarge:          {413, "The body is larger than the limit, which the answer names."},
	codeBatchTooLarge:         {413, "The batch has more elements than the limit, which the answer names."},
	codeUnsupportedType:       {415, "The Content-Type is none that the route takes."},
	codeUnsupportedEncoding:   {415, "The Content-Encoding is not gzip."},
	codeInvalidDocument:       {422, "The document has errors, which the answer lists. Nothing was stored."},
	codeIdempotencyMismatch:   {422, "The Idempotency-Key was used with another request."},
	codeInternal:              {500, "Something failed here. The log has it under the request's id."},
	codeUnavailable:           {503, "The store or the site can't serve now. Try again."},
	codeTimeout:               {503, "It took too long. It may still take effect: try again with the same Idempotency-Key."},
	codeTooManyStreams:        {503, "The server has as many live streams as it takes."},
	codeTooManyTrials:         {503, "The server runs as many trials as it takes. Try again when one has ended."},
}

// Problem is an error as the caller sees it: problem details by RFC 9457. Its type is always "about:blank", so that the title is the status phrase, and
// "code" says more.
type Problem struct {
	code   Code
	detail string
	extra  map[string]any
	cause  error // for the log only
}

func (p *Problem) Error() string {
	if p.cause != nil {
		return fmt.Sprintf("%s: %s (%v)", p.code, p.detail, p.cause)
	}
	return fmt.Sprintf("%s: %s", p.code, p.detail)
}

func (p *Problem) Unwrap() error { return p.cause }

func (p *Problem) status() int { return problems[p.code].status }

// with adds a member.
func (p *Problem) with(name string, value any) *Problem {
	if p.extra == nil {
		p.extra = make(map[string]any)
	}
	p.extra[name] = value
	return p
}

func (p *Problem) because(err error) *Problem {
	p.cause = err
	return p
}

func problemf(code Code, format string, args ...any) *Problem {
	return &Problem{code: code, detail: fmt.Sprintf(format, args...)}
}

// body is what is answered. The request's id leads to the log.
func (p *Problem) body(requestID string) []byte {
	m := map[string]any{
		"type": "about:blank", "title": http.StatusText(p.status()), "status": p.status(), "detail": p.detail, "code": p.code,
	}
	if requestID != "" {
		m["request_id"] = requestID
	}
	maps.Copy(m, p.extra)
	b, err := json.Marshal(m)
	if err != nil {
		return []byte(`{"type":"about:blank","title":"Internal Server Error","status":500,"code":"internal"}`)
	}
	return b
}

// asProblem maps any error to what the caller may see. What is not known shows nothing of the inside.
func asProblem(err error) *Problem {
	var p *Problem
	var he *echo.HTTPError
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &p):
		return p
	case errors.Is(err, runner.ErrNoSite):
		return problemf(codeUnknownSite, "There is no such site: a site begins with its layout.")
	case errors.Is(err, store.ErrIdempotencyMismatch):
		return problemf(codeIdempotencyMismatch, "This Idempotency-Key was used with another request. Use a new key for a new request.")
	case errors.As(err, &tooLarge):
		return problemf(codeBodyTooLarge, "The body is larger than %d bytes.", tooLarge.Limit).with("limit", tooLarge.Limit)
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return problemf(codeTimeout, "It took too long. It may still take effect.").because(err)
	case errors.Is(err, store.ErrClosed):
		return problemf(codeUnavailable, "The server is shutting down.").because(err)
	case errors.As(err, &he):
		switch he.Code {
		case http.StatusNotFound:
			return problemf(codeNotFound, "There is no such route; /openapi.json lists them.")
		case http.StatusMethodNotAllowed:
			return problemf(codeMethodNotAllowed, "The route does not take this method.")
		}
	}
	return problemf(codeInternal, "Something failed here. The log has it under the request's id.").because(err)
}

// unavailable wraps a failure of the store: nothing was wrong with the request, and it may be tried again.
func unavailable(err error) error {
	var p *Problem
	switch {
	case err == nil:
		return nil
	case errors.As(err, &p), errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled), errors.Is(err, runner.ErrNoSite),
		errors.Is(err, store.ErrIdempotencyMismatch), errors.Is(err, store.ErrInvalid):
		return err
	}
	return problemf(codeUnavailable, "The store can't serve now. Try again.").because(err)
}
