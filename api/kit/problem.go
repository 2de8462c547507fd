package kit

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"

	"github.com/labstack/echo/v4"

	"lintel/engine/store"
)

// Code is a kind of problem. Each resource has its own beside those of this package.
type Code struct {
	Name    string // the stable word that programs branch on: the member "code" of the problem
	Status  int    // HTTP status
	Meaning string // a sentence for the OpenAPI document
}

// MarshalText returns the code's name, which is what JSON has of it.
func (c Code) MarshalText() ([]byte, error) { return []byte(c.Name), nil }

// Codes that come of what is around a route, or that any resource may answer with.
var (
	CodeInvalidJSON           = Code{"invalid_json", 400, "The body is not valid JSON or not UTF-8."}
	CodeInvalidBody           = Code{"invalid_body", 400, "The body is valid JSON of the wrong shape."}
	CodeInvalidParameter      = Code{"invalid_parameter", 400, "A path or query parameter, or a header, is malformed."}
	CodeInvalidIdempotencyKey = Code{"invalid_idempotency_key", 400, "The Idempotency-Key is malformed."}
	CodeInvalidEncoding       = Code{"invalid_encoding", 400, "The body is not what its Content-Encoding says."}
	CodeUnauthorized          = Code{"unauthorized", 401, "There is no key, or it is not known or was revoked."}
	CodeMissingScope          = Code{"missing_scope", 403, "The key lacks the scope that the route needs."}
	CodeMissingSite           = Code{"missing_site", 403, "The key is not for this site."}
	CodeCrossOrigin           = Code{"cross_origin", 403, "A page of another origin asked with the session of this one."}
	CodeUnknownHost           = Code{"unknown_host", 403, "A browser reached the server by a name that is none of its own."}
	CodeNotFound              = Code{"not_found", 404, "There is no such route."}
	CodeUnknownSite           = Code{"unknown_site", 404, "There is no such site."}
	CodeMethodNotAllowed      = Code{"method_not_allowed", 405, "The route exists, the method does not."}
	CodeNotAcceptable         = Code{"not_acceptable", 406, "The answer does not exist in the form that Accept asks for."}
	CodeIdempotencyBusy       = Code{"idempotency_in_progress", 409, "The first request with this Idempotency-Key is still running."}
	CodeIdempotencyLost       = Code{"idempotency_outcome_unknown", 409,
		"The first request with this Idempotency-Key never ended. Look what became of it and use a new key."}
	CodeConflict            = Code{"conflict", 409, "Somebody else changed it at the same moment. Try again."}
	CodeVersionMismatch     = Code{"version_mismatch", 412, "The document is not at the version that If-Match or If-None-Match wants."}
	CodeBodyTooLarge        = Code{"body_too_large", 413, "The body is larger than the limit, which the answer names."}
	CodeUnsupportedType     = Code{"unsupported_media_type", 415, "The Content-Type is none that the route takes."}
	CodeUnsupportedEncoding = Code{"unsupported_encoding", 415, "The Content-Encoding is not gzip."}
	CodeInvalidDocument     = Code{"invalid_document", 422, "The document has errors, which the answer lists. Nothing was stored."}
	CodeIdempotencyMismatch = Code{"idempotency_mismatch", 422, "The Idempotency-Key was used with another request."}
	CodeInternal            = Code{"internal", 500, "Something failed here. The log has it under the request's id."}
	CodeBusy                = Code{"busy", 503, "The server has as much to do at this moment as it takes. Nothing was taken: try again."}
	CodeStoreFull           = Code{"store_full", 503, "The server has no room to store anything. Nothing was taken: try again later."}
	CodeUnavailable         = Code{"unavailable", 503, "The store or the site can't serve now. Try again."}
	CodeTimeout             = Code{"timeout", 503, "It took too long. It may still take effect: try again with the same Idempotency-Key."}
)

// codes lists the codes of this package.
var codes = []Code{
	CodeInvalidJSON, CodeInvalidBody, CodeInvalidParameter, CodeInvalidIdempotencyKey, CodeInvalidEncoding,
	CodeUnauthorized, CodeMissingScope, CodeMissingSite, CodeCrossOrigin, CodeUnknownHost, CodeNotFound, CodeUnknownSite, CodeMethodNotAllowed,
	CodeNotAcceptable, CodeIdempotencyBusy, CodeIdempotencyLost, CodeConflict, CodeVersionMismatch,
	CodeBodyTooLarge, CodeUnsupportedType, CodeUnsupportedEncoding, CodeInvalidDocument, CodeIdempotencyMismatch,
	CodeInternal, CodeBusy, CodeStoreFull, CodeUnavailable, CodeTimeout,
}

// Problem is an error as the caller sees it: problem details by RFC 9457. Its type is always
// "about:blank", so that the title is the status phrase, and "code" says more.
type Problem struct {
	Code   Code
	Detail string
	Extra  map[string]any // members beside those of every problem
	cause  error          // for the log only
}

func (p *Problem) Error() string {
	if p.cause != nil {
		return fmt.Sprintf("%s: %s (%v)", p.Code.Name, p.Detail, p.cause)
	}
	return fmt.Sprintf("%s: %s", p.Code.Name, p.Detail)
}

func (p *Problem) Unwrap() error { return p.cause }

// With adds a member.
func (p *Problem) With(name string, value any) *Problem {
	if p.Extra == nil {
		p.Extra = make(map[string]any)
	}
	p.Extra[name] = value
	return p
}

// Because adds the cause, which only the log shows.
func (p *Problem) Because(err error) *Problem {
	p.cause = err
	return p
}

// Problemf makes a problem.
func Problemf(code Code, format string, args ...any) *Problem {
	return &Problem{Code: code, Detail: fmt.Sprintf(format, args...)}
}

// body is what is answered. The request's id leads to the log.
func (p *Problem) body(requestID string) []byte {
	m := map[string]any{
		"type": "about:blank", "title": http.StatusText(p.Code.Status), "status": p.Code.Status, "detail": p.Detail, "code": p.Code,
	}
	if requestID != "" {
		m["request_id"] = requestID
	}
	maps.Copy(m, p.Extra)
	b, err := json.Marshal(m)
	if err != nil {
		return []byte(`{"type":"about:blank","title":"Internal Server Error","status":500,"code":"internal"}`)
	}
	return b
}

// codeHeader is a header of the answers with a problem, and its value.
type codeHeader struct {
	Param
	value string
}

// header returns the header that answers with the problem have, if they have one.
func (c Code) header() (h codeHeader, ok bool) {
	switch {
	case c == CodeUnauthorized:
		return codeHeader{Header("WWW-Authenticate", "How to authenticate (RFC 9110)."), `Bearer realm="lintel"`}, true
	case c.Status == http.StatusServiceUnavailable, c == CodeIdempotencyBusy:
		retry := Header("Retry-After", "Send the request again after so many seconds.").Of(map[string]any{"type": "integer"})
		return codeHeader{retry, "1"}, true
	case c == CodeUnsupportedEncoding:
		return codeHeader{Header("Accept-Encoding", "How the body of a request may be encoded."), "gzip"}, true
	}
	return h, false
}

// AsProblem maps any error to what the caller may see. What is not known shows nothing of the
// inside.
func AsProblem(err error) *Problem {
	var p *Problem
	var he *echo.HTTPError
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &p):
		return p
	case errors.Is(err, store.ErrIdempotencyMismatch):
		return Problemf(CodeIdempotencyMismatch, "This Idempotency-Key was used with another request. Use a new key for a new request.")
	case errors.As(err, &tooLarge):
		return Problemf(CodeBodyTooLarge, "The body is larger than %d bytes.", tooLarge.Limit).With("limit", tooLarge.Limit)
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return Problemf(CodeTimeout, "It took too long. It may still take effect.").Because(err)
	case errors.Is(err, store.ErrFull):
		return full(err)
	case errors.Is(err, store.ErrClosed):
		return Problemf(CodeUnavailable, "The server is shutting down.").Because(err)
	case errors.As(err, &he):
		switch he.Code {
		case http.StatusNotFound:
			return Problemf(CodeNotFound, "There is no such route; /openapi.json lists them.")
		case http.StatusMethodNotAllowed:
			return Problemf(CodeMethodNotAllowed, "The route does not take this method.")
		}
	}
	return Problemf(CodeInternal, "Something failed here. The log has it under the request's id.").Because(err)
}

// Unavailable wraps a failure of the store: nothing was wrong with the request, and it may be tried
// again.
func Unavailable(err error) error {
	var p *Problem
	switch {
	case err == nil:
		return nil
	case errors.As(err, &p), errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled),
		errors.Is(err, store.ErrIdempotencyMismatch), errors.Is(err, store.ErrInvalid):
		return err
	}
	if errors.Is(err, store.ErrFull) {
		return full(err)
	}
	return Problemf(CodeUnavailable, "The store can't serve now. Try again.").Because(err)
}

func full(err error) *Problem {
	return Problemf(CodeStoreFull, "There is no room to store this: the server's disk, or the memory of its Redis, is full. Nothing was "+
		"taken. Whoever runs the server has to make room; its log says where. Then send it again.").Because(err)
}

// maxShown is the longest part of a caller's text that an answer repeats, in bytes.
const maxShown = 64

// Shown makes a caller's text fit for an answer: quoted, and cut at 64 bytes.
func Shown(b []byte) string {
	if len(b) > maxShown {
		return fmt.Sprintf("%q...", b[:maxShown])
	}
	return fmt.Sprintf("%q", b)
}
