package client

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"
	"unicode"
)

// Problem is an answer that is not 2xx: problem details by RFC 9457.
type Problem struct {
	Type     string // "about:blank" where the title is the status phrase
	Title    string
	Status   int // of HTTP
	Detail   string
	Instance string

	Code       string                     // a stable word for what went wrong; empty if no Lintel server answered
	RequestID  string                     // leads to the server's log
	Extensions map[string]json.RawMessage // every other member, such as errors, diagnostics, version
}

// Error says what is wrong on one line.
func (p *Problem) Error() string {
	var b strings.Builder
	b.WriteString("the server refused")
	if p.Code == "" {
		b.WriteString(" (" + p.Title + ")")
	}
	if p.Detail != "" {
		b.WriteString(": " + oneLine(p.Detail))
	}
	if p.Code != "" {
		fmt.Fprintf(&b, " [%d %s]", p.Status, oneLine(p.Code))
	}
	if p.Status >= 500 && p.RequestID != "" {
		fmt.Fprintf(&b, " (request %s)", oneLine(p.RequestID))
	}
	return b.String()
}

// Extension decodes a member of the server's own into v and reports whether it is there and fits.
func (p *Problem) Extension(name string, v any) bool {
	raw, ok := p.Extensions[name]
	return ok && json.Unmarshal(raw, v) == nil
}

// IsCode reports whether an error is a problem with this code.
func IsCode(err error, code string) bool {
	var p *Problem
	return errors.As(err, &p) && p.Code == code
}

// maxProblem bounds what is read of an answer that is an error: lists of what is wrong with
// products are long.
const maxProblem = 8 << 20

// readProblem makes a problem of an answer, whatever it is.
func readProblem(res *http.Response) *Problem {
	p := &Problem{Type: "about:blank", Title: fmt.Sprintf("%d %s", res.StatusCode, http.StatusText(res.StatusCode)),
		Status: res.StatusCode, RequestID: res.Header.Get("X-Request-Id")}
	media, _, _ := mime.ParseMediaType(res.Header.Get("Content-Type"))
	if media == "application/problem+json" {
		b, err := io.ReadAll(io.LimitReader(res.Body, maxProblem))
		if err == nil && p.read(b) {
			return p
		}
		p.Detail = "the answer broke off or can't be read"
		return p
	}
	switch {
	case res.StatusCode/100 == 3 && res.Header.Get("Location") != "":
		p.Detail = "it is a redirect, which is not followed, since the key would go with it: give the address that it leads to"
	default:
		p.Detail = "the answer has no problem details, so it may not come from a Lintel server: look at the " +
			"address and at what stands between"
	}
	return p
}

// read takes over the members of RFC 9457, section 3.1, and reports whether b is an object. As that
// section has it, a member of the wrong type is ignored, and the status is the one of HTTP.
func (p *Problem) read(b []byte) bool {
	var members map[string]json.RawMessage
	if json.Unmarshal(b, &members) != nil || members == nil {
		return false
	}
	for name, to := range map[string]*string{
		"type": &p.Type, "title": &p.Title, "detail": &p.Detail, "instance": &p.Instance, "code": &p.Code, "request_id": &p.RequestID,
	} {
		var s string
		if raw, ok := members[name]; ok && json.Unmarshal(raw, &s) == nil && s != "" {
			*to = s
		}
		delete(members, name)
	}
	delete(members, "status")
	if len(members) > 0 {
		p.Extensions = members
	}
	return true
}

// oneLine keeps what an answer says from moving a terminal's cursor.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, s)
}
