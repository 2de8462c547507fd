package api

import (
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/api/oidc"
	"lintel/api/oidc/oidctest"
	"lintel/engine/deliver"
)

// withProvider is a server that a real provider signs people in to. Its people: ada may operate, bo
// may do everything, cy nothing.
func withProvider(t *testing.T, origin string) (*rig, *oidctest.Provider) {
	real := oidctest.Start(t, []oidctest.User{
		{Name: "ada", First: "Ada", Last: "Example", Email: "ada@umberhithe.example", Groups: []string{"floor"}},
		{Name: "bo", First: "Bo", Last: "Example", Email: "bo@umberhithe.example", Groups: []string{"owners"}},
		{Name: "cy", First: "Cy", Last: "Example", Email: "cy@umberhithe.example"},
	}, origin+oidc.CallbackPath)
	p := oidc.New(oidc.Settings{
		Name: "Staff", Issuer: real.Issuer, ClientID: oidctest.Client, Secret: oidctest.Secret, Origin: origin,
		Scopes:      []string{"profile", "email"},
		GroupsClaim: "groups", Groups: []oidc.Grant{{Group: "floor", Scopes: []string{kit.ScopeOperate}, Sites: []string{"umberhithe"}},
			{Group: "owners", Scopes: []string{kit.ScopeAdmin}, Sites: []string{kit.AllSites}}},
	}, deliver.NewGuard([]netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")}).Client())
	return newRig(t, func(o *Options) { o.Provider = p }).shop(), real
}

// goTo follows a link as a browser does, with all of its cookies that go along.
func (b *browser) goTo(address, site string, cookies ...*http.Cookie) (*reply, []*http.Cookie) {
	b.t.Helper()
	req := httptest.NewRequest("GET", address, nil)
	req.Header.Set("Sec-Fetch-Site", site)
	req.Header.Set("Sec-Fetch-Mode", "navigate")
	req.Header.Set("User-Agent", "Mozilla/5.0 (X11; Linux x86_64) Browser/1.0")
	for _, c := range cookies {
		req.AddCookie(c)
	}
	rep := b.send(req)
	return rep, (&http.Response{Header: rep.header}).Cookies()
}

// begin goes to the provider, signs somebody in there, and returns what the browser keeps and where
// it is sent.
func (b *browser) begin(user string) (*http.Cookie, *url.URL) {
	b.t.Helper()
	rep, kept := b.goTo(b.origin+signInStart, "same-origin")
	rep.wants(303)
	require.Len(b.t, kept, 1)
	return kept[0], oidctest.SignIn(b.t, rep.header.Get("Location"), user)
}

// person signs somebody in.
func (b *browser) person(user string) *browser {
	b.t.Helper()
	kept, back := b.begin(user)
	rep, cookies := b.goTo(back.String(), "cross-site", kept)
	require.Equal(b.t, b.origin+"/console/", rep.wants(303).header.Get("Location"))
	for _, c := range cookies {
		if c.Name != kept.Name {
			b.cookie = c
		} else {
			require.Negative(b.t, c.MaxAge, "what was kept for it is forgotten")
		}
	}
	require.NotNil(b.t, b.cookie)
	return b
}

// TestSignInByProvider: a person has a session like any other, does what their groups give, and is
// named in history.
func TestSignInByProvider(t *testing.T) {
	r, _ := withProvider(t, loopback)
	b := &browser{rig: r, origin: loopback}
	ways := into[WaysToSignIn](b.do("GET", "/v1/sign-in", "").wants(200))
	require.Equal(t, &ProviderView{"Staff", loopback + "/v1/sign-in/start"}, ways.Provider)
	b.person("ada")
	require.True(t, b.cookie.HttpOnly)
	require.Equal(t, http.SameSiteStrictMode, b.cookie.SameSite)
	who := into[SignedIn](b.do("GET", "/v1/sessions/current", "").wants(200))
	require.Equal(t, "Ada Example (ada@umberhithe.example)", who.Key)
	require.True(t, who.Person)
	require.Equal(t, []string{kit.ScopeOperate}, who.Scopes)
	require.Equal(t, []string{"umberhithe"}, who.Sites)
	require.WithinDuration(t, time.Now().Add(12*time.Hour), who.Session.Until, time.Minute)

	b.do("GET", "/v1/keys", "").wantsCode(kit.CodeMissingScope)
	require.Contains(t, string(b.do("GET", "/v1/sites/elsewhere/items", "").wantsCode(kit.CodeMissingSite).body),
		"Ada Example (ada@umberhithe.example) is not for")
	b.do("POST", "/v1/sites/umberhithe/counts", `{"zones":["shelf-a"]}`).wants(201)
	require.Contains(t, string(r.get("/v1/sites/umberhithe/counts").wants(200).body), `"by":"Ada Example (ada@umberhithe.example)"`)
	boss := (&browser{rig: r, origin: loopback}).person("bo")
	boss.do("PUT", "/v1/sites/umberhithe/layout?note=x", strings.Replace(string(r.get("/v1/sites/umberhithe/layout").wants(200).body),
		"Umberhithe Books", "Umberhithe", 1)).wants(200)
	require.Contains(t, string(r.get("/v1/sites/umberhithe/layout/versions").wants(200).body), `"by":"Bo Example (bo@umberhithe.example)"`)
	used, err := r.api.server.KeysUsed(t.Context())
	require.NoError(t, err)
	require.Len(t, used, 1, "boss alone: a person uses no key")
}

// TestProviderWithoutOne: there is none unless the server was given one.
func TestProviderWithoutOne(t *testing.T) {
	r := newRig(t)
	b := &browser{rig: r, origin: loopback}
	require.Nil(t, into[WaysToSignIn](b.do("GET", "/v1/sign-in", "").wants(200)).Provider)
	b.do("GET", signInStart, "").wantsCode(codeNoProvider)
	b.do("GET", oidc.CallbackPath+"?state=x&code=y", "").wantsCode(codeNoProvider)
	b.do("GET", signInStart+"?again=maybe", "").wantsCode(kit.CodeInvalidParameter)
	b.do("GET", oidc.CallbackPath, "", "If-Match", "").wantsCode(kit.CodeInvalidParameter)
}

// TestSignInAttacks: what a page elsewhere can have a browser do signs nobody in, and leads nowhere
// but to the console of this server.
func TestSignInAttacks(t *testing.T) {
	r, _ := withProvider(t, loopback)
	victim, attacker := &browser{rig: r, origin: loopback}, &browser{rig: r, origin: loopback}
	fails := func(why, address string, cookies ...*http.Cookie) {
		t.Helper()
		rep, set := victim.goTo(address, "cross-site", cookies...)
		require.Equal(t, loopback+"/console/#/?wrong="+why, rep.wants(303).header.Get("Location"))
		for _, c := range set {
			require.Negative(t, c.MaxAge, "no session: %s", c.Name)
		}
	}
	// The attacker's sign-in, finished in the victim's browser: with nothing kept, or what the
	// victim keeps of theirs.
	attackers, back := attacker.begin("bo")
	victims, own := victim.begin("ada")
	fails(oidc.WhyStale, back.String())
	fails(oidc.WhyStale, back.String(), victims)
	fails(oidc.WhyStale, loopback+oidc.CallbackPath)
	// The same address again, with the cookie or without.
	victim.goTo(own.String(), "cross-site", victims)
	fails(oidc.WhyStale, own.String())
	fails(oidc.WhyFailed, own.String(), victims)
	// It is one attempt: what was kept is gone when it failed.
	_, set := attacker.goTo(loopback+oidc.CallbackPath+"?state=x&code=y", "cross-site", attackers)
	require.Negative(t, set[0].MaxAge)

	// Where one is sent to follows from the settings, whatever the request says.
	req := httptest.NewRequest("GET", loopback+signInStart+"?redirect_uri=https://elsewhere.example&to=//elsewhere.example", nil)
	req.Header.Set("X-Forwarded-Host", "elsewhere.example")
	req.Header.Set("X-Forwarded-Proto", "https")
	to, err := url.Parse(r.send(req).wants(303).header.Get("Location"))
	require.NoError(t, err)
	require.Equal(t, loopback+oidc.CallbackPath, to.Query().Get("redirect_uri"))
	victim.origin = "http://rebound.example"
	victim.do("GET", signInStart, "").wantsCode(kit.CodeUnknownHost)
	victim.do("GET", oidc.CallbackPath, "").wantsCode(kit.CodeUnknownHost)
	victim.origin = loopback

	// Who is in no group that gives anything, and who does not want to.
	kept, back := victim.begin("cy")
	fails(oidc.WhyGroups, back.String(), kept)
	kept, back = victim.begin("ada")
	fails(oidc.WhyRefused, loopback+oidc.CallbackPath+"?error=access_denied&state="+back.Query().Get("state"), kept)
}

// TestSessionsAreNew: a session that somebody planted in the browser before is not the one that
// begins.
func TestSessionsAreNew(t *testing.T) {
	r, _ := withProvider(t, loopback)
	planted := (&browser{rig: r, origin: loopback}).signIn(r.key("floor", kit.ScopeView)).cookie
	b := &browser{rig: r, origin: loopback}
	kept, back := b.begin("bo")
	_, cookies := b.goTo(back.String(), "cross-site", kept, planted)
	require.Len(t, cookies, 2)
	require.Equal(t, planted.Name, cookies[1].Name)
	require.NotEqual(t, planted.Value, cookies[1].Value)
	p := &browser{rig: r, origin: loopback, cookie: planted}
	require.Equal(t, "floor", into[SignedIn](p.do("GET", "/v1/sessions/current", "").wants(200)).Key)
	b.cookie = &http.Cookie{Name: planted.Name, Value: strings.Repeat("A", 43)} // one that was made up
	b.do("GET", "/v1/sites", "").wantsCode(kit.CodeUnauthorized)
}

// TestPeoplesSessions are listed and ended as others; people are not mixed up with keys of a like
// name.
func TestPeoplesSessions(t *testing.T) {
	r, _ := withProvider(t, loopback)
	a, b := (&browser{rig: r, origin: loopback}).person("ada"), (&browser{rig: r, origin: loopback}).person("ada")
	boss := (&browser{rig: r, origin: loopback}).person("bo")
	key := (&browser{rig: r, origin: loopback}).signIn(r.key("floor", kit.ScopeOperate))
	list := into[SessionList](a.do("GET", "/v1/sessions", "").wants(200)).Sessions
	require.Len(t, list, 2)
	require.True(t, list[0].Person)
	require.Len(t, into[SessionList](boss.do("GET", "/v1/sessions", "").wants(200)).Sessions, 4)
	require.Len(t, into[SessionList](key.do("GET", "/v1/sessions", "").wants(200)).Sessions, 1)
	other := list[0]
	if other.Current {
		other = list[1]
	}
	key.do("DELETE", "/v1/sessions/"+other.ID, "").wantsCode(codeUnknownSession)
	a.do("DELETE", "/v1/sessions/"+other.ID, "").wants(204)
	b.do("GET", "/v1/sites", "").wantsCode(kit.CodeUnauthorized)
	secret := a.cookie
	a.do("DELETE", "/v1/sessions/current", "").wants(204)
	a.cookie = secret
	a.do("GET", "/v1/sites", "").wantsCode(kit.CodeUnauthorized)

	// The same Idempotency-Key of two people is two requests.
	a.person("ada")
	first := into[struct{ ID string }](a.do("POST", "/v1/sites/umberhithe/counts", `{"zones":["shelf-a"]}`, "Idempotency-Key",
		"1").wants(201))
	again := into[struct{ ID string }](a.do("POST", "/v1/sites/umberhithe/counts", `{"zones":["shelf-a"]}`, "Idempotency-Key",
		"1").wants(201))
	require.Equal(t, first.ID, again.ID)
	theirs := into[struct{ ID string }](boss.do("POST", "/v1/sites/umberhithe/counts", `{"zones":["front-tables"]}`,
		"Idempotency-Key", "1").wants(201))
	require.NotEqual(t, first.ID, theirs.ID)
}

// TestProviderOverHTTPS: behind a proxy that ends TLS the settings say so, and both cookies are
// bound to https.
func TestProviderOverHTTPS(t *testing.T) {
	const origin = "https://lintel.shop.example"
	r, _ := withProvider(t, origin)
	b := &browser{rig: r, origin: origin}
	rep, kept := b.goTo("http://lintel.shop.example"+signInStart, "same-origin") // as the proxy asks
	rep.wants(303)
	require.Equal(t, "__Host-lintel-sign-in", kept[0].Name)
	require.True(t, kept[0].Secure && kept[0].HttpOnly)
	require.Equal(t, http.SameSiteLaxMode, kept[0].SameSite)
	back := oidctest.SignIn(t, rep.header.Get("Location"), "ada")
	back.Scheme = "http"
	_, cookies := b.goTo(back.String(), "cross-site", kept[0])
	require.Equal(t, "__Host-lintel", cookies[1].Name)
	require.True(t, cookies[1].Secure)
}

// TestGroupsThatGiveNothingAnyMore: what people may do follows from the settings that are in force.
func TestGroupsThatGiveNothingAnyMore(t *testing.T) {
	r, _ := withProvider(t, loopback)
	b := (&browser{rig: r, origin: loopback}).person("ada")
	without := New(Options{Store: r.store, Runner: r.api.runner})
	req := httptest.NewRequest("GET", loopback+"/v1/sites", nil)
	req.AddCookie(b.cookie)
	rec := httptest.NewRecorder()
	without.Handler().ServeHTTP(rec, req)
	require.Equal(t, 401, rec.Code)
	require.Contains(t, rec.Body.String(), "give nothing here any more")
}
