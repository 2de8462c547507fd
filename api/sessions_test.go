package api

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/store"
)

// browser is who signs in: it keeps its cookie, and says whose page asks, as browsers do (Fetch
// Metadata Request Headers, W3C).
type browser struct {
	*rig
	origin string // of the server, as the browser has it
	cookie *http.Cookie
}

func (b *browser) do(method, path, body string, headers ...string) *reply {
	b.t.Helper()
	req := httptest.NewRequest(method, b.origin+path, strings.NewReader(body))
	req.Header.Set("Sec-Fetch-Site", "same-origin")
	req.Header.Set("Origin", b.origin)
	req.Header.Set("User-Agent", "Mozilla/5.0 (X11; Linux x86_64) Browser/1.0")
	if body != "" {
		req.Header.Set("Content-Type", kit.MediaJSON)
	}
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	if b.cookie != nil {
		req.AddCookie(b.cookie)
	}
	rep := b.send(req)
	for _, c := range (&http.Response{Header: rep.header}).Cookies() {
		if c.MaxAge >= 0 {
			b.cookie = c
		} else if b.cookie != nil && b.cookie.Name == c.Name {
			b.cookie = nil
		}
	}
	return rep
}

func (b *browser) signIn(key string) *browser {
	b.t.Helper()
	b.do("POST", "/v1/sessions", `{"key":"`+key+`"}`).wants(201)
	return b
}

const loopback = "http://127.0.0.1:8470"

func TestSignIn(t *testing.T) {
	r := newRig(t).shop()
	b := &browser{rig: r, origin: loopback}
	b.do("GET", "/v1/sites", "").wantsCode(kit.CodeUnauthorized)
	b.do("POST", "/v1/sessions", `{"key":"lk_wrong"}`).wantsCode(kit.CodeUnauthorized)
	b.do("POST", "/v1/sessions", `{"key":""}`).wantsCode(kit.CodeUnauthorized)
	require.Nil(t, b.cookie)
	const path = "/v1/sessions"
	b.do("POST", path, "x", "Content-Type", "image/png").wantsCode(kit.CodeUnsupportedType)
	b.do("POST", path, "x", "Content-Encoding", "br").wantsCode(kit.CodeUnsupportedEncoding)
	b.do("POST", path, "x", "Content-Encoding", "gzip").wantsCode(kit.CodeInvalidEncoding)
	b.do("POST", path, strings.Repeat(" ", 5<<20)).wantsCode(kit.CodeBodyTooLarge)
	b.send(b.cutShort("POST", path)).wantsCode(kit.CodeInvalidBody)
	b.do("POST", path, `{}`, "If-Match", "").wantsCode(kit.CodeInvalidParameter)

	b.signIn(r.key("floor", kit.ScopeOperate))
	require.True(t, b.cookie.HttpOnly)
	require.Equal(t, http.SameSiteStrictMode, b.cookie.SameSite)
	require.Zero(t, b.cookie.MaxAge, "it ends with the browser")
	require.False(t, b.cookie.Secure, "over http a browser would not keep it otherwise")
	b.do("GET", "/v1/sites", "").wants(200)
	for _, path := range []string{"/v1/sessions", "/v1/sessions/current"} {
		b.do("GET", path+"?wrong=1", "").wantsCode(kit.CodeInvalidParameter)
	}
	b.do("DELETE", "/v1/sessions/current?wrong=1", "").wantsCode(kit.CodeInvalidParameter)
	who := into[SignedIn](b.do("GET", "/v1/sessions/current", "").wants(200))
	require.Equal(t, "floor", who.Key)
	require.Equal(t, []string{kit.ScopeOperate}, who.Scopes)
	require.WithinDuration(t, time.Now().Add(12*time.Hour), who.Session.Until, time.Minute)

	// The store knows the secret's hash, and not the secret.
	n := 0
	require.NoError(t, r.store.Values(t.Context(), "session", nil, func(v store.Value) error {
		n++
		require.NotContains(t, v.Key+string(v.Data), b.cookie.Value)
		return nil
	}))
	require.Equal(t, 1, n)

	// To stay signed in is asked for.
	long := &browser{rig: r, origin: loopback}
	kept := into[SignedIn](long.do("POST", "/v1/sessions", `{"key":"`+r.keys["floor"]+`","keep":true}`).wants(201))
	require.Equal(t, 30*24*3600, long.cookie.MaxAge)
	require.WithinDuration(t, time.Now().Add(30*24*time.Hour), kept.Session.Until, time.Minute)
}

// TestSignInOverHTTPS: behind a proxy that ends TLS the page's origin says so, and the cookie gets the
// prefix that binds it to the host (RFC 6265bis, section 4.1.3.2).
func TestSignInOverHTTPS(t *testing.T) {
	r := newRig(t, func(o *Options) { o.PublicURL = "https://lintel.shop.example" }).shop()
	b := &browser{rig: r, origin: "https://lintel.shop.example"}
	b.signIn(r.key("floor", kit.ScopeOperate))
	require.Equal(t, "__Host-lintel", b.cookie.Name)
	require.True(t, b.cookie.Secure)
	require.Equal(t, "/", b.cookie.Path)
	b.do("GET", "/v1/sites", "").wants(200)
}

// TestSessionMayWhatItsKeyMay: scopes and sites are those of the key.
func TestSessionMayWhatItsKeyMay(t *testing.T) {
	r := newRig(t).shop()
	viewer := (&browser{rig: r, origin: loopback}).signIn(r.key("viewer", kit.ScopeView))
	viewer.do("GET", "/v1/alerts", "").wants(200)
	viewer.do("POST", "/v1/alerts/umberhithe-1_x-0/close", `{"outcome":"false"}`).wantsCode(kit.CodeMissingScope)
	viewer.do("GET", "/v1/keys", "").wantsCode(kit.CodeMissingScope)
	other, err := kit.MintKey(t.Context(), r.store, "elsewhere", []string{kit.ScopeOperate}, []string{"elsewhere"}, "test", time.Now())
	require.NoError(t, err)
	r.api.server.ForgetKeys()
	e := (&browser{rig: r, origin: loopback}).signIn(other)
	e.do("GET", "/v1/sites/umberhithe/items", "").wantsCode(kit.CodeMissingSite)
}

// TestOtherPages: what a page of another origin asks with the cookie is not carried out.
func TestOtherPages(t *testing.T) {
	r := newRig(t).shop()
	b := (&browser{rig: r, origin: loopback}).signIn(r.key("floor", kit.ScopeOperate))
	const path, body = "/v1/sites/umberhithe/counts", `{"zones":["shelf-a"]}`
	b.do("POST", path, body, "Sec-Fetch-Site", "cross-site", "Origin", "https://elsewhere.example").wantsCode(kit.CodeCrossOrigin)
	b.do("POST", path, body, "Sec-Fetch-Site", "same-site").wantsCode(kit.CodeCrossOrigin)
	b.do("GET", "/v1/alerts", "", "Sec-Fetch-Site", "same-site").wantsCode(kit.CodeCrossOrigin)
	// A browser that says nothing of it, as over plain http, says where the page came from.
	b.do("POST", path, body, "Sec-Fetch-Site", "", "Origin", "http://elsewhere.example").wantsCode(kit.CodeCrossOrigin)
	b.do("POST", path, body, "Sec-Fetch-Site", "", "Origin", "null").wantsCode(kit.CodeCrossOrigin)
	// Another server on the same machine shares the cookie, which knows no ports.
	b.do("POST", path, body, "Sec-Fetch-Site", "", "Origin", "http://127.0.0.1:9999").wantsCode(kit.CodeCrossOrigin)
	b.do("DELETE", "/v1/sessions/current", "", "Sec-Fetch-Site", "", "Origin", "http://127.0.0.1:9999").wantsCode(kit.CodeCrossOrigin)
	b.do("POST", "/v1/sessions", `{"key":"`+r.keys["floor"]+`"}`, "Sec-Fetch-Site", "cross-site").wantsCode(kit.CodeCrossOrigin)
	b.do("POST", path, body, "Sec-Fetch-Site", "").wants(201)
	b.do("GET", "/v1/alerts", "", "Sec-Fetch-Site", "none").wants(200)
	// A key in the header is no cookie: it is never sent by itself.
	r.do("POST", path+"?also=true", body, "Sec-Fetch-Site", "cross-site", "Origin", "https://elsewhere.example").wants(201)
}

// TestNamesOfTheServer: a browser that reached the server by a name that is not its own is not served
// with a cookie, whoever has the name point here.
func TestNamesOfTheServer(t *testing.T) {
	r := newRig(t, func(o *Options) { o.PublicURL = "https://lintel.shop.example" }).shop()
	key := r.key("floor", kit.ScopeOperate)
	for _, good := range []string{"http://localhost:8470", "http://[::1]:8470", "http://192.0.2.7", "https://LINTEL.shop.example."} {
		b := (&browser{rig: r, origin: good}).signIn(key)
		b.do("GET", "/v1/sites", "").wants(200)
	}
	b := &browser{rig: r, origin: "http://rebound.example"}
	b.do("POST", "/v1/sessions", `{"key":"`+key+`"}`).wantsCode(kit.CodeUnknownHost)
	b.cookie = (&browser{rig: r, origin: loopback}).signIn(key).cookie
	b.do("GET", "/v1/sites", "").wantsCode(kit.CodeUnknownHost)
}

// TestSessionsEnd: by its own browser, by another one of the key, by whoever has all keys, and with the
// key.
func TestSessionsEnd(t *testing.T) {
	r := newRig(t).shop()
	key := r.key("floor", kit.ScopeOperate)
	a, b := (&browser{rig: r, origin: loopback}).signIn(key), (&browser{rig: r, origin: loopback}).signIn(key)
	other := (&browser{rig: r, origin: loopback}).signIn(r.key("door", kit.ScopeView))
	list := into[SessionList](a.do("GET", "/v1/sessions", "").wants(200)).Sessions
	require.Len(t, list, 2)
	require.Len(t, into[SessionList](r.get("/v1/sessions").wants(200)).Sessions, 3, "whoever has all keys sees all")
	mine, theirs := list[0], list[1]
	if !mine.Current {
		mine, theirs = theirs, mine
	}
	require.True(t, mine.Current)
	require.False(t, theirs.Current)
	other.do("DELETE", "/v1/sessions/"+theirs.ID, "").wantsCode(codeUnknownSession)
	a.do("DELETE", "/v1/sessions/"+theirs.ID, "").wants(204)
	b.do("GET", "/v1/sites", "").wantsCode(kit.CodeUnauthorized)

	secret := a.cookie
	a.do("DELETE", "/v1/sessions/current", "").wants(204)
	require.Nil(t, a.cookie)
	a.cookie = secret
	a.do("GET", "/v1/sites", "").wantsCode(kit.CodeUnauthorized)
	r.do("DELETE", "/v1/sessions/current", "").wantsCode(codeUnknownSession)
	r.do("DELETE", "/v1/sessions/nothing", "").wantsCode(codeUnknownSession)

	require.NoError(t, kit.RevokeKey(t.Context(), r.store, "door", "test", time.Now()))
	r.until("the session to end with its key", func() bool { return other.do("GET", "/v1/sites", "").status == http.StatusUnauthorized })
	require.Len(t, into[SessionList](r.get("/v1/sessions").wants(200)).Sessions, 0)
}

// TestSessionsAreBounded: one more than a key may have ends the oldest.
func TestSessionsAreBounded(t *testing.T) {
	r := newRig(t)
	key := r.key("floor", kit.ScopeOperate)
	for range 102 {
		(&browser{rig: r, origin: loopback}).signIn(key)
	}
	require.Len(t, into[SessionList](r.get("/v1/sessions").wants(200)).Sessions, 100)
}
