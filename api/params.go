package api

import (
	"cmp"
	"encoding/base64"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/engine/layout"
	"lintel/rules/doc"
)

// Query parameters.

func (c *call) intParam(name string, def, lowest, highest int) (int, error) {
	v := c.QueryParam(name)
	if v == "" {
		return def, nil
	}
	n, err := strconv.Atoi(v)
	if err != nil || n < lowest || n > highest {
		return 0, badParam(name, "%s is no whole number from %d to %d", shown([]byte(v)), lowest, highest)
	}
	return n, nil
}

// timeParam reads RFC 3339, or Unix milliseconds.
func (c *call) timeParam(name string, def int64) (int64, error) {
	v := c.QueryParam(name)
	if v == "" {
		return def, nil
	}
	if ms, err := strconv.ParseInt(v, 10, 64); err == nil && ms >= 0 && ms < 1e15 {
		return ms, nil
	}
	t, err := time.Parse(time.RFC3339Nano, v)
	if err != nil || t.UnixMilli() < 0 {
		return 0, badParam(name, "%s is no RFC 3339 time such as 2026-11-25T09:14:07Z (a + must be sent as %%2B)", shown([]byte(v)))
	}
	return t.UnixMilli(), nil
}

func (c *call) flag(name string) (bool, error) {
	switch v := c.QueryParam(name); v {
	case "", "0", "false":
		return false, nil
	case "1", "true":
		return true, nil
	default:
		return false, badParam(name, "%s must be 1 or 0", shown([]byte(v)))
	}
}

// checkParams refuses query parameters that the route does not have: a filter with a slip in its name must not answer everything.
func (c *call) checkParams() error {
	for name := range c.QueryParams() {
		known := false
		names := []string{}
		for _, p := range c.route.params {
			if p.in == "query" {
				names = append(names, p.name)
				known = known || p.name == name
			}
		}
		if !known {
			return badParam(name, "the route has no such parameter%s", doc.OrDidYouMean(name, names))
		}
	}
	return nil
}

func badParam(name, format string, args ...any) *Problem {
	return problemf(codeInvalidParameter, "Parameter %s: %s.", shown([]byte(name)), fmt.Sprintf(format, args...)).with("parameter", name)
}

// Cursors are opaque to callers, so that they can change.

func encodeCursor(parts ...string) string {
	return base64.RawURLEncoding.EncodeToString([]byte(strings.Join(parts, "\x00")))
}

func (c *call) cursorParam(n int) ([]string, error) {
	v := c.QueryParam("cursor")
	if v == "" {
		return nil, nil
	}
	b, err := base64.RawURLEncoding.DecodeString(v)
	parts := strings.Split(string(b), "\x00")
	if err != nil || len(parts) != n {
		return nil, badParam("cursor", "it is none of this route; take it from \"next\" of the answer before, as it is")
	}
	return parts, nil
}

func moment(ms int64) *time.Time {
	if ms == 0 {
		return nil
	}
	t := time.UnixMilli(ms).UTC()
	return &t
}

// statusParam returns the parameter "status", one of names; otherwise where it is not given.
func (c *call) statusParam(otherwise string, names []string) (string, error) {
	status := cmp.Or(c.QueryParam("status"), otherwise)
	if !slices.Contains(names, status) {
		return "", badParam("status", "there is no status %s; it is one of %s", shown([]byte(status)), strings.Join(names, ", "))
	}
	return status, nil
}

// checkZoneParam refuses a parameter "zone" that is no zone of the site; "": it was not given.
func checkZoneParam(lay *layout.Layout, zone string) error {
	if _, ok := lay.ZoneIndex(zone); zone != "" && !ok {
		return badParam("zone", "%s", noZone(lay, zone))
	}
	return nil
}
