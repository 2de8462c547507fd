package api

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strings"

	"lintel/api/kit"
	"lintel/api/oidc"
)

// IdentityProvider signs people in who have no key.
type IdentityProvider interface {
	// Name names it.
	Name() string
	// Origin is where browsers reach this server: scheme, host and port.
	Origin() string
	// Begin returns the address of its page, and what the browser is to keep until it is back.
	// Again: it asks who it is though it knows.
	Begin(ctx context.Context, again bool) (string, oidc.Pending, error)
	// Finish returns who came back; its errors are of type *oidc.Refusal.
	Finish(ctx context.Context, kept string, query url.Values) (kit.Person, error)
	// Grants returns what a person may do and at which sites.
	Grants(p *kit.Person) (scopes, sites []string)
}

var codeNoProvider = kit.Code{Name: "no_provider", Status: 404, Meaning: "The server has no provider that signs people in."}

// signInRoutes are the routes by which a provider signs people in. Their answers are for browsers,
// which go from one to the other by themselves.
type signInRoutes struct{ *backend }

const (
	signInStart   = "/v1/sign-in/start"
	signInPending = 10 * 60 // seconds for the person to say who they are
)

// Names of the cookie of a sign-in that is under way, as those of sessions (package kit).
const (
	cookieSignInSecure = "__Host-lintel-sign-in"
	cookieSignInPlain  = "lintel-sign-in"
)

var toPage = []kit.Param{kit.Header("Location", "Where the browser goes on."), kit.Header("Set-Cookie", "What the browser keeps of it.")}

func (h signInRoutes) table() []kit.Route {
	codes := []kit.Code{kit.CodeUnknownHost, kit.CodeInvalidParameter, kit.CodeUnavailable, kit.CodeTimeout}
	return []kit.Route{
		{
			Method: "GET", Path: "/v1/sign-in", Name: "waysToSignIn", Group: "Keys", Summary: "Say how a browser can be signed in",
			About: "A key always can. `provider` is there if the server has one that signs people in, too (OpenID Connect).",
			Open:  true, Answers: []kit.Answer{kit.OK("The ways.", WaysToSignIn{})}, Handle: h.ways,
		}, {
			Method: "GET", Path: signInStart, Name: "beginSignIn", Group: "Keys", Summary: "Have the provider sign a person in",
			About: "For browsers: leads to the page of the provider, which leads back. What it says of the person is " +
				"held against the settings " +
				"(`lintel serve --oidc`); the session that begins is like that of a key, and lasts 12 hours at most.",
			Open: true, Params: []kit.Param{kit.Flag("again",
				"The provider asks who it is though it knows, as on a device that several people share.")},
			Answers: []kit.Answer{kit.Reply(303, "To the provider; or to the console, with the reason.")}, Headers: toPage,
			Codes: append(codes, codeNoProvider), Handle: h.begin,
		}, {
			Method: "GET", Path: oidc.CallbackPath, Name: "finishSignIn", Group: "Keys", Summary: "Come back from the provider",
			About: "For browsers. The address to register with the provider as redirect URI.",
			Open:  true, Answers: []kit.Answer{kit.Reply(303, "To the console: signed in, or with the reason why not.")}, Headers: toPage,
			Codes: append(codes, codeNoProvider, codeManySessions, kit.CodeStoreFull), Handle: h.finish,
		},
	}
}

// WaysToSignIn is how a browser can be signed in.
type WaysToSignIn struct {
	Provider *ProviderView `json:"provider,omitempty"`
}

// ProviderView is a provider as a page offers it.
type ProviderView struct {
	Name  string `json:"name" jsonschema_description:"For the button: Sign in with NAME."`
	Start string `json:"start" jsonschema_description:"The address that the browser is sent to."`
}

func (h signInRoutes) ways(c *kit.Call) error {
	var v WaysToSignIn
	if p := h.opt.Provider; p != nil {
		v.Provider = &ProviderView{p.Name(), p.Origin() + signInStart}
	}
	return c.JSON(http.StatusOK, v)
}

// provider returns who signs people in. The address of the server must be one that it knows: else a
// cookie would be set for somebody else's.
func (h signInRoutes) provider(c *kit.Call) (IdentityProvider, error) {
	if h.opt.Provider == nil {
		return nil, kit.Problemf(codeNoProvider, "This server has no provider that signs people in. Sign in with a key.")
	}
	return h.opt.Provider, c.CheckHost()
}

func (h signInRoutes) begin(c *kit.Call) error {
	p, err := h.provider(c)
	if err != nil {
		return err
	}
	to, pending, err := p.Begin(c.Ctx(), c.Flag("again"))
	if err != nil {
		return h.back(c, p, err)
	}
	c.SetCookie(signInCookie(p, pending.String(), signInPending))
	return c.Redirect(http.StatusSeeOther, to)
}

func (h signInRoutes) finish(c *kit.Call) error {
	p, err := h.provider(c)
	if err != nil {
		return err
	}
	ours := signInCookie(p, "", -1)
	kept := ""
	if cookie, err := c.Request().Cookie(ours.Name); err == nil {
		kept = cookie.Value
	}
	c.SetCookie(ours) // one sign-in is one attempt
	person, err := p.Finish(c.Ctx(), kept, c.QueryParams())
	if err != nil {
		return h.back(c, p, err)
	}
	if err := c.SignInPerson(person, ours.Secure); errors.Is(err, kit.ErrManySessions) {
		return manySessions()
	} else if err != nil {
		return err
	}
	scopes, sites := p.Grants(&person)
	h.log.Info("a person was signed in", "name", person.Name, "groups", person.Groups, "scopes", scopes, "sites", sites, "from", c.RealIP())
	return h.back(c, p, nil)
}

// back leads to the console, which puts the reason into words if there is one.
func (h signInRoutes) back(c *kit.Call, p IdentityProvider, err error) error {
	to := p.Origin() + "/console/"
	if err != nil {
		why := oidc.WhyFailed
		var r *oidc.Refusal
		if errors.As(err, &r) {
			why = r.Why
		}
		if more, due := h.signIns.Due(why, h.opt.Now()); due {
			h.log.Warn("a person was not signed in", "why", why, "err", err, "from", c.RealIP(), "not_logged", more)
		}
		to += "#/?wrong=" + why
	}
	return c.Redirect(http.StatusSeeOther, to)
}

// signInCookie is what a browser keeps of a sign-in. Strict it can't be: the browser comes back
// from a page of the provider.
func signInCookie(p IdentityProvider, value string, age int) *http.Cookie {
	c := &http.Cookie{Name: cookieSignInPlain, Value: value, Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode, MaxAge: age}
	if strings.HasPrefix(p.Origin(), "https://") {
		c.Name, c.Secure = cookieSignInSecure, true
	}
	return c
}
