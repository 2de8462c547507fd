package oidc

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/api/oidc/oidctest"
	"lintel/engine/deliver"
)

const origin = "http://127.0.0.1:8470"

var users = []oidctest.User{
	{Name: "ada", First: "Ada", Last: "Example", Email: "ada@umberhithe.example", Groups: []string{"staff", "floor"}},
	{Name: "bo", First: "floor", Last: "", Email: "boss@umberhithe.example", Unverified: true, Groups: []string{"owners"}},
	{Name: "cy", First: "Cy", Last: "Example", Email: "cy@umberhithe.example", Groups: []string{"guests"}},
	{Name: "di", First: "Di", Last: "Example", Email: "di@umberhithe.example"},
}

// client goes through the guard of everything that goes out, which lets it onto this machine alone.
func client() *http.Client {
	return deliver.NewGuard([]netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")}).Client()
}

func settingsOf(p *oidctest.Provider) Settings {
	return Settings{Name: "Staff", Issuer: p.Issuer, ClientID: oidctest.Client, Secret: oidctest.Secret, Origin: origin,
		Scopes: []string{"profile", "email"}, GroupsClaim: "groups",
		Groups: []Grant{{"owners", []string{"admin"}, []string{"*"}}, {"floor", []string{"operate"}, []string{"umberhithe"}}}}
}

func start(t *testing.T) (*oidctest.Provider, *Provider) {
	real := oidctest.Start(t, users, origin+CallbackPath)
	return real, New(settingsOf(real), client())
}

// signIn is what a browser does: it returns what it kept and what the provider sent back.
func signIn(t *testing.T, p *Provider, user string) (string, url.Values) {
	to, pending, err := p.Begin(t.Context(), false)
	require.NoError(t, err)
	back := oidctest.SignIn(t, to, user)
	require.Equal(t, origin+CallbackPath, back.Scheme+"://"+back.Host+back.Path)
	return pending.String(), back.Query()
}

func refused(t *testing.T, err error, why, says string) {
	t.Helper()
	var r *Refusal
	require.ErrorAs(t, err, &r)
	require.Equal(t, why, r.Why, err)
	require.ErrorContains(t, err, says)
}

// TestSignIn is the whole way with a provider that is not ours, with the groups where providers
// have them.
func TestSignIn(t *testing.T) {
	real, p := start(t)
	for _, real.InToken = range []bool{false, true} {
		kept, query := signIn(t, p, "ada")
		person, err := p.Finish(t.Context(), kept, query)
		require.NoError(t, err)
		require.Equal(t, "Ada Example (ada@umberhithe.example)", person.Name)
		require.Equal(t, []string{"floor"}, person.Groups, "only what gives something is kept")
		require.Regexp(t, `^oidc:[0-9a-f]{32}$`, person.ID)
		scopes, sites := p.Grants(&person)
		require.Equal(t, []string{"operate"}, scopes)
		require.Equal(t, []string{"umberhithe"}, sites)
	}
	kept, query := signIn(t, p, "bo")
	person, err := p.Finish(t.Context(), kept, query)
	require.NoError(t, err)
	require.Equal(t, "floor (bo)", person.Name, "an address that nobody has made sure of names nobody, and no key has such a name")

	for _, nobody := range []string{"cy", "di"} {
		kept, query = signIn(t, p, nobody)
		_, err = p.Finish(t.Context(), kept, query)
		refused(t, err, WhyGroups, "in no group that gives anything")
	}
}

// TestAsked: what the provider is asked (RFC 7636, section 4.3; OpenID Connect Core 1.0, section
// 3.1.2.1).
func TestAsked(t *testing.T) {
	_, p := start(t)
	seen := map[string]bool{}
	for range 3 {
		to, pending, err := p.Begin(t.Context(), true)
		require.NoError(t, err)
		u, err := url.Parse(to)
		require.NoError(t, err)
		q := u.Query()
		require.Equal(t, "code", q.Get("response_type"))
		require.Equal(t, "S256", q.Get("code_challenge_method"))
		require.Len(t, q.Get("code_challenge"), 43)
		require.Equal(t, "login", q.Get("prompt"))
		require.Equal(t, "openid profile email", q.Get("scope"))
		require.Equal(t, origin+CallbackPath, q.Get("redirect_uri"))
		for _, secret := range []string{pending.State, pending.Nonce, pending.Verifier} {
			require.GreaterOrEqual(t, len(secret), 26)
			require.False(t, seen[secret])
			seen[secret] = true
		}
		require.NotContains(t, to, pending.Verifier)
	}
}

// TestAttacks: what comes back and is not of this browser's sign-in signs nobody in.
func TestAttacks(t *testing.T) {
	real, p := start(t)
	kept, query := signIn(t, p, "bo")
	otherKept, otherQuery := signIn(t, p, "ada")
	own, ok := parsePending(kept)
	require.True(t, ok)
	other, ok := parsePending(otherKept)
	require.True(t, ok)
	finish := func(kept string, change func(url.Values)) error {
		q := url.Values{"code": query["code"], "state": query["state"]}
		if change != nil {
			change(q)
		}
		_, err := p.Finish(t.Context(), kept, q)
		return err
	}
	refused(t, finish("", nil), WhyStale, "did not begin")
	refused(t, finish("..", func(q url.Values) { q.Set("state", "") }), WhyStale, "did not begin")
	refused(t, finish(otherKept, nil), WhyStale, "did not begin") // somebody else's address opened here
	refused(t, finish(kept, func(q url.Values) { q.Del("state") }), WhyStale, "did not begin")
	refused(t, finish(kept, func(q url.Values) { q.Set("iss", "https://elsewhere.example") }), WhyFailed, "elsewhere.example")
	refused(t, finish(kept, func(q url.Values) { q.Set("error", "access_denied") }), WhyRefused, "access_denied")

	// The code of another sign-in of this client, put beside one's own state: PKCE.
	refused(t, finish(kept, func(q url.Values) { q.Set("code", otherQuery.Get("code")) }), WhyFailed, "invalid_grant")
	refused(t, finish(kept, func(q url.Values) { q.Set("code", "made-up") }), WhyFailed, "exchange")

	// The same with its verifier, too: the nonce.
	kept, query = signIn(t, p, "bo")
	own, _ = parsePending(kept)
	refused(t, finish(Pending{own.State, other.Nonce, own.Verifier}.String(), nil), WhyFailed, "nonce")

	// The code of another client of the provider.
	set := settingsOf(real)
	set.ClientID, set.Secret = oidctest.OtherClient, oidctest.OtherSecret
	kept, query = signIn(t, New(set, client()), "bo")
	refused(t, finish(kept, nil), WhyFailed, "exchange")

	// The same thing twice.
	kept, query = signIn(t, p, "bo")
	require.NoError(t, finish(kept, nil))
	refused(t, finish(kept, nil), WhyFailed, "exchange")

	// A wrong secret.
	set = settingsOf(real)
	set.Secret = "wrong"
	p = New(set, client())
	kept, query = signIn(t, p, "bo")
	refused(t, finish(kept, nil), WhyFailed, "exchange")
}

// TestClock: a token that has ended by the server's clock signs nobody in, and the reason is the
// clock.
func TestClock(t *testing.T) {
	_, p := start(t)
	kept, query := signIn(t, p, "bo")
	p.now = func() time.Time { return time.Now().Add(3 * time.Hour) }
	_, err := p.Finish(t.Context(), kept, query)
	refused(t, err, WhyClock, "too far apart")
}

// TestAway: a provider that can't be reached, that the guard does not let through, or that is none.
func TestAway(t *testing.T) {
	real, p := start(t)
	_, _, err := New(settingsOf(real), deliver.NewGuard(nil).Client()).Begin(t.Context(), false)
	refused(t, err, WhyAway, "--allow-cidr 127.0.0.1/32")
	kept, query := signIn(t, p, "bo")
	real.Stop()
	_, err = p.Finish(t.Context(), kept, query)
	refused(t, err, WhyAway, "connection refused")
	_, _, err = New(settingsOf(real), client()).Begin(t.Context(), false)
	refused(t, err, WhyAway, "connection refused")

	for body, says := range map[string]string{
		"it works":                                        "decode",
		`{"issuer":"https://elsewhere.example"}`:          "did not match",
		`{"issuer":"` + strings.Repeat("x", 2<<20) + `"}`: "unexpected end",
		`{"issuer":"%s","token_endpoint":"http://[::1"}`:  "no https",
	} {
		none := httptest.NewServer(nil)
		none.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "application/json")
			_, _ = w.Write([]byte(strings.ReplaceAll(body, "%s", none.URL)))
		})
		_, _, err := New(Settings{Issuer: none.URL}, client()).Begin(t.Context(), false)
		none.Close()
		refused(t, err, WhyFailed, says)
	}

	// Who waits for it does so for as long as they may, not for as long as it takes.
	release := make(chan struct{})
	slow := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-release }))
	defer slow.Close()
	defer close(release)
	s := New(Settings{Issuer: slow.URL}, client())
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	_, _, err = s.Begin(ctx, false)
	refused(t, err, WhyAway, "deadline")
}

// TestGrants: groups are added up where that gives nothing that no group gives.
func TestGrants(t *testing.T) {
	p := New(Settings{Groups: []Grant{
		{"a-floor", []string{"operate"}, []string{"a"}},
		{"b-floor", []string{"operate"}, []string{"b"}},
		{"a-author", []string{"author"}, []string{"a"}},
		{"boss", []string{"admin"}, []string{"*"}},
	}}, client())
	for groups, want := range map[string]string{
		"a-floor":          "operate at a",
		"a-floor b-floor":  "operate at a b",
		"a-floor a-author": "operate author at a",
		"b-floor a-author": "operate at b", // not author at b
		"a-floor boss":     "operate at a",
		"boss":             "admin at *",
		"gone":             " at ",
	} {
		person := kit.Person{Groups: strings.Fields(groups)}
		scopes, sites := p.Grants(&person)
		require.Equal(t, want, strings.Join(scopes, " ")+" at "+strings.Join(sites, " "), groups)
	}
	require.Equal(t, []string{"operate"}, p.set.Groups[0].Scopes, "the settings stay as they are")
}

func TestGroupsClaim(t *testing.T) {
	claims := map[string]any{"groups": []any{"a", 7, "b"}, "one": "a", "realm": map[string]any{"roles": []any{"c"}},
		"https://x.example/g": []any{"d"}, "odd": 7.0}
	for claim, want := range map[string][]string{"groups": {"a", "b"}, "one": {"a"}, "realm.roles": {"c"},
		"https://x.example/g": {"d"}, "odd": nil, "none": nil, "one.a": nil} {
		got, _ := New(Settings{GroupsClaim: claim}, client()).groups(claims)
		require.Equal(t, want, got, claim)
	}
}

func TestNames(t *testing.T) {
	require.Equal(t, "Ada Example", clean(" Ada\n Example"))
	require.Equal(t, "Ada Boss", clean("Ada\u202e (\x00Boss)"))
	require.Len(t, []rune(clean(strings.Repeat("ö", 500))), maxName)
}

func TestSettings(t *testing.T) {
	good := `{"name": "Staff", "issuer": "https://id.example/realm", "client_id": "lintel", "origin": "https://lintel.example",
  "groups": [{"group": "floor", "scopes": ["operate"], "sites": ["umberhithe"]}]}`
	s, secret, err := parse([]byte(good), "oidc.json")
	require.NoError(t, err)
	require.Empty(t, secret)
	require.Equal(t, Settings{Name: "Staff", Issuer: "https://id.example/realm", ClientID: "lintel", Origin: "https://lintel.example",
		Scopes: []string{"profile", "email"}, GroupsClaim: "groups", Groups: []Grant{{"floor", []string{"operate"},
			[]string{"umberhithe"}}}}, s)
	for from, to := range map[string]struct{ text, says string }{
		`"operate"`:                  {`"operat"`, `oidc.json:2:44: groups[0].scopes[0]: there is no scope "operat"`},
		`"umberhithe"`:               {`"_x"`, `"_x" can't be a site`},
		`"https://lintel.example"`:   {`"https://lintel.example/console/"`, "has a path"},
		`"https://id.example/realm"`: {`"http://id.example"`, "only https is safe"},
		`"name"`:                     {`"nme"`, `did you mean "name"`},
		`"client_id": "lintel", `:    {``, "client_id"},
		`"lintel"`:                   {`""`, "is empty"},
		`{"group": "floor"`:          {`{"group": "floor", "scopes": ["view"], "sites": ["*"]}, {"group": "floor"`, "stands twice"},
		`"sites": ["umberhithe"]`:    {`"sites": []`, "write at least one"},
		`"group"`:                    {`"grp"`, `there is no member "grp"`},
	} {
		_, _, err := parse([]byte(strings.Replace(good, from, to.text, 1)), "oidc.json")
		require.ErrorContains(t, err, to.says, from)
	}
	_, _, err = parse([]byte(`{"name": "Staff"`), "oidc.json")
	require.ErrorContains(t, err, "oidc.json:1:")
	_, _, err = parse([]byte(strings.Replace(good, `,
  "groups": [{"group": "floor", "scopes": ["operate"], "sites": ["umberhithe"]}]`, "", 1)), "")
	require.ErrorContains(t, err, "without it nobody may do anything")
}

// TestPage holds the example of deploy/README.md against what is read.
func TestPage(t *testing.T) {
	page, err := os.ReadFile("../../deploy/README.md")
	require.NoError(t, err)
	m := regexp.MustCompile("(?s)names a JSON file:\n\n```json\n(.*?)```").FindSubmatch(page)
	require.NotNil(t, m)
	dir := t.TempDir()
	file := filepath.Join(dir, "oidc.json")
	require.NoError(t, os.WriteFile(file, m[1], 0o600))
	_, err = Read(file)
	require.ErrorContains(t, err, "oidc.secret: no such file")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "oidc.secret"), []byte("s3cret\n"), 0o600))
	s, err := Read(file)
	require.NoError(t, err)
	require.Equal(t, "s3cret", s.Secret, "the file is looked for beside the settings")
	require.Len(t, s.Groups, 2)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "oidc.secret"), []byte("\n"), 0o600))
	_, err = Read(file)
	require.ErrorContains(t, err, "is empty")
}

func FuzzSettings(f *testing.F) {
	f.Add([]byte(`{"name":"x","issuer":"https://a","client_id":"b","origin":"https://c","groups":[{"group":"g","scopes":["admin"],"sites":["*"]}]}`))
	f.Fuzz(func(t *testing.T, src []byte) {
		s, _, err := parse(src, "")
		if err == nil && (s.Issuer == "" || s.Origin == "" || s.ClientID == "") {
			t.Fatal("settings that lack something were taken")
		}
	})
}
