package api

import (
	"context"
	"net/http"
	"time"

	"lintel/api/kit"

	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// processRoutes are the routes about the process.
type processRoutes struct{ *backend }

func (h processRoutes) table() []kit.Route {
	return []kit.Route{
		{
			Method: "GET", Path: "/healthz", Name: "healthz", Group: "Process", Summary: "Whether the process runs", Open: true,
			Answers: []kit.Answer{kit.OK("It does.", Health{})}, Handle: h.healthz,
		}, {
			Method: "GET", Path: "/readyz", Name: "readyz", Group: "Process",
			Summary: "Whether the store can serve and all sites are worked", Open: true,
			Answers: []kit.Answer{kit.OK("They are.", Health{}), kit.Reply(503, "They are not; the log says why.",
				kit.JSON(Health{})...)}, Handle: h.readyz,
		}, {
			Method: "GET", Path: "/metrics", Name: "metrics", Group: "Process", Summary: "Metrics for Prometheus",
			Scopes: operate, AllSites: true, Answers: []kit.Answer{kit.Reply(200, "The metrics.",
				kit.As("text/plain", nil))}, Handle: h.metricsText,
		}, {
			Method: "GET", Path: "/openapi.json", Name: "openapi", Group: "Process", Summary: "This document",
			Answers: []kit.Answer{kit.OK("The document.", map[string]any{})}, Handle: h.openAPI,
		},
	}
}

// Health says whether the process, or all that it needs, is well.
type Health struct {
	Status string `json:"status" jsonschema:"enum=ok,enum=unavailable"`
}

// healthz answers as long as the process can answer anything.
func (h processRoutes) healthz(c *kit.Call) error { return c.JSON(http.StatusOK, Health{"ok"}) }

// readyz answers whether the store can serve and every site is being worked. It has no detail,
// since it needs no key; the log has it.
func (h processRoutes) readyz(c *kit.Call) error {
	ctx, cancel := context.WithTimeout(c.Ctx(), 2*time.Second)
	defer cancel()
	err := h.store.Ping(ctx)
	if err == nil {
		err = h.runner.Err()
	}
	if err != nil {
		h.log.Warn("not ready", "err", err)
		return c.JSON(http.StatusServiceUnavailable, Health{"unavailable"})
	}
	return c.JSON(http.StatusOK, Health{"ok"})
}

func (h processRoutes) metricsText(c *kit.Call) error {
	promhttp.HandlerFor(h.opt.Registry, promhttp.HandlerOpts{}).ServeHTTP(c.Response(), c.Request())
	return nil
}

func (h processRoutes) openAPI(c *kit.Call) error {
	return c.Blob(http.StatusOK, kit.MediaJSON, openAPIDocument())
}
