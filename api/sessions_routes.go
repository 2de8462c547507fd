package api

import (
	"errors"
	"net/http"
	"net/url"
	"strings"
	"time"

	"lintel/api/kit"
)

var (
	codeUnknownSession = kit.Code{Name: "unknown_session", Status: 404, Meaning: "There is no such session, or it is not the caller's to end."}
	codeManySessions   = kit.Code{Name: "too_many_sessions", Status: 503, Meaning: "There are as many sessions as the server keeps."}
)

// sessionRoutes are the routes about browsers that are signed in.
type sessionRoutes struct{ *backend }

// currentSession stands for the caller's own session in paths.
const currentSession = "current"

func (h sessionRoutes) table() []kit.Route {
	return []kit.Route{
		{
			Method: "POST", Path: "/v1/sessions", Name: "signIn", Group: "Keys", Summary: "Sign a browser in with a key",
			About: "Sets a cookie that no script can read; with it the browser may do what the key may, until the session or the key " +
				"ends. A request that goes by the cookie must come from a page of this server.",
			Open: true, Body: kit.JSON(SignInRequest{}),
			Answers: []kit.Answer{kit.Reply(201, "Signed in.", kit.JSON(SignedIn{})...)}, Headers: withCookie,
			Codes: []kit.Code{kit.CodeUnauthorized, kit.CodeCrossOrigin, kit.CodeUnknownHost, codeManySessions, kit.CodeUnavailable, kit.CodeStoreFull,
				kit.CodeTimeout, kit.CodeInvalidBody, kit.CodeInvalidJSON, kit.CodeBodyTooLarge, kit.CodeUnsupportedType, kit.CodeBusy,
				kit.CodeInvalidEncoding, kit.CodeUnsupportedEncoding, kit.CodeInvalidParameter}, Handle: h.signIn,
		}, {
			Method: "GET", Path: "/v1/sessions", Name: "listSessions", Group: "Keys", Summary: "List the browsers that are signed in",
			About:  "Those of the caller's key, or of the person; all of them for a key with the scope admin that is for all sites.",
			Scopes: kit.Scopes(), Answers: []kit.Answer{kit.OK("The sessions, oldest first.", SessionList{})}, Handle: h.listSessions,
		}, {
			Method: "GET", Path: "/v1/sessions/current", Name: "getSession", Group: "Keys", Summary: "Say who is asking",
			Scopes: kit.Scopes(), Answers: []kit.Answer{kit.OK("The key, and the session if the caller has one.", SignedIn{})}, Handle: h.getSession,
		}, {
			Method: "DELETE", Path: "/v1/sessions/{id}", Name: "endSession", Group: "Keys", Summary: "Sign a browser out",
			About:  "It ends on every node within a second. The id \"current\" is the caller's own.",
			Scopes: kit.Scopes(), Answers: []kit.Answer{kit.Reply(204, "It has ended.")}, Headers: withCookie,
			Codes: []kit.Code{codeUnknownSession}, Handle: h.endSession,
		},
	}
}

// SignInRequest exchanges a key for a session.
type SignInRequest struct {
	Key  string `json:"key" jsonschema_description:"The text of the key, lk_..."`
	Keep bool   `json:"keep,omitempty" jsonschema_description:"Stay signed in for 30 days, also when the browser is closed. Else for 12 hours at most."`
}

// SignedIn is who is asking.
type SignedIn struct {
	Key     string       `json:"key" jsonschema_description:"The name of the key, or of the person."`
	Person  bool         `json:"person,omitempty" jsonschema_description:"It is a person, whom the provider signed in."`
	Scopes  []string     `json:"scopes"`
	Sites   []string     `json:"sites" jsonschema_description:"Ids of sites, or \"*\" for all."`
	Session *SessionView `json:"session,omitempty"`
	Now     time.Time    `json:"now" jsonschema_description:"The server's time, for browsers whose clock is wrong."`
}

// SessionView is a session as answers show it.
type SessionView struct {
	ID      string    `json:"id"`
	Key     string    `json:"key" jsonschema_description:"The name of the key that signed in, or of the person."`
	Person  bool      `json:"person,omitempty" jsonschema_description:"A provider signed the person in."`
	Created time.Time `json:"created"`
	Until   time.Time `json:"until"`
	Agent   string    `json:"agent,omitempty" jsonschema_description:"What the browser calls itself."`
	Current bool      `json:"current" jsonschema_description:"It is the caller's."`
}

// SessionList is the answer to a listing of sessions.
type SessionList struct {
	Sessions []SessionView `json:"sessions"`
}

func sessionView(s *kit.Session, current bool) *SessionView {
	return &SessionView{ID: s.ID, Key: s.Key, Person: s.Person != nil, Created: s.Created, Until: s.Until, Agent: s.Agent, Current: current}
}

func (h sessionRoutes) signedIn(k *kit.Key, s *kit.Session) SignedIn {
	v := SignedIn{Key: k.Name, Scopes: k.Scopes, Sites: k.Sites, Now: h.opt.Now().UTC()}
	if s != nil {
		v.Session, v.Person = sessionView(s, true), s.Person != nil
	}
	return v
}

func (h sessionRoutes) signIn(c *kit.Call) error {
	var req SignInRequest
	if err := c.DecodeJSON(&req); err != nil {
		return err
	}
	made, k, err := c.SignIn(req.Key, req.Keep)
	if errors.Is(err, kit.ErrManySessions) {
		return manySessions()
	}
	if err != nil {
		return err
	}
	return c.JSON(http.StatusCreated, h.signedIn(k, &made))
}

func manySessions() error {
	return kit.Problemf(codeManySessions, "There are as many sessions as the server keeps. End some, or wait until they are over.")
}

func (h sessionRoutes) getSession(c *kit.Call) error {
	s, err := c.Session()
	return c.Answer(h.signedIn(c.Key, s), err)
}

func (h sessionRoutes) listSessions(c *kit.Call) error {
	sessions, err := c.Sessions()
	if err != nil {
		return err
	}
	own, err := c.Session()
	if err != nil {
		return err
	}
	list := SessionList{Sessions: []SessionView{}}
	for i := range sessions {
		list.Sessions = append(list.Sessions, *sessionView(&sessions[i], own != nil && own.ID == sessions[i].ID))
	}
	return c.JSON(http.StatusOK, list)
}

func (h sessionRoutes) endSession(c *kit.Call) error {
	id := c.PathParam("id")
	if id == currentSession {
		own, err := c.Session()
		if err != nil {
			return err
		}
		if own == nil {
			return kit.Problemf(codeUnknownSession, "The request goes by a key, not by a session.")
		}
		id = own.ID
	}
	err := c.EndSession(id)
	if errors.Is(err, kit.ErrUnknownSession) {
		return kit.Problemf(codeUnknownSession, "There is no session %s, or it is not yours to end.", kit.Shown([]byte(id)))
	}
	if err != nil {
		return err
	}
	return c.NoContent(http.StatusNoContent)
}

// hosts returns the names in addresses of this server, of those that people can reach.
func hosts(addresses ...string) (names []string) {
	for _, a := range addresses {
		if u, err := url.Parse(a); err == nil && a != "" && a != defaultPublicURL {
			names = append(names, strings.ToLower(u.Hostname()))
		}
	}
	return names
}
