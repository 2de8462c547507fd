package api

import (
	"strings"

	"github.com/labstack/echo/v4"
)

// Scopes say what a key may do. A key has any number of them.
const (
	ScopeReads   = "reads"   // post reads
	ScopeSales   = "sales"   // post business events
	ScopeOperate = "operate" // see everything, handle alerts, send deliveries again
	ScopeAuthor  = "author"  // write layouts, products, rules and channels
	ScopeAdmin   = "admin"   // all of these, and keys
)

// Scopes lists the scopes.
func Scopes() []string {
	return []string{ScopeReads, ScopeSales, ScopeOperate, ScopeAuthor, ScopeAdmin}
}

// route is one line of the table that both the router and the OpenAPI document come from.
type route struct {
	method, path string // path as OpenAPI writes it: /v1/sites/{site}/reads
	name         string // operationId
	group        string // tag
	summary      string
	about        string // more, in Markdown
	scopes       []string
	open         bool // answers without a key
	allSites     bool // needs a key for every site
	long         bool // has the long time limit
	stream       bool // has none
	keyed        bool // takes an Idempotency-Key, whose answer is kept and given again
	appends      bool // takes an Idempotency-Key, which goes into the journal with the entry
	params       []param
	body         []content
	answers      []answer
	codes        []Code // problems of its own, beside those of every route
	handle       func(*call) error
}

// param is a query parameter or header.
type param struct {
	name   string
	in     string // query or header
	about  string
	schema map[string]any
}

// content is a body in one media type; schema is a value of the Go type that it has, nil: text.
type content struct {
	mediaType string
	schema    any
}

// answer is one status that is no problem.
type answer struct {
	status int
	about  string
	bodies []content
}

// call is one request on its way.
type call struct {
	echo.Context
	api    *API
	route  *route
	key    *Key
	site   string // of a path with {site}
	replay any    // what an Idempotency-Key gives again, where that is less than the first answer
}

// echoPath writes the path as the router wants it.
func (r *route) echoPath() string {
	return strings.NewReplacer("{", ":", "}", "").Replace(r.path)
}

// pathParams lists the names of the path's parameters.
func (r *route) pathParams() []string {
	var names []string
	for rest := r.path; ; {
		_, after, ok := strings.Cut(rest, "{")
		if !ok {
			return names
		}
		name, more, _ := strings.Cut(after, "}")
		names, rest = append(names, name), more
	}
}

func (r *route) hasSite() bool { return strings.Contains(r.path, "{site}") }
