package kit

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"net"
	"net/http"
	"net/netip"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"lintel/engine/store"
)

// Session is a browser that a key signed in, or a person by a provider. It may do what the key may,
// and ends with the key; or what the person's groups may. The browser has 32 random bytes in a
// cookie that no script can read; the store has their SHA-256.
type Session struct {
	ID      string    `json:"id"`                 // names it; no secret
	Key     string    `json:"key"`                // the name of the key, or of the person
	KeyHash string    `json:"key_hash,omitempty"` // of the text of the key that signed in
	Person  *Person   `json:"person,omitempty"`
	Created time.Time `json:"created"`
	Until   time.Time `json:"until"`
	Agent   string    `json:"agent,omitempty"` // what the browser calls itself
}

// Person is who was signed in by a provider.
type Person struct {
	ID     string   `json:"id"`     // nobody else's, and no key's name: it has a colon
	Name   string   `json:"name"`   // for history and alerts; no key's name
	Groups []string `json:"groups"` // those that give something
}

// owner names who signed in, as Key.Owner does.
func (s *Session) owner() string {
	if s.Person != nil {
		return s.Person.ID
	}
	return s.Key
}

// Bounds of sessions.
const (
	sessionShift  = 12 * time.Hour      // how long a session lasts
	sessionKept   = 30 * 24 * time.Hour // the same, where the browser is to stay signed in
	keySessions   = 100                 // of one key: one more ends the oldest
	totalSessions = 10_000              // of all keys
	maxAgent      = 200                 // bytes of Session.Agent
)

// kindSession is the kind of sessions among the store's values; the key is the SHA-256 of the
// secret.
const kindSession store.Kind = "session"

// Names of the cookie. A browser takes the first one only over https and from this host alone.
const (
	cookieSecure = "__Host-lintel"
	cookiePlain  = "lintel"
)

// Errors of sessions, which the resource about them answers with.
var (
	ErrManySessions   = errors.New("there are as many sessions as the server keeps")
	ErrUnknownSession = errors.New("there is no such session")
)

// sessions keeps who is signed in. What it has in memory is at most keyFresh old, or keyKept where
// the store is away and the route goes by old keys.
type sessions struct {
	store store.Values
	now   func() time.Time
	most  int // totalSessions

	mu   sync.Mutex
	seen map[string]seenSession // by the hash of the secret
}

type seenSession struct {
	Session
	at time.Time
}

func sessionHash(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}

// get returns the session of a secret, nil if there is none.
func (s *sessions) get(ctx context.Context, secret string, old bool) (*Session, error) {
	hash, now := sessionHash(secret), s.now()
	s.mu.Lock()
	had, ok := s.seen[hash]
	s.mu.Unlock()
	age := now.Sub(had.at)
	if ok && age >= 0 && age < keyFresh {
		return &had.Session, nil
	}
	found, err := s.list(ctx, hash)
	if err != nil {
		if ok && old && age >= 0 && age < keyKept {
			return &had.Session, nil
		}
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	session, ok := found[hash]
	if !ok {
		delete(s.seen, hash)
		return nil, nil
	}
	if len(s.seen) >= s.most {
		clear(s.seen)
	}
	s.seen[hash] = seenSession{session, now}
	return &session, nil
}

// list returns sessions by the hashes of their secrets: those of the hashes, or all.
func (s *sessions) list(ctx context.Context, hashes ...string) (map[string]Session, error) {
	found := map[string]Session{}
	err := s.store.Values(ctx, kindSession, hashes, func(v store.Value) error {
		var one Session
		if err := json.Unmarshal(v.Data, &one); err == nil { // one that is damaged is none
			found[v.Key] = one
		}
		return nil
	})
	return found, err
}

// drop deletes sessions by the hashes of their secrets.
func (s *sessions) drop(ctx context.Context, hashes ...string) error {
	s.mu.Lock()
	for _, h := range hashes {
		delete(s.seen, h)
	}
	s.mu.Unlock()
	for part := range slices.Chunk(hashes, 100) {
		values := make([]store.Value, len(part))
		for i, h := range part {
			values[i] = store.Value{Kind: kindSession, Key: h, Revision: store.AnyRevision}
		}
		if _, err := s.store.SetValues(ctx, values...); err != nil {
			return err
		}
	}
	return nil
}

// add keeps a session that says who signed in, and returns it and its secret. It deletes those that
// are over, and the oldest of the same holder if there are too many.
func (s *sessions) add(ctx context.Context, made Session, keep bool, agent string) (secret string, _ Session, err error) {
	all, err := s.list(ctx)
	if err != nil {
		return "", made, err
	}
	now := s.now()
	var drop, same []string
	for hash, one := range all {
		if !now.Before(one.Until) {
			drop = append(drop, hash)
		} else if one.owner() == made.owner() {
			same = append(same, hash)
		}
	}
	if over := len(same) - keySessions + 1; over > 0 {
		slices.SortFunc(same, func(a, b string) int { return all[a].Created.Compare(all[b].Created) })
		drop = append(drop, same[:over]...)
	}
	if err := s.drop(ctx, drop...); err != nil {
		return "", made, err
	}
	if len(all)-len(drop) >= s.most {
		return "", made, ErrManySessions
	}
	var raw [32]byte
	rand.Read(raw[:])
	secret = base64.RawURLEncoding.EncodeToString(raw[:])
	made.ID, made.Created = rand.Text(), now.UTC().Truncate(time.Second)
	made.Until, made.Agent = made.Created.Add(sessionShift), strings.ToValidUTF8(agent[:min(len(agent), maxAgent)], "")
	if keep {
		made.Until = made.Created.Add(sessionKept)
	}
	b, err := json.Marshal(made)
	if err != nil {
		return "", made, err
	}
	_, err = s.store.SetValues(ctx, store.Value{Kind: kindSession, Key: sessionHash(secret), Data: b})
	return secret, made, err
}

// sessionSecret returns what the cookie of a request holds, or "".
func sessionSecret(req *http.Request) string {
	for _, name := range []string{cookieSecure, cookiePlain} {
		if c, err := req.Cookie(name); err == nil && c.Value != "" {
			return c.Value
		}
	}
	return ""
}

// sessionCookie writes the cookie. One that is secure never goes over anything but https.
func sessionCookie(secret string, age int, secure bool) *http.Cookie {
	c := &http.Cookie{Name: cookiePlain, Value: secret, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: age}
	if secure {
		c.Name, c.Secure = cookieSecure, true
	}
	return c
}

// ownPage returns an error if a request that goes by a cookie was not made by a page of this
// server: a browser sends the cookie along whoever asks for it. Browsers say who does in
// Sec-Fetch-Site, or, for what changes something, in Origin.
func ownPage(req *http.Request) error {
	site := req.Header.Get("Sec-Fetch-Site")
	if site == "cross-site" || site == "same-site" || new(http.CrossOriginProtection).Check(req) != nil {
		return Problemf(CodeCrossOrigin, "The request came from a page of another origin, and is not carried out with the session of this one. "+
			"Programs send a key: Authorization: Bearer lk_...")
	}
	return nil
}

// hostName returns the host of a Host header in lower case, without port, brackets and a dot at its
// end.
func hostName(host string) string {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
}

// checkHost returns an error if a browser reached this server by a name that it does not know: then
// the name may be somebody else's, who had it point here to have the browser take this server for
// theirs. Known are addresses, localhost, the machine's name, and those of the options.
func (s *Server) checkHost(req *http.Request) error {
	host := hostName(req.Host)
	if _, err := netip.ParseAddr(host); err == nil || host == "localhost" || slices.Contains(s.opt.Hosts, host) ||
		s.opt.KnownHost != nil && s.opt.KnownHost(host) {
		return nil
	}
	if machine, err := os.Hostname(); err == nil {
		machine = strings.ToLower(machine)
		short, _, _ := strings.Cut(machine, ".")
		if host == machine || host == short || host == short+".local" {
			return nil
		}
	}
	return Problemf(CodeUnknownHost, "The server does not know itself by the name %s. Have it started with --public-url and this name, "+
		"or use its address.", Shown([]byte(host)))
}

// CheckHost returns an error if a browser reached this server by a name that it does not know.
func (c *Call) CheckHost() error { return c.server.checkHost(c.Request()) }

// ofSession returns the key of the session that a request's cookie has.
func (s *Server) ofSession(req *http.Request, secret string, old bool) (*Key, error) {
	if err := ownPage(req); err != nil {
		return nil, err
	}
	if err := s.checkHost(req); err != nil {
		return nil, err
	}
	session, err := s.sessions.get(req.Context(), secret, old)
	if err != nil {
		return nil, Unavailable(err)
	}
	if session == nil || !s.sessions.now().Before(session.Until) {
		return nil, Problemf(CodeUnauthorized, "The session is over. Sign in again.")
	}
	if session.Person != nil {
		return s.ofPerson(session)
	}
	keys, err := s.keys.at(req.Context(), old)
	if err != nil {
		return nil, err
	}
	var hash [sha256.Size]byte
	if n, err := hex.Decode(hash[:], []byte(session.KeyHash)); err != nil || n != len(hash) {
		return nil, Problemf(CodeUnauthorized, "The session is over. Sign in again.")
	}
	k := keys[hash]
	if k == nil || k.expired(s.sessions.now()) {
		return nil, Problemf(CodeUnauthorized, "The key %q, which signed in here, has ended. Ask for a new one.", session.Key)
	}
	return k, nil
}

// ofPerson returns what a person may do, as a key that is stored nowhere.
func (s *Server) ofPerson(session *Session) (*Key, error) {
	if s.opt.People != nil {
		if scopes, sites := s.opt.People(session.Person); len(scopes) > 0 {
			return &Key{Name: session.Person.Name, Scopes: scopes, Sites: sites, Created: session.Created, Until: &session.Until,
				person: session.Person.ID}, nil
		}
	}
	return nil, Problemf(CodeUnauthorized, "The groups of %s give nothing here any more.", session.Person.Name)
}

// caller returns the key that a request carries, or that signed in the browser that sent it.
func (s *Server) caller(req *http.Request, old bool) (*Key, error) {
	if req.Header.Get("Authorization") == "" {
		if secret := sessionSecret(req); secret != "" {
			return s.ofSession(req, secret, old)
		}
	}
	return s.keys.of(req, old)
}

// SignIn makes a session of the key with the text, and sets the cookie. A browser that is to stay
// signed in keeps it for 30 days, another one for 12 hours or until it is closed.
func (c *Call) SignIn(text string, keep bool) (Session, *Key, error) {
	s := c.server
	if err := ownPage(c.Request()); err != nil {
		return Session{}, nil, err
	}
	if err := s.checkHost(c.Request()); err != nil {
		return Session{}, nil, err
	}
	k, err := s.keys.byText(c.Ctx(), text, false)
	if err != nil {
		return Session{}, nil, err
	}
	// A page that was fetched over https, be it from a proxy, says so in Origin.
	secure := c.Request().TLS != nil || strings.HasPrefix(c.Request().Header.Get("Origin"), "https://")
	made, err := c.begin(Session{Key: k.Name, KeyHash: k.Hash}, keep, secure)
	return made, k, err
}

// SignInPerson makes a session of a person whom a provider signed in, for 12 hours or until the
// browser is closed, and sets the cookie. Secure: the browser came by https, be it to a proxy.
func (c *Call) SignInPerson(p Person, secure bool) error {
	if err := c.server.checkHost(c.Request()); err != nil {
		return err
	}
	_, err := c.begin(Session{Key: p.Name, Person: &p}, false, secure)
	return err
}

// begin makes the session, and sets the cookie. A secret is never used again: what somebody planted
// in the browser before is worth nothing.
func (c *Call) begin(of Session, keep, secure bool) (Session, error) {
	secret, made, err := c.server.sessions.add(c.Ctx(), of, keep, c.Request().UserAgent())
	if errors.Is(err, ErrManySessions) {
		return made, err
	}
	if err != nil {
		return made, Unavailable(err)
	}
	age := 0 // until the browser is closed
	if keep {
		age = int(sessionKept / time.Second)
	}
	c.SetCookie(sessionCookie(secret, age, secure))
	return made, nil
}

// Session returns the session that the request goes by, nil if it carries a key.
func (c *Call) Session() (*Session, error) {
	secret := sessionSecret(c.Request())
	if secret == "" || c.Request().Header.Get("Authorization") != "" {
		return nil, nil
	}
	s, err := c.server.sessions.get(c.Ctx(), secret, false)
	return s, Unavailable(err)
}

// Sessions lists the sessions that are not over and whose keys are live or whose people may do
// something, oldest first: those of the caller's key, or of every key for a caller with the scope
// admin and all sites.
func (c *Call) Sessions() ([]Session, error) {
	all, err := c.server.sessions.list(c.Ctx())
	if err != nil {
		return nil, Unavailable(err)
	}
	keys, err := c.server.keys.fresh(c.Ctx())
	if err != nil {
		return nil, Unavailable(err)
	}
	live := map[string]bool{}
	for _, k := range keys {
		live[k.Hash] = !k.expired(time.Now())
	}
	lives := func(one *Session) bool {
		if one.Person == nil {
			return live[one.KeyHash]
		}
		_, err := c.server.ofPerson(one)
		return err == nil
	}
	var list []Session
	for _, one := range all {
		if time.Now().Before(one.Until) && lives(&one) && c.mayEnd(&one) {
			list = append(list, one)
		}
	}
	slices.SortFunc(list, func(a, b Session) int {
		return strings.Compare(a.Created.Format(time.RFC3339)+a.ID, b.Created.Format(time.RFC3339)+b.ID)
	})
	return list, nil
}

func (c *Call) mayEnd(s *Session) bool {
	return s.owner() == c.Key.Owner() || c.Key.AllSites() && slices.Contains(c.Key.Scopes, ScopeAdmin)
}

// EndSession ends a session that Sessions would list, on every node within a second. The error is
// ErrUnknownSession if there is none.
func (c *Call) EndSession(id string) error {
	all, err := c.server.sessions.list(c.Ctx())
	if err != nil {
		return Unavailable(err)
	}
	for hash, one := range all {
		if one.ID != id || !c.mayEnd(&one) {
			continue
		}
		if hash == sessionHash(sessionSecret(c.Request())) {
			for _, name := range []string{cookieSecure, cookiePlain} {
				c.SetCookie(&http.Cookie{Name: name, Path: "/", HttpOnly: true, Secure: name == cookieSecure, SameSite: http.SameSiteStrictMode, MaxAge: -1})
			}
		}
		return Unavailable(c.server.sessions.drop(c.Ctx(), hash))
	}
	return ErrUnknownSession
}
