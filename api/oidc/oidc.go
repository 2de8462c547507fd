// Package oidc signs people in by OpenID Connect: the provider says who somebody is and in which
// groups, the settings say what a group gives.
//
//	page ──▶ Begin ──▶ provider: who is it? ──▶ browser comes back ──▶ Finish ──▶ kit.Person ──▶ a session like any other
//
// It is the authorization code flow (OpenID Connect Core 1.0, section 3.1) with PKCE (RFC 7636),
// state and nonce. What belongs to one sign-in is kept by the browser alone, in a cookie that lasts
// ten minutes: a request that comes back without it, or with another state, is somebody else's. The
// provider is asked only while somebody signs in, through the guard of everything that goes out
// (engine/deliver). What a person may do follows from the settings at each request, so a change of
// the settings is in force as soon as the server has them; that somebody left a group is noticed at
// the next sign-in, within 12 hours.
package oidc

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"
	"golang.org/x/sync/singleflight"

	"lintel/api/kit"
	"lintel/rules/doc"
)

// CallbackPath is where the provider sends browsers back to.
const CallbackPath = "/v1/sign-in/callback"

// Why a sign-in failed, for a page to put into words.
const (
	WhyRefused = "refused" // the provider refused, or the person did not want to
	WhyStale   = "stale"   // it took too long, or began in another browser
	WhyGroups  = "groups"  // none of the person's groups gives anything
	WhyClock   = "clock"   // the clocks of provider and server are too far apart
	WhyAway    = "away"    // the provider can't be reached
	WhyFailed  = "failed"  // what the provider answered is not right; the log says what
)

// Refusal is a sign-in that failed.
type Refusal struct {
	Why   string
	cause error
}

func (r *Refusal) Error() string { return r.Why + ": " + r.cause.Error() }
func (r *Refusal) Unwrap() error { return r.cause }

func refuse(why, format string, args ...any) error { return &Refusal{why, fmt.Errorf(format, args...)} }

// Bounds.
const (
	patience    = 10 * time.Second // for all that the provider is asked in one step
	fresh       = time.Minute      // how old what the provider says of itself may be
	maxAnswer   = 1 << 20          // bytes
	maxGroupsOf = 1000             // groups of a person that are looked at
	maxName     = 100              // characters of a person's name
)

// Provider signs people in. It is safe for concurrent use.
type Provider struct {
	set    Settings
	client *http.Client
	now    func() time.Time

	asking singleflight.Group // what it says of itself: once, however many wait for it
	known  atomic.Pointer[knownProvider]
}

// knownProvider is what a provider said of itself, and when.
type knownProvider struct {
	*oidc.Provider
	at time.Time
}

// New makes a provider, which is asked through the client. It asks nothing yet.
func New(set Settings, client *http.Client) *Provider {
	limited := *client
	limited.Transport = bounded{client.Transport}
	return &Provider{set: set, client: &limited, now: time.Now}
}

// bounded lets no answer be longer than maxAnswer.
type bounded struct{ http.RoundTripper }

func (b bounded) RoundTrip(req *http.Request) (*http.Response, error) {
	res, err := b.RoundTripper.RoundTrip(req)
	if err == nil {
		res.Body = struct {
			io.Reader
			io.Closer
		}{io.LimitReader(res.Body, maxAnswer), res.Body}
	}
	return res, err
}

// Name names the provider.
func (p *Provider) Name() string { return p.set.Name }

// Origin is where browsers reach the server that people are signed in to.
func (p *Provider) Origin() string { return p.set.Origin }

// Pending is what a browser keeps of a sign-in until it comes back.
type Pending struct{ State, Nonce, Verifier string }

// String writes it for a cookie.
func (p Pending) String() string { return p.State + "." + p.Nonce + "." + p.Verifier }

func parsePending(text string) (p Pending, ok bool) {
	parts := strings.Split(text, ".")
	if len(parts) != 3 || len(parts[0]) < 26 || len(parts[1]) < 26 || len(parts[2]) < 43 || len(text) > 300 {
		return p, false
	}
	return Pending{parts[0], parts[1], parts[2]}, true
}

// Begin returns the address of the provider's page for one sign-in, and what the browser is to keep
// of it. Again: the provider is to ask who it is though it knows.
func (p *Provider) Begin(ctx context.Context, again bool) (string, Pending, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	config, _, err := p.config(ctx)
	if err != nil {
		return "", Pending{}, err
	}
	pending := Pending{rand.Text(), rand.Text(), oauth2.GenerateVerifier()}
	options := []oauth2.AuthCodeOption{oidc.Nonce(pending.Nonce), oauth2.S256ChallengeOption(pending.Verifier)}
	if again {
		options = append(options, oauth2.SetAuthURLParam("prompt", "login"))
	}
	return config.AuthCodeURL(pending.State, options...), pending, nil
}

// Finish returns who came back, by what the provider put into the address and what the browser
// kept. Its errors are of type *Refusal.
func (p *Provider) Finish(ctx context.Context, kept string, query url.Values) (kit.Person, error) {
	pending, ok := parsePending(kept)
	if !ok || subtle.ConstantTimeCompare([]byte(pending.State), []byte(query.Get("state"))) != 1 {
		return kit.Person{}, refuse(WhyStale, "the browser did not begin this sign-in, or more than ten minutes ago")
	}
	if iss := query.Get("iss"); iss != "" && iss != p.set.Issuer { // RFC 9207
		return kit.Person{}, refuse(WhyFailed, "the answer is from the provider %q", doc.Clip(iss))
	}
	if code := query.Get("error"); code != "" {
		return kit.Person{}, refuse(WhyRefused, "the provider answered %q: %q", doc.Clip(code), doc.Clip(query.Get("error_description")))
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	config, known, err := p.config(ctx)
	if err != nil {
		return kit.Person{}, err
	}
	ctx = oidc.ClientContext(ctx, p.client)
	token, err := config.Exchange(ctx, query.Get("code"), oauth2.VerifierOption(pending.Verifier))
	if err != nil {
		return kit.Person{}, unanswered("the exchange of the code", err)
	}
	raw, _ := token.Extra("id_token").(string)
	id, err := known.Verifier(&oidc.Config{ClientID: p.set.ClientID, Now: p.now}).Verify(ctx, raw)
	var late *oidc.TokenExpiredError
	switch {
	case errors.As(err, &late) || err != nil && strings.Contains(err.Error(), "nbf"):
		return kit.Person{}, refuse(WhyClock, "the clocks of the provider and of this server are too far apart: %w", err)
	case err != nil:
		return kit.Person{}, unanswered("the identity token", err)
	case subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(pending.Nonce)) != 1:
		return kit.Person{}, refuse(WhyFailed, "the identity token is of another sign-in: its nonce is not the one that was sent")
	}
	return p.person(ctx, known, token, id)
}

// unanswered tells a provider that can't be reached from one that says no.
func unanswered(what string, err error) error {
	var answer *oauth2.RetrieveError
	if failed := (*url.Error)(nil); errors.As(err, &failed) && !errors.As(err, &answer) || errors.Is(err, context.DeadlineExceeded) {
		return refuse(WhyAway, "%s: %w", what, err)
	}
	return refuse(WhyFailed, "%s: %w", what, err)
}

// config returns how the provider is asked, by what it says of itself.
func (p *Provider) config(ctx context.Context) (*oauth2.Config, *oidc.Provider, error) {
	known := p.known.Load()
	if known == nil || p.now().Sub(known.at) > fresh {
		select {
		case <-ctx.Done():
			return nil, nil, refuse(WhyAway, "what the provider says of itself: %w", ctx.Err())
		case got := <-p.asking.DoChan("", func() (any, error) { return p.discover() }):
			if got.Err != nil {
				return nil, nil, got.Err
			}
			known = p.known.Load()
		}
	}
	return &oauth2.Config{
		ClientID: p.set.ClientID, ClientSecret: p.set.Secret, Endpoint: known.Endpoint(), RedirectURL: p.set.Origin + CallbackPath,
		Scopes: append([]string{oidc.ScopeOpenID}, p.set.Scopes...),
	}, known.Provider, nil
}

// discover asks the provider what it says of itself (OpenID Connect Discovery 1.0).
func (p *Provider) discover() (any, error) {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	known, err := oidc.NewProvider(oidc.ClientContext(ctx, p.client), p.set.Issuer)
	if err != nil {
		return nil, unanswered("what the provider says of itself", err)
	}
	var all struct {
		Auth     string `json:"authorization_endpoint"`
		Token    string `json:"token_endpoint"`
		UserInfo string `json:"userinfo_endpoint"`
		Keys     string `json:"jwks_uri"`
	}
	if err := known.Claims(&all); err != nil {
		return nil, refuse(WhyFailed, "what the provider says of itself: %w", err)
	}
	for _, at := range []string{all.Auth, all.Token, all.UserInfo, all.Keys} {
		u, err := url.Parse(at)
		if err != nil || at != "" && u.Scheme != "https" && strings.HasPrefix(p.set.Issuer, "https://") {
			return nil, refuse(WhyFailed, "the provider names an address that is no https: %q", doc.Clip(at))
		}
	}
	p.known.Store(&knownProvider{known, p.now()})
	return nil, nil
}

// person makes a person of the claims. Some providers put groups and names into the identity token,
// some say them only when they are asked.
func (p *Provider) person(ctx context.Context, known *oidc.Provider, token *oauth2.Token, id *oidc.IDToken) (kit.Person, error) {
	claims := map[string]any{}
	if err := id.Claims(&claims); err != nil {
		return kit.Person{}, refuse(WhyFailed, "the identity token: %w", err)
	}
	if len(id.Audience) > 1 && claims["azp"] != p.set.ClientID { // OpenID Connect Core 1.0, section 3.1.3.7
		return kit.Person{}, refuse(WhyFailed, "the identity token was made for another client")
	}
	_, has := p.groups(claims)
	if known.UserInfoEndpoint() != "" && (!has || name(claims) == "") {
		info, err := known.UserInfo(oidc.ClientContext(ctx, p.client), oauth2.StaticTokenSource(token))
		if err != nil {
			return kit.Person{}, unanswered("what the provider says of the person", err)
		}
		if info.Subject != id.Subject { // OpenID Connect Core 1.0, section 5.3.2
			return kit.Person{}, refuse(WhyFailed, "what the provider says of the person is of somebody else")
		}
		more := map[string]any{}
		if err := info.Claims(&more); err != nil {
			return kit.Person{}, refuse(WhyFailed, "what the provider says of the person: %w", err)
		}
		for k, v := range more {
			if _, ok := claims[k]; !ok {
				claims[k] = v
			}
		}
	}
	if id.Subject == "" {
		return kit.Person{}, refuse(WhyFailed, "the identity token names nobody")
	}
	sum := sha256.Sum256([]byte(p.set.Issuer + "\x00" + id.Subject))
	person := kit.Person{ID: "oidc:" + hex.EncodeToString(sum[:16])}
	of := name(claims)
	if of == "" {
		of = clean(id.Subject)
	}
	person.Name = of + " (" + account(claims, clean(p.set.Name)) + ")"
	groups, _ := p.groups(claims)
	for i := range p.set.Groups {
		if g := p.set.Groups[i].Group; slices.Contains(groups, g) {
			person.Groups = append(person.Groups, g)
		}
	}
	if len(person.Groups) == 0 {
		return kit.Person{}, refuse(WhyGroups, "%s is in no group that gives anything; the claim %q has %d", person.Name,
			p.set.GroupsClaim, len(groups))
	}
	return person, nil
}

// groups returns the groups of the claims, and whether they have any word on groups: a list of
// texts, or one text.
func (p *Provider) groups(claims map[string]any) ([]string, bool) {
	v, ok := claims[p.set.GroupsClaim]
	if !ok {
		v, ok = any(claims), true
		for part := range strings.SplitSeq(p.set.GroupsClaim, ".") {
			m, _ := v.(map[string]any)
			if v, ok = m[part]; !ok {
				return nil, false
			}
		}
	}
	switch v := v.(type) {
	case string:
		return []string{v}, true
	case []any:
		var list []string
		for _, one := range v[:min(len(v), maxGroupsOf)] {
			if s, is := one.(string); is {
				list = append(list, s)
			}
		}
		return list, true
	}
	return nil, ok
}

// name returns what a person is called, "" if the claims don't say.
func name(claims map[string]any) string {
	s, _ := claims["name"].(string)
	return clean(s)
}

// account returns what tells a person from others of the same name: the address or the user name at
// the provider.
func account(claims map[string]any, otherwise string) string {
	if s, _ := claims["email"].(string); s != "" && claims["email_verified"] == true {
		return clean(s)
	}
	if s, _ := claims["preferred_username"].(string); s != "" {
		return clean(s)
	}
	return otherwise
}

// clean makes a text fit to stand in history: short, in one line, and read in the direction in
// which it is written.
func clean(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == '(' || r == ')' || doc.TurnsText(r) {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, ""))
	if r := []rune(s); len(r) > maxName {
		s = string(r[:maxName])
	}
	return strings.Join(strings.Fields(s), " ")
}

// Grants returns what a person may do and where, by the groups: none, if they give nothing any
// more. A session may do each of its scopes at each of its sites, so groups are added up only where
// that gives nothing that no group gives: those with the same sites give their scopes, those with
// the same scopes their sites. Otherwise the one that stands first in the settings counts.
func (p *Provider) Grants(person *kit.Person) (scopes, sites []string) {
	for _, g := range p.set.Groups {
		switch {
		case !slices.Contains(person.Groups, g.Group):
		case scopes == nil:
			scopes, sites = slices.Clone(g.Scopes), slices.Clone(g.Sites)
		case same(sites, g.Sites):
			scopes = union(scopes, g.Scopes)
		case same(scopes, g.Scopes):
			sites = union(sites, g.Sites)
		}
	}
	return scopes, sites
}

func same(a, b []string) bool {
	return slices.Equal(slices.Sorted(slices.Values(a)), slices.Sorted(slices.Values(b)))
}

func union(a, b []string) []string {
	for _, s := range b {
		if !slices.Contains(a, s) {
			a = append(a, s)
		}
	}
	return a
}
