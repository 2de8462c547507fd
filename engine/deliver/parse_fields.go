package deliver

import (
	"net/url"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/net/http/httpguts"

	"lintel/rules/doc"
)

// fields are the members of a channel.
type fields struct{ doc.Object }

// text returns a member that is a text. It never quotes it, since it may be a secret.
func (f *fields) text(name string, required bool) (string, bool) {
	s, ok := f.Text(name, required)
	if ok && s == "" && required {
		f.Problem(name, "", "is empty")
		return "", false
	}
	return s, ok
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
		f.Problem("url", "write the whole address", "is masked, and there is no channel of this name at that host to take the rest from")
		return ""
	}
	// The reason must not quote the address: it may hold a password.
	u, err := url.Parse(s)
	switch {
	case err != nil || !httpguts.ValidHostHeader(hostOf(u)):
		f.Problem("url", how, "is not a URL")
	case u.Scheme != "http" && u.Scheme != "https":
		f.Problem("url", how, "has the scheme %q; http and https are allowed", doc.Clip(u.Scheme))
	case u.User != nil:
		f.Problem("url", `put them into "headers", as "Authorization"`, "holds a user name or password")
	case u.Hostname() == "":
		f.Problem("url", how, "names no host")
	case u.Port() != "" && !validPort(u.Port()), strings.HasSuffix(u.Host, ":"):
		f.Problem("url", "use a number from 1 to 65535", "has a bad port")
	case u.Fragment != "" || strings.Contains(s, "#"):
		f.Problem("url", "leave it out", "has a fragment (what follows '#'), which is never sent")
	case len(s) > maxURLBytes:
		f.Problem("url", "", "is %d bytes long; at most %d are allowed", len(s), maxURLBytes)
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
	n := f.Get("secrets")
	if n == nil {
		return nil
	}
	switch {
	case n.Kind == doc.Sequence && len(n.Items) > MaxSecrets:
		f.About(n, "remove the oldest", "has %d secrets; at most %d are allowed: the new one, and the one that it "+
			"replaces", len(n.Items), MaxSecrets)
		return nil
	case n.Kind == doc.Sequence && len(n.Items) == 0:
		f.About(n, "leave it out, or add one", "is empty")
		return nil
	}
	list := f.ListOf(n, MaxSecrets)
	secrets, lasting := make([]Secret, 0, len(list)), false
	for _, item := range list {
		s, at := f.secret(item, old)
		lasting = lasting || s.NotAfter.IsZero()
		if s.Text != "" && slices.ContainsFunc(secrets, func(o Secret) bool { return o.Text == s.Text }) {
			f.About(at, "remove one of them", "stands twice")
		}
		secrets = append(secrets, s)
	}
	if len(secrets) > 0 && !lasting {
		f.About(n, `leave "not_after" out of the newest one`, "every secret ends, and after the last one nothing could be signed")
	}
	return secrets
}

// secret reads a text, or an object with the text and its end, and returns where the text stands.
func (f *fields) secret(n *doc.Node, old *Channel) (s Secret, at *doc.Node) {
	at = n
	if n.IsText() {
		s.Text = n.Text
	} else if o, ok := f.Object.Object(n, "secret", "not_after"); ok {
		s.NotAfter, _ = o.Time("not_after", false)
		if s.Text, ok = o.Text("secret", true); !ok {
			return s, n
		}
		at = o.Get("secret")
	} else {
		return s, n
	}
	switch {
	case s.Text == "":
		f.About(at, "", "is empty")
	case strings.HasPrefix(s.Text, maskSecret):
		if s.Text = keptSecret(s.Text, old); s.Text == "" {
			f.About(at, "write the secret itself, or make a new one", "is masked, and the channel has no secret with this mask")
		}
	default:
		if _, err := decodeSecret(s.Text); err != nil {
			f.About(at, secretHint, "%v", err)
		}
	}
	return s, at
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

// ours are the headers that a channel can't set: what we send ourselves, and what belongs to the
// connection.
var ours = map[string]bool{
	"accept-encoding": true, "connection": true, "content-encoding": true, "content-length": true, "content-type": true, "expect": true,
	"host": true, "idempotency-key": true, "keep-alive": true, "proxy-authenticate": true, "proxy-authorization": true,
	"proxy-connection": true, "te": true,
	"trailer": true, "transfer-encoding": true, "upgrade": true, "user-agent": true,
}

func (f *fields) headers(old *Channel, newURL string) map[string]string {
	n := f.Get("headers")
	if n == nil {
		return nil
	}
	switch {
	case n.Kind != doc.Mapping:
		f.About(n, `write it like {"Authorization": "Bearer ..."}`, "is %s where an object is expected", n.Is())
		return nil
	case len(n.Fields) > MaxHeaders:
		f.About(n, "", "has %d headers; at most %d are allowed", len(n.Fields), MaxHeaders)
		return nil
	}
	headers := map[string]string{}
	seen := map[string]bool{}
	for _, m := range n.Fields {
		name, value := m.Key.Text, m.Value.Text
		lower := strings.ToLower(name)
		switch {
		case !httpguts.ValidHeaderFieldName(name) || len(name) > 128:
			f.About(m.Key, "use letters, digits and '-'", "is not the name of a header")
		case ours[lower] || strings.HasPrefix(lower, "webhook-"):
			f.About(m.Key, "leave it out", "is set by Lintel itself")
		case seen[lower]:
			f.About(m.Key, "keep one of them", "stands twice")
		case !m.Value.IsText():
			f.TextOf(m.Value)
		case value == maskText:
			kept, ok := keptHeader(old, newURL, lower)
			if !ok {
				f.About(m.Value, "write the value itself", "is masked, and this channel has no such header for this host")
			}
			headers[name] = kept
		case !httpguts.ValidHeaderFieldValue(value):
			f.About(m.Value, "use visible characters and spaces only", "has a value that no header can have")
		case len(value) > maxHeaderBytes:
			f.About(m.Value, "", "has a value of %d bytes; at most %d are allowed", len(value), maxHeaderBytes)
		default:
			headers[name] = value
		}
		seen[lower] = true
	}
	return headers
}

// values reads the secrets that a template fills in. Like headers they are kept for the same host
// only, since that is where they are sent.
func (f *fields) values(old *Channel, newURL string) map[string]string {
	n := f.Get("values")
	if n == nil {
		return nil
	}
	switch {
	case n.Kind != doc.Mapping:
		f.About(n, `write it like {"routing_key": "..."}`, "is %s where an object is expected", n.Is())
		return nil
	case len(n.Fields) > MaxValues:
		f.About(n, "", "has %d values; at most %d are allowed", len(n.Fields), MaxValues)
		return nil
	}
	values := map[string]string{}
	for _, m := range n.Fields {
		name, value := m.Key.Text, m.Value.Text
		_, twice := values[name]
		switch {
		case len(name) > 64 || !validPart(name):
			f.About(m.Key, "use letters, digits, '-' and '_'", "is not the name of a value")
		case twice:
			f.About(m.Key, "keep one of them", "stands twice")
		case !m.Value.IsText():
			f.TextOf(m.Value)
		case len(value) > maxHeaderBytes:
			f.About(m.Value, "", "has a value of %d bytes; at most %d are allowed", len(value), maxHeaderBytes)
		case value == maskText && (old == nil || old.Values[name] == "" || !sameOrigin(old.URL, newURL)):
			f.About(m.Value, "write the value itself", "is masked, and this channel has no such value for this host")
		case value == maskText:
			value = old.Values[name]
		}
		values[name] = value
	}
	return values
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
	var types []string
	for _, n := range f.List("types", MaxTypes) {
		switch s, ok := f.TextOf(n); {
		case !ok:
		case !validType(s):
			f.About(n, `write a type or its beginning, like "alert.opened" or "alert"`, "%q is not a type of messages", doc.Clip(s))
		default:
			types = append(types, s)
		}
	}
	return types
}

// validType reports whether s consists of parts of a-z, A-Z, 0-9 and '_' with full stops between,
// as Standard Webhooks has it.
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
