package api

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"time"

	"lintel/api/kit"
	"lintel/engine/store"

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
			Answers: []kit.Answer{kit.OK("They are.", Health{}), kit.Reply(503, "They are not; the log says more.",
				kit.JSON(Health{})...)}, Handle: h.readyz,
		}, {
			Method: "GET", Path: "/v1/backup", Name: "backup", Group: "Process", Summary: "Back up the embedded store",
			About: "Everything as of one moment, while the server goes on: the file that `lintel restore` takes. It holds " +
				"what channels are authorized by.",
			Scopes: []string{kit.ScopeAdmin}, AllSites: true, Stream: true,
			Answers: []kit.Answer{kit.Reply(200, "The file.", kit.As("application/octet-stream", nil))}, Headers: withFile,
			Codes: []kit.Code{codeNoBackup}, Handle: h.backup,
		}, {
			Method: "GET", Path: "/metrics", Name: "metrics", Group: "Process", Summary: "Metrics for Prometheus",
			About:  "They go on while the store is away: a key that held when it was last there will do.",
			Scopes: []string{kit.ScopeOperate, kit.ScopeMetrics}, AllSites: true, OldKeys: true, Answers: []kit.Answer{kit.Reply(200, "The metrics.",
				kit.As("text/plain", nil))}, Handle: h.metricsText,
		}, {
			Method: "GET", Path: "/openapi.json", Name: "openapi", Group: "Process", Summary: "This document", Open: true,
			Answers: []kit.Answer{kit.OK("The document.", map[string]any{})}, Handle: h.openAPI,
		},
	}
}

// Health says whether the process, or all that it needs, is well.
type Health struct {
	Status string `json:"status" jsonschema:"enum=ok,enum=unavailable"`
	Reason string `json:"reason,omitempty" jsonschema:"enum=store,enum=store_lost,enum=store_full,enum=sites,enum=stopping" jsonschema_description:"What is not well: the store can't serve; its data was deleted or replaced while it was in use; there is no room to store anything; a site is not being worked; the server is about to stop."`
}

var codeNoBackup = kit.Code{Name: "no_backup", Status: 409,
	Meaning: "The server keeps its data in Redis, which is backed up by its own means."}

// healthz answers as long as the process can answer anything.
func (h processRoutes) healthz(c *kit.Call) error { return c.JSON(http.StatusOK, Health{Status: "ok"}) }

// readyz answers whether the store can serve and every site is being worked. It says
// what is not well by one word only, since it needs no key; the log has more.
func (h processRoutes) readyz(c *kit.Call) error {
	ctx, cancel := context.WithTimeout(c.Ctx(), 2*time.Second)
	defer cancel()
	if h.draining.Load() {
		return c.JSON(http.StatusServiceUnavailable, Health{"unavailable", "stopping"})
	}
	reason, err := "store", h.store.Ping(ctx)
	switch {
	case errors.Is(err, store.ErrLost):
		reason = "store_lost"
	case errors.Is(err, store.ErrFull):
		reason = "store_full"
	case err == nil:
		reason, err = "sites", h.runner.Err()
	}
	if err != nil {
		h.log.Warn("not ready", "reason", reason, "err", err)
		return c.JSON(http.StatusServiceUnavailable, Health{"unavailable", reason})
	}
	return c.JSON(http.StatusOK, Health{Status: "ok"})
}

// backup streams the embedded store.
func (h processRoutes) backup(c *kit.Call) error {
	st, ok := h.store.(interface {
		Backup(ctx context.Context, w io.Writer) (int64, error)
	})
	if !ok {
		return kit.Problemf(codeNoBackup, "This server keeps its data in Redis: back up Redis, by its snapshots or its append-only file.")
	}
	c.Response().Header().Set("Content-Type", "application/octet-stream")
	c.Response().Header().Set("Content-Disposition", `attachment; filename="lintel-`+h.opt.Now().UTC().Format("20060102-150405")+`.db"`)
	c.Response().WriteHeader(http.StatusOK)
	started := time.Now()
	n, err := st.Backup(c.Ctx(), c.Writer())
	if err == nil {
		h.log.Info("backed up", "bytes", n, "took", time.Since(started).Round(time.Millisecond).String(), "key", c.Key.Name)
	}
	return c.BrokenOff(err)
}

func (h processRoutes) metricsText(c *kit.Call) error {
	promhttp.HandlerFor(h.opt.Registry, promhttp.HandlerOpts{}).ServeHTTP(c.Response(), c.Request())
	return nil
}

func (h processRoutes) openAPI(c *kit.Call) error {
	return c.Blob(http.StatusOK, kit.MediaJSON, bytes.Replace(openAPIDocument(), kit.MustJSON(versionMark), kit.MustJSON(h.opt.Version), 1))
}
