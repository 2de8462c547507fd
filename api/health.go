package api

import (
	"context"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Health says whether the process, or all that it needs, is well.
type Health struct {
	Status string `json:"status" jsonschema:"enum=ok,enum=unavailable"`
}

// healthz answers as long as the process can answer anything.
func (c *call) healthz() error { return c.JSON(http.StatusOK, Health{"ok"}) }

// readyz answers whether the store can serve and every site is being worked. It has no detail, since it needs no key; the log has it.
func (c *call) readyz() error {
	ctx, cancel := context.WithTimeout(c.Request().Context(), 2*time.Second)
	defer cancel()
	err := c.api.store.Ping(ctx)
	if err == nil {
		err = c.api.runner.Err()
	}
	if err != nil {
		c.api.log.Warn("not ready", "err", err)
		return c.JSON(http.StatusServiceUnavailable, Health{"unavailable"})
	}
	return c.JSON(http.StatusOK, Health{"ok"})
}

func (c *call) metricsText() error {
	promhttp.HandlerFor(c.api.opt.Registry, promhttp.HandlerOpts{}).ServeHTTP(c.Response(), c.Request())
	return nil
}

func (c *call) openAPI() error { return c.Blob(http.StatusOK, mediaJSON, c.api.openapi) }
