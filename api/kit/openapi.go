package kit

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/invopop/jsonschema"

	"lintel/engine/event"
)

// baseCodes are the problems that a route can answer with because of what it is.
func (r *Route) baseCodes() []Code {
	codes := []Code{CodeInternal}
	if r.Open {
		return codes
	}
	codes = append(codes, CodeUnauthorized, CodeCrossOrigin, CodeUnknownHost, CodeUnavailable, CodeStoreFull, CodeTimeout)
	if len(r.Scopes) > 0 && len(r.Scopes) < len(Scopes()) {
		codes = append(codes, CodeMissingScope)
	}
	if r.HasSite() {
		codes = append(codes, CodeUnknownSite, CodeMissingSite)
	}
	if r.AllSites {
		codes = append(codes, CodeMissingSite)
	}
	// A path may be badly percent-encoded, and a query have a name that the route lacks.
	codes = append(codes, CodeInvalidParameter)
	if len(r.Body) > 0 {
		codes = append(codes, CodeBusy, CodeBodyTooLarge, CodeUnsupportedEncoding, CodeInvalidEncoding, CodeInvalidBody,
			CodeUnsupportedType)
		if r.Body[0].MediaType == MediaJSON && !slices.Contains(r.Codes, CodeInvalidDocument) { // else it is one of the document's errors
			codes = append(codes, CodeInvalidJSON)
		}
	}
	if r.Keyed || r.Appends {
		codes = append(codes, CodeInvalidIdempotencyKey, CodeIdempotencyMismatch)
	}
	if r.Keyed {
		codes = append(codes, CodeIdempotencyBusy, CodeIdempotencyLost, CodeBusy, CodeBodyTooLarge,
			CodeUnsupportedEncoding, CodeInvalidEncoding, CodeInvalidBody)
	}
	return codes
}

// AllCodes lists every problem that a route can answer with, each once.
func (r *Route) AllCodes() []Code {
	codes := append(r.baseCodes(), r.Codes...)
	slices.SortFunc(codes, func(a, b Code) int { return strings.Compare(a.Name, b.Name) })
	return slices.Compact(codes)
}

// Document says what of an OpenAPI document the routes do not.
type Document struct {
	Title, Version, Description string

	// Prefixes are put before the names of the types of a package, by its import path, whose own
	// words are short; a name that begins with its prefix already stays as it is.
	Prefixes map[string]string

	// StandIns give a type the schema of another one, by a value of each: for types that are
	// marshalled by hand.
	StandIns map[reflect.Type]any

	// Examples are bodies by the operation or webhook, by "request" or the status of the answer, and by
	// media type.
	Examples map[string]map[string]map[string]json.RawMessage

	Webhooks []Webhook
}

// Webhook is a message that the server sends to others, with bodies by media type.
type Webhook struct {
	Name, Summary, About string
	Params               []Param // headers of the request
	Body                 []Content
}

// Of makes the OpenAPI 3.1 document of the routes. Answers may get new members, so that their
// schemas let unknown ones through unless strict, which tests are. It panics where two types would
// have one name.
func (d Document) Of(routes []Route, strict bool) map[string]any {
	s := &schemas{Document: d, defs: map[string]any{}, headers: map[string]any{}, types: map[string]reflect.Type{}, strict: strict}
	paths := map[string]any{}
	all := slices.Clone(codes)
	for i := range routes {
		r := &routes[i]
		item, _ := paths[r.Path].(map[string]any)
		if item == nil {
			item = map[string]any{}
			paths[r.Path] = item
		}
		item[strings.ToLower(r.Method)] = s.operation(r)
		all = append(all, r.Codes...)
	}
	hooks := map[string]any{}
	for _, w := range d.Webhooks {
		hooks[w.Name] = map[string]any{"post": map[string]any{"operationId": w.Name, "summary": w.Summary, "description": w.About,
			"parameters":  parameters(w.Params),
			"requestBody": map[string]any{"required": true, "content": s.contents(w.Body, false, d.Examples[w.Name]["request"])},
			"responses": map[string]any{"2XX": map[string]any{"description": "It was received."},
				"410": map[string]any{"description": "Nothing more is sent to this channel until somebody starts it again."}}}}
	}
	s.of(problemDocument{}, true)
	names := map[string]bool{}
	for _, c := range all {
		names[c.Name] = true
	}
	s.defs["Code"] = map[string]any{"type": "string", "enum": slices.Sorted(maps.Keys(names))}
	if def, ok := s.defs["Problem"].(map[string]any); ok {
		def["additionalProperties"] = true
		def["description"] = "What went wrong: problem details by RFC 9457."
	}
	doc := map[string]any{
		"openapi":  "3.1.1",
		"info":     map[string]any{"title": d.Title, "version": d.Version, "description": d.Description},
		"servers":  []any{map[string]any{"url": "/", "description": "The server that this document is from."}},
		"security": []any{map[string]any{"key": []string{}}, map[string]any{"session": []string{}}},
		"paths":    paths,
		"components": map[string]any{"schemas": s.defs, "headers": s.headers, "securitySchemes": map[string]any{
			"key": map[string]any{"type": "http", "scheme": "bearer", "description": "An API key."},
			"session": map[string]any{"type": "apiKey", "in": "cookie", "name": cookiePlain, "description": "A browser that a key signed in. " +
				"Over https the cookie's name is " + cookieSecure + "."},
		}},
	}
	if len(hooks) > 0 {
		doc["webhooks"] = hooks
	}
	return doc
}

// problemDocument is problem details as answers have them.
type problemDocument struct {
	Type      string `json:"type"`
	Title     string `json:"title"`
	Status    int    `json:"status"`
	Detail    string `json:"detail"`
	Code      Code   `json:"code" jsonschema_description:"What went wrong, as a stable word."`
	RequestID string `json:"request_id,omitempty"`
}

// schemas collects the schemas of Go types under the names that they have in the document.
type schemas struct {
	Document
	defs    map[string]any
	headers map[string]any          // of answers, by name
	types   map[string]reflect.Type // by their names in the document
	strict  bool
}

func (s *schemas) operation(r *Route) map[string]any {
	op := map[string]any{"operationId": r.Name, "tags": []string{r.Group}, "summary": r.Summary, "responses": s.responses(r)}
	about := r.About
	if len(r.Scopes) > 0 {
		about = strings.TrimSpace(about + "\n\nScope: " + strings.Join(r.Scopes, " or ") + ".")
	}
	if r.AllSites {
		about += " The key must be for all sites."
	}
	if about != "" {
		op["description"] = about
	}
	if r.Open {
		op["security"] = []any{}
	}
	var params []any
	for _, name := range r.pathParams() {
		params = append(params, map[string]any{"name": name, "in": "path", "required": true, "schema": StringSchema})
	}
	params = append(params, parameters(r.Params)...)
	if r.Keyed || r.Appends {
		params = append(params, map[string]any{
			"name": "Idempotency-Key", "in": "header", "schema": map[string]any{"type": "string", "maxLength": maxIdempotencyKey + 2},
			"description": "A text of the caller's that names this request. Sent again with it, within 24 hours, " +
				"the request is not carried out again and has the same answer, with the header Idempotency-Replayed: true.",
		})
	}
	if params != nil {
		op["parameters"] = params
	}
	if len(r.Body) > 0 {
		op["requestBody"] = map[string]any{"required": !r.BodyOptional, "content": s.requestContents(r)}
	}
	return op
}

func parameters(list []Param) (params []any) {
	for _, p := range list {
		params = append(params, map[string]any{"name": p.Name, "in": p.In, "description": p.About, "schema": p.Schema})
	}
	return params
}

// requestContents are the bodies of a request. Each schema has a name, since generators of clients make
// no usable type of one that has none.
func (s *schemas) requestContents(r *Route) map[string]any {
	contents := s.contents(r.Body, true, s.Examples[r.Name]["request"])
	for _, c := range r.Body {
		content := contents[c.MediaType].(map[string]any)
		schema, ok := content["schema"].(map[string]any)
		if !ok || c.Schema == nil || schema["$ref"] != nil {
			continue
		}
		name := strings.ToUpper(r.Name[:1]) + r.Name[1:] + "Body"
		s.defs[name] = schema
		content["schema"] = map[string]any{"$ref": "#/components/schemas/" + name}
	}
	return contents
}

func (s *schemas) responses(r *Route) map[string]any {
	responses := map[string]any{}
	headers := r.Headers
	replayed := Header(HeaderReplayed, "true: this is the answer to an earlier request, which was not carried out again.")
	if r.Keyed || r.Appends {
		headers = append(slices.Clip(headers), replayed)
	}
	for _, a := range r.Answers {
		status := strconv.Itoa(a.Status)
		resp := map[string]any{"description": a.About}
		if len(a.Bodies) > 0 {
			resp["content"] = s.contents(a.Bodies, s.strict, s.Examples[r.Name][status])
		}
		if a.Status < 400 {
			s.declare(resp, headers)
		}
		responses[status] = resp
	}
	byStatus := map[int][]string{}
	ofStatus := map[int][]Param{}
	for _, code := range r.AllCodes() {
		byStatus[code.Status] = append(byStatus[code.Status], fmt.Sprintf("`%s`: %s", code.Name, code.Meaning))
		if h, ok := code.header(); ok {
			ofStatus[code.Status] = append(ofStatus[code.Status], h.Param)
		}
		if r.Keyed && slices.Contains(r.Codes, code) { // the answer is kept whatever it is
			ofStatus[code.Status] = append(ofStatus[code.Status], replayed)
		}
	}
	for status, lines := range byStatus {
		key := strconv.Itoa(status)
		resp, ok := responses[key].(map[string]any)
		if !ok {
			resp = map[string]any{"description": http.StatusText(status) + ".\n\n" + strings.Join(lines, "\n\n"),
				"content": map[string]any{}}
			responses[key] = resp
		}
		s.declare(resp, ofStatus[status])
		resp["content"].(map[string]any)[MediaProblem] = map[string]any{"schema": map[string]any{"$ref": "#/components/schemas/Problem"}}
	}
	return responses
}

// declare adds headers to an answer, by reference.
func (s *schemas) declare(resp map[string]any, list []Param) {
	if len(list) == 0 {
		return
	}
	refs := map[string]any{}
	for _, h := range list {
		s.headers[h.Name] = map[string]any{"description": h.About, "schema": h.Schema}
		refs[h.Name] = map[string]any{"$ref": "#/components/headers/" + h.Name}
	}
	resp["headers"] = refs
}

// contents are bodies by media type, with their examples.
func (s *schemas) contents(list []Content, strict bool, examples map[string]json.RawMessage) map[string]any {
	m := map[string]any{}
	for _, c := range list {
		schema := any(StringSchema)
		if c.Schema != nil {
			schema = s.of(c.Schema, strict)
		}
		content := map[string]any{"schema": schema}
		if example := examples[c.MediaType]; example != nil {
			content["example"] = example
		}
		m[c.MediaType] = content
	}
	return m
}

// of returns the schema of a value's type, by reference where it has a name.
func (s *schemas) of(v any, strict bool) any {
	if list, ok := v.(OneOf); ok {
		shapes := make([]any, len(list))
		for i, one := range list {
			shapes[i] = s.of(one, strict)
		}
		return map[string]any{"oneOf": shapes}
	}
	r := &jsonschema.Reflector{
		Anonymous: true, AllowAdditionalProperties: !strict, Namer: s.name,
		Mapper: func(t reflect.Type) *jsonschema.Schema {
			if t == reflect.TypeFor[Code]() {
				return &jsonschema.Schema{Ref: "#/$defs/Code"}
			}
			if other, ok := s.StandIns[t]; ok {
				s.of(other, true)
				return &jsonschema.Schema{Ref: "#/$defs/" + s.name(reflect.TypeOf(other))}
			}
			return nil
		},
	}
	b := strings.ReplaceAll(string(MustJSON(r.Reflect(v))), `"#/$defs/`, `"#/components/schemas/`)
	var schema map[string]any
	if err := json.Unmarshal([]byte(b), &schema); err != nil {
		panic(err)
	}
	if defs, ok := schema["$defs"].(map[string]any); ok {
		for name, def := range defs {
			if _, had := s.defs[name]; !had {
				finish(def.(map[string]any))
				s.defs[name] = def
			}
		}
	}
	delete(schema, "$defs")
	delete(schema, "$schema")
	finish(schema)
	return schema
}

// finish makes of a schema what readers of OpenAPI understand. The member "words", which names a closed
// set, becomes the texts of the set as enum and their meanings in the description; a schema that
// takes anything is {}, since generators of clients do not know true as one; and a number is said to be
// of double precision, and a whole one to have 64 bits, which they would not assume.
func finish(schema map[string]any) {
	for name, v := range schema {
		if v, ok := v.(map[string]any); ok {
			for key, part := range v {
				if name == "properties" && part == true {
					v[key] = map[string]any{}
				}
			}
			finish(v)
			continue
		}
		if list, ok := v.([]any); ok {
			for _, part := range list {
				if part, ok := part.(map[string]any); ok {
					finish(part)
				}
			}
		}
		if name == "items" && v == true {
			schema[name] = map[string]any{}
		}
		if name == "type" && v == "number" && schema["format"] == nil {
			schema["format"] = "double"
		}
		if name == "type" && v == "integer" && schema["format"] == nil {
			schema["format"] = "int64"
		}
		what, ok := v.(string)
		if name != "words" || !ok {
			continue
		}
		delete(schema, "words")
		enum, _ := schema["enum"].([]any)
		about, _ := schema["description"].(string)
		for _, w := range event.Vocabularies[what].Words() {
			enum = append(enum, w.Text)
			about = strings.TrimSpace(about + " " + w.Text + ": " + strings.TrimSuffix(w.Meaning, ".") + ".")
		}
		schema["enum"], schema["description"] = enum, about
	}
}

// name returns the name that a type has in the document, "" if it has none. Only structs get a
// schema of their own; another type takes part in a clash where it would be taken for one.
func (s *schemas) name(t reflect.Type) string {
	if other, ok := s.StandIns[t]; ok {
		t = reflect.TypeOf(other)
	}
	if t.PkgPath() == "" {
		return ""
	}
	name := strings.TrimSuffix(t.Name(), "Document")
	name = strings.ToUpper(name[:1]) + name[1:]
	if prefix := s.Prefixes[t.PkgPath()]; !strings.HasPrefix(name, prefix) {
		name = prefix + name
	}
	had, ok := s.types[name]
	if ok && had != t && (had.Kind() == reflect.Struct || t.Kind() == reflect.Struct) {
		panic(fmt.Sprintf("kit: the OpenAPI document would have one schema %s for two types, %s.%s and %s.%s; "+
			"rename one, or give its package a prefix", name, had.PkgPath(), had.Name(), t.PkgPath(), t.Name()))
	}
	s.types[name] = t
	return name
}
