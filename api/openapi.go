package api

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

	"lintel/engine/deliver"
	"lintel/engine/event"
)

// oneOf is a body that has one of several shapes.
type oneOf []any

// baseCodes are the problems that a route can answer with because of what it is.
func (r *route) baseCodes() []Code {
	codes := []Code{codeInternal}
	if r.open {
		return codes
	}
	codes = append(codes, codeUnauthorized, codeUnavailable, codeTimeout)
	if len(r.scopes) > 0 {
		codes = append(codes, codeMissingScope)
	}
	if r.hasSite() {
		codes = append(codes, codeUnknownSite, codeMissingSite)
	}
	if r.allSites {
		codes = append(codes, codeMissingSite)
	}
	// A path may be badly percent-encoded, and a query have a name that the route lacks.
	codes = append(codes, codeInvalidParameter)
	if len(r.body) > 0 {
		codes = append(codes, codeBodyTooLarge, codeUnsupportedEncoding, codeInvalidEncoding, codeInvalidBody, codeUnsupportedType)
		if r.body[0].mediaType == mediaJSON && !slices.Contains(r.codes, codeInvalidDocument) { // else it is one of the document's errors
			codes = append(codes, codeInvalidJSON)
		}
	}
	if r.keyed || r.appends {
		codes = append(codes, codeInvalidIdempotencyKey, codeIdempotencyMismatch)
	}
	if r.keyed {
		codes = append(codes, codeIdempotencyBusy, codeIdempotencyLost, codeBodyTooLarge, codeUnsupportedEncoding, codeInvalidEncoding, codeInvalidBody)
	}
	return codes
}

// allCodes lists every problem that a route can answer with, each once.
func (r *route) allCodes() []Code {
	codes := append(r.baseCodes(), r.codes...)
	slices.Sort(codes)
	return slices.Compact(codes)
}

// buildOpenAPI writes the OpenAPI 3.1 document of the routes.
func buildOpenAPI(routes []route) []byte { return mustJSON(openAPIDocument(routes, false)) }

// openAPIDocument makes the document. Answers may get new members, so that their schemas let unknown ones through unless strict, which tests are.
func openAPIDocument(routes []route, strict bool) map[string]any {
	s := &schemas{defs: map[string]any{}, strict: strict}
	paths := map[string]any{}
	for i := range routes {
		r := &routes[i]
		item, _ := paths[r.path].(map[string]any)
		if item == nil {
			item = map[string]any{}
			paths[r.path] = item
		}
		item[strings.ToLower(r.method)] = s.operation(r)
	}
	codes := slices.Sorted(maps.Keys(problems))
	s.of(problemDocument{}, true)
	s.defs["Code"] = map[string]any{"type": "string", "enum": codes}
	if def, ok := s.defs["Problem"].(map[string]any); ok {
		def["additionalProperties"] = true
		def["description"] = "What went wrong: problem details by RFC 9457."
	}
	return map[string]any{
		"openapi": "3.1.1",
		"info": map[string]any{
			"title": "Lintel", "version": "1",
			"description": "Where every tagged item of a shop is, and who must know when something is wrong.\n\n" +
				"Every route but /healthz and /readyz wants a key: `Authorization: Bearer lk_...`. Errors are problem details (RFC 9457) whose member `code` is stable. " +
				"Times are RFC 3339 in UTC. Bodies may be sent with Content-Encoding: gzip.",
		},
		"security":   []any{map[string]any{"key": []string{}}},
		"paths":      paths,
		"components": map[string]any{"schemas": s.defs, "securitySchemes": map[string]any{"key": map[string]any{"type": "http", "scheme": "bearer", "description": "An API key."}}},
	}
}

// schemas collects the schemas of Go types under the names that they have in the document.
type schemas struct {
	defs   map[string]any
	strict bool
}

func (s *schemas) operation(r *route) map[string]any {
	op := map[string]any{"operationId": r.name, "tags": []string{r.group}, "summary": r.summary, "responses": s.responses(r)}
	about := r.about
	if len(r.scopes) > 0 {
		about = strings.TrimSpace(about + "\n\nScope: " + strings.Join(r.scopes, " or ") + ".")
	}
	if r.allSites {
		about += " The key must be for all sites."
	}
	if about != "" {
		op["description"] = about
	}
	if r.open {
		op["security"] = []any{}
	}
	var params []any
	for _, name := range r.pathParams() {
		params = append(params, map[string]any{"name": name, "in": "path", "required": true, "schema": stringSchema})
	}
	for _, p := range r.params {
		params = append(params, map[string]any{"name": p.name, "in": p.in, "description": p.about, "schema": p.schema})
	}
	if r.keyed || r.appends {
		params = append(params, map[string]any{
			"name": "Idempotency-Key", "in": "header", "schema": map[string]any{"type": "string", "maxLength": maxIdempotencyKey + 2},
			"description": "A text of the caller's that names this request. Sent again with it, within 24 hours, the request is not carried out again and has the same answer, with the header Idempotency-Replayed: true.",
		})
	}
	if params != nil {
		op["parameters"] = params
	}
	if len(r.body) > 0 {
		op["requestBody"] = map[string]any{"required": !slices.Contains([]string{"acknowledgeAlert", "tryRule"}, r.name), "content": s.contents(r.body, true)}
	}
	return op
}

func (s *schemas) responses(r *route) map[string]any {
	responses := map[string]any{}
	for _, a := range r.answers {
		resp := map[string]any{"description": a.about}
		if len(a.bodies) > 0 {
			resp["content"] = s.contents(a.bodies, s.strict)
		}
		responses[strconv.Itoa(a.status)] = resp
	}
	byStatus := map[int][]string{}
	for _, code := range r.allCodes() {
		p := problems[code]
		byStatus[p.status] = append(byStatus[p.status], fmt.Sprintf("`%s`: %s", code, p.meaning))
	}
	for status, lines := range byStatus {
		key := strconv.Itoa(status)
		resp, ok := responses[key].(map[string]any)
		if !ok {
			resp = map[string]any{"description": http.StatusText(status) + ".\n\n" + strings.Join(lines, "\n\n"), "content": map[string]any{}}
			responses[key] = resp
		}
		resp["content"].(map[string]any)[mediaProblem] = map[string]any{"schema": map[string]any{"$ref": "#/components/schemas/Problem"}}
	}
	return responses
}

func (s *schemas) contents(list []content, strict bool) map[string]any {
	m := map[string]any{}
	for _, c := range list {
		schema := any(stringSchema)
		if c.schema != nil {
			schema = s.of(c.schema, strict)
		}
		m[c.mediaType] = map[string]any{"schema": schema}
	}
	return m
}

// of returns the schema of a value's type, by reference where it has a name.
func (s *schemas) of(v any, strict bool) any {
	if list, ok := v.(oneOf); ok {
		shapes := make([]any, len(list))
		for i, one := range list {
			shapes[i] = s.of(one, strict)
		}
		return map[string]any{"anyOf": shapes}
	}
	r := &jsonschema.Reflector{
		Anonymous: true, AllowAdditionalProperties: !strict,
		Namer: func(t reflect.Type) string {
			if t.PkgPath() == "" {
				return ""
			}
			name := strings.TrimSuffix(t.Name(), "Document")
			switch {
			case strings.HasSuffix(t.PkgPath(), "/trial"):
				name = "Trial" + name // its words are short, as within a package of its own
			case strings.HasSuffix(t.PkgPath(), "/passages") && name != "Passage":
				name = "Passage" + name // likewise
			}
			return strings.ToUpper(name[:1]) + name[1:]
		},
		Mapper: func(t reflect.Type) *jsonschema.Schema {
			switch t {
			case reflect.TypeFor[deliver.Channel]():
				s.of(channelDocument{}, true)
				return &jsonschema.Schema{Ref: "#/$defs/Channel"}
			case reflect.TypeFor[Code]():
				return &jsonschema.Schema{Ref: "#/$defs/Code"}
			}
			return nil
		},
	}
	b := strings.ReplaceAll(string(mustJSON(r.Reflect(v))), `"#/$defs/`, `"#/components/schemas/`)
	var schema map[string]any
	if err := json.Unmarshal([]byte(b), &schema); err != nil {
		panic(err)
	}
	if defs, ok := schema["$defs"].(map[string]any); ok {
		fillWords(defs)
		for name, def := range defs {
			if _, had := s.defs[name]; !had {
				s.defs[name] = def
			}
		}
	}
	delete(schema, "$defs")
	delete(schema, "$schema")
	fillWords(schema)
	return schema
}

// fillWords replaces the member "words" of each property, which names a closed set, by the texts of
// the set as enum and their meanings in the description.
func fillWords(schema map[string]any) {
	for name, v := range schema {
		if v, ok := v.(map[string]any); ok {
			fillWords(v)
			continue
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
