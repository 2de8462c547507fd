package kit

import (
	"maps"
	"strings"
)

// Scopes say what a key may do. A key has any number of them.
const (
	ScopeReads   = "reads"   // post reads
	ScopeSales   = "sales"   // post business events
	ScopeCount   = "count"   // open, read, see and close counts
	ScopeView    = "view"    // see everything, change nothing
	ScopeMetrics = "metrics" // see the metrics
	ScopeOperate = "operate" // see everything, handle alerts and counts, send deliveries again
	ScopeAuthor  = "author"  // write layouts, products, rules and channels
	ScopeAdmin   = "admin"   // all of these, and keys
)

// Scopes lists the scopes.
func Scopes() []string {
	return []string{ScopeReads, ScopeSales, ScopeCount, ScopeView, ScopeMetrics, ScopeOperate, ScopeAuthor, ScopeAdmin}
}

// Route is one line of the table that both the router and the OpenAPI document come from.
type Route struct {
	Method, Path string // the path as OpenAPI writes it: /v1/sites/{site}/reads
	Name         string // operationId
	Group        string // tag
	Summary      string
	About        string // more, in Markdown
	Scopes       []string
	Open         bool // answers without a key
	AllSites     bool // needs a key for every site
	OldKeys      bool // while the store is away it goes by the keys that were last read
	Long         bool // has the long time limit and takes the large body
	Stream       bool // has no time limit
	Keyed        bool // takes an Idempotency-Key, whose answer is kept and given again
	Appends      bool // takes an Idempotency-Key, which the handler puts into the journal with the entry
	Params       []Param
	Body         []Content
	BodyOptional bool // the request may have no body
	Answers      []Answer
	Headers      []Param // of its answers, where they have them; those of problems go by the problem
	Codes        []Code  // problems of its own, beside those of every route
	Handle       func(*Call) error
}

// Param is a query parameter or header.
type Param struct {
	Name   string
	In     string // query or header
	About  string
	Schema map[string]any
}

// Content is a body in one media type.
type Content struct {
	MediaType string
	Schema    any // a value of the Go type that it has, or OneOf; nil: text
}

// OneOf is a body that has one of several shapes, which exclude each other, given by values of their Go
// types.
type OneOf []any

// Answer is one status that is no problem.
type Answer struct {
	Status int
	About  string
	Bodies []Content
}

// As is a body in a media type, of the type of v; nil: text.
func As(mediaType string, v any) Content { return Content{mediaType, v} }

// Reply is an answer with one of the bodies, or with none.
func Reply(status int, about string, bodies ...Content) Answer { return Answer{status, about, bodies} }

// JSON is a body in JSON of the type of v.
func JSON(v any) []Content { return []Content{{MediaJSON, v}} }

// OK is the answer 200 in JSON of the type of v.
func OK(about string, v any) Answer { return Answer{200, about, JSON(v)} }

// StringSchema is the schema of a parameter that is a text.
var StringSchema = map[string]any{"type": "string"}

// IntSchema is the schema of a whole number; highest 0: it has no upper bound, def 0: no default.
func IntSchema(lowest, highest, def int) map[string]any {
	s := map[string]any{"type": "integer", "minimum": lowest}
	if highest > 0 {
		s["maximum"] = highest
	}
	if highest == 0 {
		s["format"] = "int64"
	}
	if def > 0 {
		s["default"] = def
	}
	return s
}

// Query is a query parameter that is a text.
func Query(name, about string) Param { return Param{name, "query", about, StringSchema} }

// Header is a header that is a text.
func Header(name, about string) Param { return Param{name, "header", about, StringSchema} }

// Of returns the parameter with another schema.
func (p Param) Of(schema map[string]any) Param {
	p.Schema = schema
	return p
}

// WithDefault returns the parameter with a default.
func (p Param) WithDefault(v any) Param {
	p.Schema = maps.Clone(p.Schema)
	p.Schema["default"] = v
	return p
}

// Enum is a query parameter that is one of a set of words.
func Enum(name, about string, values ...string) Param {
	return Param{name, "query", about, map[string]any{"type": "string", "enum": values}}
}

// flagWords are what a flag may be.
var flagWords = []string{"true", "false", "1", "0"}

// Flag is a query parameter that is true or false, or 1 or 0.
func Flag(name, about string) Param { return Enum(name, about, flagWords...) }

// routerPath writes the path as the router wants it.
func (r *Route) routerPath() string {
	return strings.NewReplacer("{", ":", "}", "").Replace(r.Path)
}

// pathParams lists the names of the path's parameters.
func (r *Route) pathParams() []string {
	var names []string
	for rest := r.Path; ; {
		_, after, ok := strings.Cut(rest, "{")
		if !ok {
			return names
		}
		name, more, _ := strings.Cut(after, "}")
		names, rest = append(names, name), more
	}
}

// HasSite reports whether the path names a site, which the key must then be for.
func (r *Route) HasSite() bool { return strings.Contains(r.Path, "{site}") }
