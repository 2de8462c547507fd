package deliver

import (
	"fmt"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/valyala/fastjson"
	"golang.org/x/net/http/httpguts"

	"lintel/engine/faults"
)

// fields are the members of one object.
type fields struct {
	*parser
	path   string
	values map[string]*fastjson.Value
}

func (p *parser) object(path string, v *fastjson.Value, known ...string) fields {
	f := fields{parser: p, path: path, values: map[string]*fastjson.Value{}}
	o, err := v.Object()
	if err != nil {
		p.add(path, "write it in braces: { ... }", "is %s where an object is expected", kind(v))
		return f
	}
	o.Visit(func(key []byte, v *fastjson.Value) {
		name := string(key)
		switch _, twice := f.values[name]; {
		case twice:
			f.add(name, "keep one of them", "stands twice")
		case !slices.Contains(known, name):
			hint := "the fields are " + strings.Join(known, ", ")
			if near := faults.Nearest(name, known); near != "" {
				hint = fmt.Sprintf("did you mean %q?", near)
			}
			f.add(clip(name), hint, "there is no such field")
		case v.Type() == fastjson.TypeNull: // the same as not there
		default:
			f.values[name] = v
		}
	})
	return f
}

func (f *fields) at(name string) string {
	if f.path == "" {
		return name
	}
	return f.path + "." + name
}

func (f *fields) add(name, hint, reason string, args ...any) {
	f.parser.add(f.at(name), hint, reason, args...)
}

// clip shortens what a problem quotes.
func clip(s string) string {
	const most = 60
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "..."
}

func kind(v *fastjson.Value) string {
	switch v.Type() {
	case fastjson.TypeObject:
		return "an object"
	case fastjson.TypeArray:
		return "a list"
	case fastjson.TypeString:
		return "a text"
	case fastjson.TypeNumber:
		return "a number"
	case fastjson.TypeNull:
		return "null"
	}
	return "true or false"
}

// text returns a member that is a text. It never quotes it, since it may be a secret.
func (f *fields) text(name string, required bool) (string, bool) {
	v := f.values[name]
	if v == nil {
		if required {
			f.add(name, "", "is missing")
		}
		return "", false
	}
	b, err := v.StringBytes()
	if err != nil {
		f.add(name, "put it in quotation marks", "is %s where a text is expected", kind(v))
		return "", false
	}
	if len(b) == 0 && required {
		f.add(name, "", "is empty")
		return "", false
	}
	return string(b), true
}

func (f *fields) format() Format {
	s, ok := f.text("format", false)
	if !ok {
		if f.values["format"] == nil {
			return FormatWebhook
		}
		return ""
	}
	if !slices.Contains(formats, s) {
		hint := "use one of " + strings.Join(formats, ", ")
		if near := faults.Nearest(s, formats); near != "" {
			hint = fmt.Sprintf("did you mean %q?", near)
		}
		f.add("format", hint, "there is no format %q", clip(s))
		return ""
	}
	return Format(s)
}

func (f *fields) url(old *Channel) string {
	const how = "write it like https://tickets.example/hooks/lintel"
	s, ok := f.text("url", true)
	if !ok {
		return ""
	}
	if old != nil && s == old.redactedURL() {
		return old.URL
	}
	if strings.HasSuffix(s, "/"+maskText) {
		f.add("url", "write the whole address", "is masked, and there is no channel of this name at that host to take the rest from")
		return ""
	}
	// The reason must not quote the address: it may hold a password.
	u, err := url.Parse(s)
	switch {
	case err != nil || !httpguts.ValidHostHeader(hostOf(u)):
		f.add("url", how, "is not a URL")
	case u.Scheme != "http" && u.Scheme != "https":
		f.add("url", how, "has the scheme %q; http and https are allowed", clip(u.Scheme))
	case u.User != nil:
		f.add("url", `put them into "headers", as "Authorization"`, "holds a user name or password")
	case u.Hostname() == "":
		f.add("url", how, "names no host")
	case u.Port() != "" && !validPort(u.Port()), strings.HasSuffix(u.Host, ":"):
		f.add("url", "use a number from 1 to 65535", "has a bad port")
	case u.Fragment != "" || strings.Contains(s, "#"):
		f.add("url", "leave it out", "has a fragment (what follows '#'), which is never sent")
	case len(s) > maxURLBytes:
		f.add("url", "", "is %d bytes long; at most %d are allowed", len(s), maxURLBytes)
	default:
		return s
	}
	return ""
}

func hostOf(u *url.URL) string {
	if u == nil {
		return ""
	}
	return u.Host
}

func validPort(s string) bool {
	n, err := strconv.ParseUint(s, 10, 16)
	return err == nil && n > 0
}

const secretHint = `write "whsec_" and 24 to 64 random bytes in base64, for example what "openssl rand -base64 32" gives`

func (f *fields) secrets(old *Channel) []Secret {
	v := f.values["secrets"]
	if v == nil {
		return nil
	}
	list, err := v.Array()
	if err != nil {
		f.add("secrets", "write it in brackets: [ ... ]", "is %s where a list is expected", kind(v))
		return nil
	}
	if len(list) > MaxSecrets {
		f.add("secrets", "remove the oldest", "has %d secrets; at most %d are allowed: the new one, and the one that it replaces", len(list), MaxSecrets)
		return nil
	}
	if len(list) == 0 {
		f.add("secrets", "leave it out, or add one", "is empty")
		return nil
	}
	secrets, lasting := make([]Secret, 0, len(list)), false
	for i, v := range list {
		// A secret is a text, or an object with the text and its end.
		name := fmt.Sprintf("secrets[%d]", i)
		g, field := *f, name
		if v.Type() == fastjson.TypeString {
			g.values = map[string]*fastjson.Value{name: v}
		} else {
			g, field = f.object(f.at(name), v, "secret", "not_after"), "secret"
		}
		if v.Type() != fastjson.TypeString && v.Type() != fastjson.TypeObject {
			continue
		}
		var s Secret
		s.Text, _ = g.text(field, true)
		if strings.HasPrefix(s.Text, maskSecret) {
			s.Text = keptSecret(s.Text, old)
			if s.Text == "" {
				g.add(field, "write the secret itself, or make a new one", "is masked, and the channel has no secret with this mask")
			}
		} else if s.Text != "" {
			if _, err := decodeSecret(s.Text); err != nil {
				g.add(field, secretHint, "%v", err)
			}
		}
		if t, ok := g.text("not_after", false); ok {
			at, err := time.Parse(time.RFC3339, t)
			if err != nil {
				g.add("not_after", "write it like 2026-11-14T18:00:00Z", "is not a time")
			}
			s.NotAfter = at
		}
		lasting = lasting || s.NotAfter.IsZero()
		for _, other := range secrets {
			if other.Text == s.Text && s.Text != "" {
				g.add(field, "remove one of them", "stands twice")
			}
		}
		secrets = append(secrets, s)
	}
	if !lasting {
		f.add("secrets", `leave "not_after" out of the newest one`, "every secret ends, and after the last one nothing could be signed")
	}
	return secrets
}

func keptSecret(mask string, old *Channel) string {
	if old != nil {
		for _, s := range old.Secrets {
			if s.String() == mask {
				return s.Text
			}
		}
	}
	return ""
}

// ours are the headers that a channel can't set: what we send ourselves, and what belongs to the connection.
var ours = map[string]bool{
	"accept-encoding": true, "connection": true, "content-encoding": true, "content-length": true, "content-type": true, "expect": true,
	"host": true, "idempotency-key": true, "keep-alive": true, "proxy-authenticate": true, "proxy-authorization": true, "proxy-connection": true, "te": true,
	"trailer": true, "transfer-encoding": true, "upgrade": true, "user-agent": true,
}

func (f *fields) headers(old *Channel, newURL string) map[string]string {
	v := f.values["headers"]
	if v == nil {
		return nil
	}
	o, err := v.Object()
	if err != nil {
		f.add("headers", `write it like {"Authorization": "Bearer ..."}`, "is %s where an object is expected", kind(v))
		return nil
	}
	if o.Len() > MaxHeaders {
		f.add("headers", "", "has %d headers; at most %d are allowed", o.Len(), MaxHeaders)
		return nil
	}
	headers := map[string]string{}
	seen := map[string]bool{}
	o.Visit(func(key []byte, v *fastjson.Value) {
		name := string(key)
		lower := strings.ToLower(name)
		at := "headers." + clip(name)
		value, err := v.StringBytes()
		switch {
		case !httpguts.ValidHeaderFieldName(name) || len(name) > 128:
			f.add(at, "use letters, digits and '-'", "is not the name of a header")
		case ours[lower] || strings.HasPrefix(lower, "webhook-"):
			f.add(at, "leave it out", "is set by Lintel itself")
		case seen[lower]:
			f.add(at, "keep one of them", "stands twice")
		case err != nil:
			f.add(at, "put it in quotation marks", "is %s where a text is expected", kind(v))
		case string(value) == maskText:
			kept, ok := keptHeader(old, newURL, lower)
			if !ok {
				f.add(at, "write the value itself", "is masked, and this channel has no such header for this host")
			}
			headers[name] = kept
		case !httpguts.ValidHeaderFieldValue(string(value)):
			f.add(at, "use visible characters and spaces only", "has a value that no header can have")
		case len(value) > maxHeaderBytes:
			f.add(at, "", "has a value of %d bytes; at most %d are allowed", len(value), maxHeaderBytes)
		default:
			headers[name] = string(value)
		}
		seen[lower] = true
	})
	return headers
}

func keptHeader(old *Channel, newURL, lower string) (string, bool) {
	if old == nil || !sameOrigin(old.URL, newURL) {
		return "", false
	}
	for name, value := range old.Headers {
		if strings.ToLower(name) == lower {
			return value, true
		}
	}
	return "", false
}

func sameOrigin(a, b string) bool {
	ua, errA := url.Parse(a)
	ub, errB := url.Parse(b)
	return errA == nil && errB == nil && ua.Scheme == ub.Scheme && strings.EqualFold(ua.Host, ub.Host)
}

func (f *fields) types() []string {
	v := f.values["types"]
	if v == nil {
		return nil
	}
	list, err := v.Array()
	if err != nil {
		f.add("types", `write it like ["alert.opened", "alert.cleared"]`, "is %s where a list is expected", kind(v))
		return nil
	}
	if len(list) > MaxTypes {
		f.add("types", "", "has %d types; at most %d are allowed", len(list), MaxTypes)
		return nil
	}
	var types []string
	for i, v := range list {
		name := fmt.Sprintf("types[%d]", i)
		b, err := v.StringBytes()
		switch {
		case err != nil:
			f.add(name, "put it in quotation marks", "is %s where a text is expected", kind(v))
		case !validType(string(b)):
			f.add(name, `write a type or its beginning, like "alert.opened" or "alert"`, "%q is not a type of messages", clip(string(b)))
		default:
			types = append(types, string(b))
		}
	}
	return types
}

// validType reports whether s consists of parts of a-z, A-Z, 0-9 and '_' with full stops between, as Standard Webhooks has it.
func validType(s string) bool {
	if s == "" || len(s) > 128 {
		return false
	}
	for part := range strings.SplitSeq(s, ".") {
		if part == "" || strings.Trim(part, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_") != "" {
			return false
		}
	}
	return true
}

func (f *fields) duration(name string, least, most time.Duration) time.Duration {
	s, ok := f.text(name, false)
	if !ok {
		return 0
	}
	d, err := time.ParseDuration(s)
	if err != nil || d < least || d > most {
		f.add(name, `write it like "15s"`, "%q is not a length of time from %v to %v", clip(s), least, most)
		return 0
	}
	return d
}

func (f *fields) number(name string, least, most float64, whole bool) float64 {
	v := f.values[name]
	if v == nil {
		return 0
	}
	n, err := v.Float64()
	if err != nil {
		f.add(name, "write a number without quotation marks", "is %s where a number is expected", kind(v))
		return 0
	}
	if n < least || n > most || whole && n != math.Trunc(n) {
		what := "number"
		if whole {
			what = "whole number"
		}
		f.add(name, "", "must be a %s from %v to %v", what, least, most)
		return 0
	}
	return n
}

func (f *fields) flag(name string) bool {
	v := f.values[name]
	if v == nil {
		return false
	}
	b, err := v.Bool()
	if err != nil {
		f.add(name, "write true or false", "is %s", kind(v))
	}
	return b
}
