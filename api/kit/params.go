package kit

import (
	"cmp"
	"encoding/base64"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/engine/faults"
)

// Query parameters.

// IntParam reads a whole number; def where it is not given.
func (c *Call) IntParam(name string, def, lowest, highest int) (int, error) {
	v := c.QueryParam(name)
	if v == "" {
		return def, nil
	}
	n, err := strconv.Atoi(v)
	if err != nil || n < lowest || n > highest {
		return 0, BadParam(name, "%s is no whole number from %d to %d", Shown([]byte(v)), lowest, highest)
	}
	return n, nil
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

// Flag reads 1 or 0.
func (c *Call) Flag(name string) (bool, error) {
	switch v := c.QueryParam(name); v {
	case "", "0", "false":
		return false, nil
	case "1", "true":
		return true, nil
	default:
		return false, BadParam(name, "%s must be 1 or 0", Shown([]byte(v)))
	}
}

// checkParams refuses query parameters that the route does not have: a filter with a slip in its name must not answer everything.
func (c *Call) checkParams() error {
	for name := range c.QueryParams() {
		known := false
		names := []string{}
		for _, p := range c.Route.Params {
			if p.In == "query" {
				names = append(names, p.Name)
				known = known || p.Name == name
			}
		}
		if !known {
			return BadParam(name, "the route has no such parameter%s", faults.OrDidYouMean(name, names))
		}
	}
	return nil
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

// StatusParam returns the parameter "status", one of names; otherwise where it is not given.
func (c *Call) StatusParam(otherwise string, names []string) (string, error) {
	status := cmp.Or(c.QueryParam("status"), otherwise)
	if !slices.Contains(names, status) {
		return "", BadParam("status", "there is no status %s; it is one of %s", Shown([]byte(status)), strings.Join(names, ", "))
	}
	return status, nil
}
