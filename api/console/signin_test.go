package console_test

import (
	"context"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"lintel/api/app"
	"lintel/api/authority"
	"lintel/api/kit"
	"lintel/api/oidc"
	"lintel/api/oidc/oidctest"
	"lintel/engine/store/memory"
)

// TestKeyInLink: a link of this machine signs a browser in at once, and its key is neither in the
// address nor in the history afterwards. One who is signed in stays who they are.
func TestKeyInLink(t *testing.T) {
	s := newServer(t).shop()
	floor, view := s.key("floor", kit.ScopeOperate), s.key("screen", kit.ScopeView)
	b := newTab(t, s, 390, 800, false).open("/console/#key=" + floor).until(`document.querySelector("nav")`).shows("Umberhithe Books")
	require.Equal(t, "/console/", js[string](b, `location.pathname + location.search + location.hash`))
	require.Equal(t, "floor", js[string](b, `fetch("/v1/sessions/current").then(r => r.json()).then(v => v.key)`))

	require.NoError(t, chromedp.Do(b.ctx, chromedp.Navigate("about:blank")))
	b.open("/console/#key=" + view).until(`document.querySelector("nav") && location.hash === ""`)
	require.Equal(t, "floor", js[string](b, `fetch("/v1/sessions/current").then(r => r.json()).then(v => v.key)`))
	require.NotContains(t, js[string](b, `document.documentElement.outerHTML`), view)

	wrong := newTab(t, s, 390, 800, false).open("/console/#key=lk_wrong").until(`document.querySelector("#key") && location.hash === ""`)
	wrong.accessible().done()
	b.done()
}

// withProvider is a server whose people a real provider on loopback signs in: ada may operate, cy
// nothing. Name is what the button says.
func withProvider(t *testing.T, name string) (*server, *oidctest.Provider) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s := &server{t: t, store: memory.Open(), addr: l.Addr().String()}
	require.NoError(t, l.Close())
	origin := "http://" + s.addr
	real := oidctest.Start(t, []oidctest.User{
		{Name: "ada", First: "Ada", Last: "Example", Email: "ada@umberhithe.example", Groups: []string{"floor"}},
		{Name: "cy", First: "Cy", Last: "Example", Email: "cy@umberhithe.example"},
	}, origin+oidc.CallbackPath)
	s.admin, err = kit.MintKey(context.Background(), s.store, "boss", []string{kit.ScopeAdmin}, []string{kit.AllSites}, "test", time.Now())
	require.NoError(t, err)
	s.app, err = app.New(context.Background(), app.Options{
		Store: s.store, Listen: s.addr, Log: slog.New(slog.DiscardHandler),
		AllowCIDRs: []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")},
		OIDC: &oidc.Settings{Name: name, Issuer: real.Issuer, ClientID: oidctest.Client, Secret: oidctest.Secret, Origin: origin,
			Scopes: []string{"profile", "email"}, GroupsClaim: "groups",
			Groups: []oidc.Grant{{Group: "floor", Scopes: []string{kit.ScopeOperate}, Sites: []string{"umberhithe"}}}},
	})
	require.NoError(t, err)
	require.NoError(t, s.app.Start(context.Background()))
	t.Cleanup(func() {
		s.stop()
		require.NoError(t, s.store.Close())
	})
	return s.shop(), real
}

// lands waits until an expression is true of a page that is yet to come.
func (b *tab) lands(expression string) *tab {
	b.t.Helper()
	require.Eventually(b.t, func() bool {
		v, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool]("Boolean("+expression+")"))
		return err == nil && v
	}, 30*time.Second, 20*time.Millisecond, expression)
	return b
}

// at signs somebody in at the provider, by the keyboard.
func (b *tab) at(user string) *tab {
	b.lands(`document.querySelector("#username")`)
	js[chromedp.Void](b, `document.querySelector("#username").focus()`)
	return b.keys(user + "\t" + oidctest.Password + "\r")
}

// TestSignInWithAProvider is what the browser sees of it: there and back, signed out and in again,
// and why not.
func TestSignInWithAProvider(t *testing.T) {
	s, _ := withProvider(t, "the staff's account")
	b := newTab(t, s, 360, 740, false).open("/console/").shows("Sign in with the staff's account").shows("Or with a key")
	b.accessible()
	b.press("Sign in with the staff's account").at("ada").lands(`document.querySelector("nav")`).shows("Umberhithe Books")
	require.Equal(t, "/console/", js[string](b, `location.pathname + location.search + location.hash`))
	require.Empty(t, js[string](b, "document.cookie"), "no script can read it")
	b.open("/console/#/session").shows("You are signed in as Ada Example (ada@umberhithe.example).").accessible()

	// Whoever comes next is asked who they are, though the provider knows the one before.
	b.press("Sign out").shows("Sign in with the staff's account")
	require.Contains(t, js[string](b, `document.querySelector("a.main").href`), "again=true")
	b.press("Sign in with the staff's account").at("cy").
		lands(`document.body.innerText.includes("none of your groups may do anything here")`).accessible()
	require.Equal(t, 401, js[int](b, `fetch("/v1/sessions/current").then(r => r.status)`))
	b.open("/console/#/?wrong=made-up").shows("The sign-in did not work")
	b.done()

	// The key still signs in while the provider is away.
	alone, real := withProvider(t, "the staff's account")
	real.Stop()
	away := newTab(t, alone, 1280, 800, true).open("/console/").press("Sign in with the staff's account")
	away.lands(`document.body.innerText.includes("The sign-in service can't be reached")`).accessible()
	away.signIn(alone.admin).shows("Umberhithe Books").done()
}

// TestHTTPSInABrowser: a browser that was made to trust the shop's authority comes by HTTP/2 to a
// secure context, under the names of the certificate and no other.
func TestHTTPSInABrowser(t *testing.T) {
	tool, err := exec.LookPath("certutil") // of Debian's libnss3-tools
	if err != nil && os.Getenv("LINTEL_REQUIRE_CHROMIUM") == "" {
		t.Skip(err)
	}
	require.NoError(t, err)
	home, dir := t.TempDir(), t.TempDir()
	db := filepath.Join(home, ".pki", "nssdb")
	require.NoError(t, os.MkdirAll(db, 0o700))
	_, err = authority.Make(authority.Request{Dir: dir, Names: []string{"books.local"}, Days: authority.MaxDays, Now: time.Now()})
	require.NoError(t, err)
	for _, args := range [][]string{{"-N", "--empty-password"}, {"-A", "-t", "C,,", "-n", "lintel", "-i", filepath.Join(dir,
		authority.AuthorityCert)}} {
		out, err := exec.Command(tool, append([]string{"-d", "sql:" + db}, args...)...).CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	s := &server{t: t, store: memory.Open()}
	s.admin, err = kit.MintKey(context.Background(), s.store, "boss", []string{kit.ScopeAdmin}, []string{kit.AllSites}, "test", time.Now())
	require.NoError(t, err)
	s.app, err = app.New(context.Background(), app.Options{Store: s.store, Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler),
		TLSCert: filepath.Join(dir, authority.ServerCert), TLSKey: filepath.Join(dir, authority.ServerKey)})
	require.NoError(t, err)
	require.NoError(t, s.app.Start(context.Background()))
	t.Cleanup(func() {
		s.stop()
		require.NoError(t, s.store.Close())
	})
	_, port, err := net.SplitHostPort(strings.TrimPrefix(s.app.URL(), "https://"))
	require.NoError(t, err)

	newTab(t, s, 1280, 800, false) // skips where there is no Chromium
	alloc, stop := chromedp.NewExecAllocator(context.Background(), append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(browser()), chromedp.NoSandbox,
		chromedp.UserDataDir(filepath.Join(home, "profile")), chromedp.Env("HOME="+home), chromedp.Flag("disable-gpu", true),
		chromedp.Flag("host-resolver-rules", "MAP *.local 127.0.0.1, MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"))...)
	defer stop()
	ctx, stopTab := chromedp.NewContext(alloc)
	defer stopTab()
	b := &tab{t: t, ctx: ctx, server: s}
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate("https://books.local:"+port+"/console/")))
	b.shows("It begins with lk_")
	require.Equal(t, "true true h2", js[string](b,
		`isSecureContext + " " + ("serviceWorker" in navigator) + " " + performance.getEntriesByType("navigation")[0].nextHopProtocol`))
	require.NotContains(t, js[string](b, "document.body.innerText"), "without encryption")
	b.signIn(s.admin)
	require.Equal(t, 200, js[int](b, `fetch("/v1/sessions/current").then(r => r.status)`))
	b.done()
	require.ErrorContains(t, chromedp.Do(ctx, chromedp.Navigate("https://other.local:"+port+"/console/")), "ERR_CERT_COMMON_NAME_INVALID")
}

// TestSignInScreenshots shows the page to sign in.
func TestSignInScreenshots(t *testing.T) {
	wantShots(t)
	short, _ := withProvider(t, "the staff's account")
	long, _ := withProvider(t, strings.Repeat("a very long name ", 7))
	eachView(t, func(open func(s *server) *tab, shoot func(b *tab, name string)) {
		b := open(short).shows("Or with a key")
		shoot(b, "sign-in-provider")
		b.open("/console/#/?wrong=groups").shows("none of your groups")
		shoot(b, "sign-in-refused")
		b = open(long).shows("Or with a key").accessible()
		shoot(b, "sign-in-long-name")
	})
}
