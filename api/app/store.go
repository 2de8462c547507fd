package app

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lintel/api/kit"
	"lintel/engine/store"
)

// openStore opens the store that the options name. If they say so it waits for one that is not up.
func (a *App) openStore(ctx context.Context) (store.Store, error) {
	st, err := OpenStore(ctx, a.opt)
	if !a.opt.Wait || !errors.Is(err, store.ErrNotUp) {
		return st, err
	}
	if err := a.listen(); err != nil {
		return nil, err
	}
	for pause := 250 * time.Millisecond; errors.Is(err, store.ErrNotUp); pause = min(2*pause, 5*time.Second) {
		a.opt.Log.Warn("waiting for the store", "url", a.URL(), "pause", pause.String(), "err", err)
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(pause):
		}
		st, err = OpenStore(ctx, a.opt)
	}
	return st, err
}

// listen begins to listen, unless that was done already. Until the API is there all requests but
// that for /healthz are told to come back.
func (a *App) listen() error {
	if a.listener != nil {
		return nil
	}
	l, err := net.Listen("tcp", a.opt.Listen)
	if err != nil {
		return fmt.Errorf("listen on %s: %w", a.opt.Listen, err)
	}
	a.listener = l
	early := http.Handler(http.HandlerFunc(notUp))
	a.handler.Store(&early)
	connections := kit.NewConnections(a.opt.Connections, a.opt.Log)
	a.server = &http.Server{
		Handler:           http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { (*a.handler.Load()).ServeHTTP(w, r) }),
		ConnState:         connections.Changed,
		ConnContext:       connections.Context,
		MaxHeaderBytes:    32 << 10,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       30 * time.Second, // the API has times of its own
		IdleTimeout:       2 * time.Minute,
		ErrorLog:          slog.NewLogLogger(a.opt.Log.Handler(), slog.LevelDebug),
	}
	if a.tls != nil {
		a.server.TLSConfig = a.tls.config()
		l = tls.NewListener(l, a.server.TLSConfig)
	}
	a.wg.Go(func() {
		if err := a.server.Serve(connections.Listener(l)); err != nil && !errors.Is(err, http.ErrServerClosed) {
			a.fail(err)
		}
	})
	return nil
}

// notUp answers while there is no store.
func notUp(w http.ResponseWriter, r *http.Request) {
	kind, body := "application/json", `{"status":"ok"}`
	switch r.URL.Path {
	case "/healthz":
	case "/readyz":
		body = `{"status":"unavailable","reason":"store"}`
	default:
		kind = "application/problem+json"
		body = `{"type":"about:blank","title":"Service Unavailable","status":503,"code":"unavailable","detail":"The store is not up yet. Try again."}`
	}
	w.Header().Set("Content-Type", kind)
	if r.URL.Path != "/healthz" {
		w.Header().Set("Retry-After", "1")
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	_, _ = io.WriteString(w, body) // the client may be gone
}

func (a *App) closeServer() error {
	if a.server == nil {
		return nil
	}
	err := a.server.Close()
	a.wg.Wait()
	return err
}

// How often the store is looked at, and how long it may take to answer then.
const (
	storeEvery    = 2 * time.Second
	storePatience = 2 * time.Second
	storeReminder = time.Minute // between log lines while nothing changes
)

// watchStore looks at the store now and then, whether or not somebody asks whether it is ready, and
// has what it finds in the log and in metrics.
func (a *App) watchStore(ctx context.Context) {
	gauge := func(name, help string) prometheus.Gauge {
		g := prometheus.NewGauge(prometheus.GaugeOpts{Name: name, Help: help})
		a.Registry.MustRegister(g)
		return g
	}
	ready := gauge("lintel_store_ready", "1 while the store can serve, else 0.")
	lost := gauge("lintel_store_lost", "1 while the store's data is not that which was opened: it was deleted or replaced.")
	ready.Set(1)
	flag := func(b bool) float64 {
		if b {
			return 1
		}
		return 0
	}
	a.wg.Go(func() {
		tick := time.NewTicker(storeEvery)
		defer tick.Stop()
		var told time.Time // zero: all is well
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
			look, cancel := context.WithTimeout(ctx, storePatience)
			err := a.Store.Ping(look)
			cancel()
			if ctx.Err() != nil {
				return
			}
			isLost := errors.Is(err, store.ErrLost)
			ready.Set(flag(err == nil))
			lost.Set(flag(isLost))
			switch {
			case err == nil && !told.IsZero():
				a.opt.Log.Info("the store can serve again")
				told = time.Time{}
			case err != nil && time.Since(told) >= storeReminder:
				a.opt.Log.Error("the store can't serve", "lost", isLost, "err", err)
				told = time.Now()
			}
		}
	})
}
