package oidc

import (
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"slices"
	"strings"

	"lintel/api/kit"
	"lintel/rules/doc"
)

// Limits on what a document of settings may have.
const (
	maxSettings = 1 << 18 // bytes
	maxGroups   = 1000
	maxList     = 100 // of scopes and sites of one group
	maxText     = 256 // characters
	maxSecret   = 4 << 10
	maxProblems = 100
)

// Settings say which provider signs people in, and what its groups give.
type Settings struct {
	Name        string // of the provider, for the button: Sign in with NAME
	Issuer      string // its address, exactly as it writes it
	ClientID    string
	Secret      string   // "" for a public client, which PKCE alone protects
	Origin      string   // scheme, host and port by which browsers reach Lintel
	Scopes      []string // asked for beside openid
	GroupsClaim string   // name of the claim, or its path with dots
	Groups      []Grant
}

// Grant is what a group gives.
type Grant struct {
	Group  string
	Scopes []string
	Sites  []string
}

// members of the document.
var members = []string{"name", "issuer", "client_id", "client_secret_file", "origin", "scopes", "groups_claim", "groups"}

// Read reads a file of settings, and the secret from the file that it names, which may be relative
// to it.
func Read(file string) (Settings, error) {
	src, err := kit.ReadFile(file, maxSettings)
	if err != nil {
		return Settings{}, err
	}
	s, secret, err := parse(src, file)
	if err != nil || secret == "" {
		return s, err
	}
	if !filepath.IsAbs(secret) {
		secret = filepath.Join(filepath.Dir(file), secret)
	}
	b, err := kit.ReadFile(secret, maxSecret)
	if err != nil {
		return Settings{}, fmt.Errorf("the client's secret: %w", err)
	}
	if s.Secret = strings.TrimSpace(string(b)); s.Secret == "" {
		return Settings{}, fmt.Errorf("the client's secret: %s is empty", secret)
	}
	return s, nil
}

// parse reads a document of settings in JSON, and returns the name of the secret's file too. The
// error, if any, is a line for each problem, with its place.
func parse(src []byte, file string) (s Settings, secret string, err error) {
	d, problem := doc.JSON(src, maxSettings)
	r := doc.NewReport(file, maxProblems, d, nil)
	if problem != nil {
		r.Add(*problem)
	}
	if d.Root != nil {
		if o, ok := r.Object(d.Root, members...); ok {
			s, secret = settings(o)
		}
	}
	if r.Err() != nil {
		var b strings.Builder
		r.List().Print(&b, file)
		return Settings{}, "", errors.New(strings.TrimSpace(b.String()))
	}
	return s, secret, nil
}

func settings(o doc.Object) (s Settings, secret string) {
	s = Settings{
		Name: text(o, "name", true, ""), ClientID: text(o, "client_id", true, ""), GroupsClaim: text(o, "groups_claim", false, "groups"),
		Scopes: texts(o, "scopes", false), Issuer: address(o, "issuer"), Origin: address(o, "origin"),
	}
	if o.Get("scopes") == nil {
		s.Scopes = []string{"profile", "email"}
	}
	if u, err := url.Parse(s.Origin); err == nil && s.Origin != "" && u.Path != "" {
		o.Problem("origin", "write "+u.Scheme+"://"+u.Host, "has a path: it is where browsers reach Lintel, without the path")
	}
	if s.Issuer != "" && strings.HasPrefix(s.Issuer, "http://") && strings.HasPrefix(s.Origin, "https://") {
		o.Problem("issuer", "use https", "has the scheme http, so that anybody on the way could sign in as anybody")
	}
	list := o.List("groups", maxGroups)
	if len(list) == 0 && o.Get("groups") == nil {
		o.Problem("groups", `write [{"group": "floor", "scopes": ["operate"], "sites": ["*"]}]`,
			"is missing: without it nobody may do anything")
	}
	seen := map[string]bool{}
	for _, n := range list {
		g, ok := o.Object(n, "group", "scopes", "sites")
		if !ok {
			continue
		}
		grant := Grant{Group: text(g, "group", true, ""), Scopes: texts(g, "scopes", true), Sites: texts(g, "sites", true)}
		if seen[grant.Group] && grant.Group != "" {
			g.Problem("group", "put it all into one entry", "%q stands twice", doc.Clip(grant.Group))
		}
		seen[grant.Group] = true
		for i, v := range grant.Scopes {
			if !slices.Contains(kit.Scopes(), v) {
				o.About(g.Get("scopes").Items[i], doc.OneOf(v, kit.Scopes()), "there is no scope %q", doc.Clip(v))
			}
		}
		for i, v := range grant.Sites {
			if v != kit.AllSites && !kit.ValidSite(v) {
				o.About(g.Get("sites").Items[i], `write the id of a site, or "*" for all`, "%q can't be a site", doc.Clip(v))
			}
		}
		s.Groups = append(s.Groups, grant)
	}
	return s, text(o, "client_secret_file", false, "")
}

// text returns a member that is a text of at most maxText characters, else otherwise.
func text(o doc.Object, name string, required bool, otherwise string) string {
	v, ok := o.Text(name, required)
	switch {
	case !ok:
		return otherwise
	case v == "" || len(v) > maxText || strings.ContainsFunc(v, func(r rune) bool { return r < ' ' || r == 0x7f }):
		o.Problem(name, "", "is empty, longer than %d bytes, or has a control character", maxText)
		return otherwise
	}
	return v
}

func texts(o doc.Object, name string, required bool) []string {
	if o.Get(name) == nil {
		if required {
			o.Problem(name, "write a list of texts", "is missing")
		}
		return nil
	}
	var list []string
	for _, n := range o.List(name, maxList) {
		v, ok := o.TextOf(n)
		if ok && v == "" {
			o.About(n, "", "is empty")
		}
		list = append(list, v)
	}
	if required && len(list) == 0 {
		o.Problem(name, "write at least one", "is empty")
	}
	return list
}

// address reads an https URL without a query; http is allowed on this machine alone.
func address(o doc.Object, name string) string {
	const how = "write it like https://lintel.example"
	v := text(o, name, true, "")
	if v == "" {
		return ""
	}
	u, err := url.Parse(v)
	switch {
	case err != nil || u.Host == "" || u.Opaque != "" || u.User != nil || u.RawQuery != "" || u.ForceQuery || strings.Contains(v, "#"):
		o.Problem(name, how, "is no address of a server, or has more than scheme, host, port and path")
	case u.Scheme == "https" || u.Scheme == "http" && kit.ThisMachine(u.Hostname()):
		return v
	default:
		o.Problem(name, how, "has the scheme %q: only https is safe over a network", doc.Clip(u.Scheme))
	}
	return ""
}
