package kit

import (
	"encoding/base64"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/rules/doc"
)

// Query parameters.

// Int returns a whole number as it is given, or by its default; 0 if it has none. That it is in the
// range of its schema was checked before the handler was called.
func (c *Call) Int(name string) int {
	n, err := strconv.Atoi(c.QueryParam(name))
	if err != nil {
		n, _ = c.Route.param(name).Schema["default"].(int)
	}
	return n
}

// Flag returns whether a flag is set, or its default.
func (c *Call) Flag(name string) bool {
	v := c.QueryParam(name)
	if v == "" {
		v, _ = c.Route.param(name).Schema["default"].(string)
	}
	return v == "1" || v == "true"
}

// TimeParam reads RFC 3339, or Unix milliseconds, as Unix milliseconds; def where it is not given.
func (c *Call) TimeParam(name string, def int64) (int64, error) {
	v := c.QueryParam(name)
	if v == "" {
		return def, nil
	}
	if ms, err := strconv.ParseInt(v, 10, 64); err == nil && ms >= 0 && ms < 1e15 {
		return ms, nil
	}
	t, err := time.Parse(time.RFC3339Nano, v)
	if err != nil || t.UnixMilli() < 0 {
		return 0, BadParam(name, "%s is no RFC 3339 time such as 2026-11-25T09:14:07Z (a + must be sent as %%2B)", Shown([]byte(v)))
	}
	return t.UnixMilli(), nil
}

// checkParams holds the parameters against the route's table, so that what is documented is what is
// taken. A query parameter that the route does not have is refused: a filter with a slip in its name
// must not answer everything.
func (c *Call) checkParams() error {
	c.path = make(map[string]string)
	for _, name := range c.Route.pathParams() {
		v, err := c.unescaped(name)
		if err != nil {
			return err
		}
		c.path[name] = v
	}
	query, err := url.ParseQuery(c.Request().URL.RawQuery)
	if err != nil {
		return Problemf(CodeInvalidParameter, "The query %s is malformed: parameters are divided by &, and other "+
			"signs are percent-encoded.", Shown([]byte(c.Request().URL.RawQuery)))
	}
	for _, name := range []string{"If-Match", "If-None-Match"} {
		if v := c.Request().Header.Values(name); len(v) > 0 && strings.TrimSpace(strings.Join(v, "")) == "" {
			return Problemf(CodeInvalidParameter, "The header %s is empty; send the ETag of what you have, or leave it out.", name)
		}
	}
	for name, values := range query {
		p := c.Route.param(name)
		if p.Name == "" && c.Route.Open {
			continue // probes add what keeps caches away
		}
		if p.Name == "" {
			names := []string{}
			for _, p := range c.Route.Params {
				if p.In == "query" {
					names = append(names, p.Name)
				}
			}
			return BadParam(name, "the route has no such parameter%s", doc.OrDidYouMean(name, names))
		}
		if len(values) > 1 {
			return BadParam(name, "it is there %d times; send it once", len(values))
		}
		if err := p.check(values[0]); err != nil {
			return err
		}
	}
	return nil
}

// param returns the query parameter of the name, the zero one if the route has none.
func (r *Route) param(name string) Param {
	i := slices.IndexFunc(r.Params, func(p Param) bool { return p.In == "query" && p.Name == name })
	if i < 0 {
		return Param{}
	}
	return r.Params[i]
}

// check holds a value against the parameter's schema, as far as that is a range or a set of words. An
// empty value is as good as none, but for a flag: its name alone may be meant as true.
func (p *Param) check(v string) error {
	words, _ := p.Schema["enum"].([]string)
	flag := slices.Equal(words, flagWords)
	if v == "" && !flag {
		return nil
	}
	if p.Schema["type"] == "integer" {
		lowest, _ := p.Schema["minimum"].(int)
		highest, ok := p.Schema["maximum"].(int)
		if !ok {
			highest = 1<<31 - 1
		}
		if n, err := strconv.Atoi(v); err != nil || n < lowest || n > highest {
			return BadParam(p.Name, "%s is no whole number from %d to %d", Shown([]byte(v)), lowest, highest)
		}
	}
	switch {
	case words == nil, slices.Contains(words, v):
		return nil
	case flag:
		return BadParam(p.Name, "%s must be true or false", Shown([]byte(v)))
	}
	return BadParam(p.Name, "%s is none of %s%s", Shown([]byte(v)), strings.Join(words, ", "), doc.OrDidYouMean(v, words))
}

// BadParam is the problem of a parameter that is malformed.
func BadParam(name, format string, args ...any) *Problem {
	return Problemf(CodeInvalidParameter, "Parameter %s: %s.", Shown([]byte(name)), fmt.Sprintf(format, args...)).With("parameter", name)
}

// Cursors are opaque to callers, so that they can change.

// EncodeCursor makes a cursor of parts.
func EncodeCursor(parts ...string) string {
	return base64.RawURLEncoding.EncodeToString([]byte(strings.Join(parts, "\x00")))
}

// CursorParam reads a cursor of n parts; nil if none is given.
func (c *Call) CursorParam(n int) ([]string, error) {
	v := c.QueryParam("cursor")
	if v == "" {
		return nil, nil
	}
	b, err := base64.RawURLEncoding.DecodeString(v)
	parts := strings.Split(string(b), "\x00")
	if err != nil || len(parts) != n {
		return nil, BadParam("cursor", "it is none of this route; take it from \"next\" of the answer before, as it is")
	}
	return parts, nil
}

// IntCursor reads a cursor that begins with a whole number and may have a text behind it; first where
// none is given.
func (c *Call) IntCursor(first int64) (n int64, text string, err error) {
	v := c.QueryParam("cursor")
	if v == "" {
		return first, "", nil
	}
	b, err := base64.RawURLEncoding.DecodeString(v)
	number, text, _ := strings.Cut(string(b), "\x00")
	if n, err2 := strconv.ParseInt(number, 10, 64); err == nil && err2 == nil {
		return n, text, nil
	}
	return 0, "", BadParam("cursor", "it is none of this route; take it from \"next\" of the answer before, as it is")
}
