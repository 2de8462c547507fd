// Package oidctest runs a whole OpenID Connect provider on loopback for tests: that of
// github.com/zitadel/oidc, which is certified by the OpenID Foundation, with its page to sign in
// and a store in memory.
package oidctest

import (
	"context"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/zitadel/oidc/v3/example/server/exampleop"
	"github.com/zitadel/oidc/v3/example/server/storage"
	zitadel "github.com/zitadel/oidc/v3/pkg/oidc"
	"github.com/zitadel/oidc/v3/pkg/op"
)

// Clients of the provider, with their secrets.
const (
	Client, Secret           = "lintel", "a secret of lintel"
	OtherClient, OtherSecret = "another", "a secret of another"
)

// Password is everybody's.
const Password = "verysecure"

// User is somebody whom the provider knows.
type User struct {
	Name, First, Last, Email string
	Unverified               bool // nobody made sure that the address is theirs
	Groups                   []string
}

// Provider is one that runs until the test ends.
type Provider struct {
	Issuer  string
	InToken bool // groups stand in the identity token; else they are said when they are asked for

	server *httptest.Server
	users  map[string]*User
}

// Start runs a provider of the users, whose clients may have browsers sent back to the addresses.
func Start(t testing.TB, users []User, back ...string) *Provider {
	p := &Provider{users: make(map[string]*User)}
	var handler http.Handler
	p.server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { handler.ServeHTTP(w, r) }))
	t.Cleanup(p.server.Close)
	p.Issuer = p.server.URL + "/"
	for i := range users {
		p.users[users[i].Name] = &users[i]
	}
	st := &groupStorage{p: p, Storage: storage.NewStorageWithClients(p, map[string]*storage.Client{
		Client: storage.WebClient(Client, Secret, back...), OtherClient: storage.WebClient(OtherClient, OtherSecret, back...),
	})}
	handler = exampleop.SetupServer(p.Issuer, st, nil, false)
	return p
}

// Stop ends it before the test does.
func (p *Provider) Stop() { p.server.Close() }

// GetUserByID is for the provider's store.
func (p *Provider) GetUserByID(id string) *storage.User {
	u := p.users[id]
	if u == nil {
		return nil
	}
	return &storage.User{ID: u.Name, Username: u.Name, Password: Password, FirstName: u.First, LastName: u.Last, Email: u.Email,
		EmailVerified: !u.Unverified}
}

// GetUserByUsername is for the provider's store.
func (p *Provider) GetUserByUsername(name string) *storage.User { return p.GetUserByID(name) }

// ExampleClientID is for the provider's store.
func (p *Provider) ExampleClientID() string { return "service" }

// groupStorage adds the groups to what is said of people.
type groupStorage struct {
	*storage.Storage
	p *Provider
}

func (s *groupStorage) SetUserinfoFromToken(ctx context.Context, info *zitadel.UserInfo, token, subject, origin string) error {
	err := s.Storage.SetUserinfoFromToken(ctx, info, token, subject, origin)
	info.AppendClaims("groups", s.p.users[subject].Groups)
	return err
}

func (s *groupStorage) SetUserinfoFromRequest(ctx context.Context, info *zitadel.UserInfo, token op.IDTokenRequest, scopes []string) error {
	err := s.Storage.SetUserinfoFromRequest(ctx, info, token, scopes)
	if s.p.InToken {
		info.AppendClaims("groups", s.p.users[token.GetSubject()].Groups)
	}
	return err
}

var field = regexp.MustCompile(`name="id" value="([^"]+)"`)

// SignIn goes where a browser is sent, signs somebody in there, and returns the address to which
// the browser is sent back.
func SignIn(t testing.TB, address, user string) *url.URL {
	t.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	var back *url.URL
	client := &http.Client{Jar: jar, CheckRedirect: func(req *http.Request, via []*http.Request) error {
		if req.URL.Host != via[0].URL.Host || strings.HasSuffix(req.URL.Path, "/v1/sign-in/callback") {
			back = req.URL
			return http.ErrUseLastResponse
		}
		return nil
	}}
	res, err := client.Get(address)
	require.NoError(t, err)
	page, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	if back != nil {
		return back
	}
	m := field.FindSubmatch(page)
	require.NotNil(t, m, "%s: %s", res.Request.URL, page)
	res, err = client.PostForm(res.Request.URL.String(), url.Values{"username": {user}, "password": {Password}, "id": {string(m[1])}})
	require.NoError(t, err)
	page, err = io.ReadAll(res.Body)
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	require.NotNil(t, back, "%s", page)
	return back
}
