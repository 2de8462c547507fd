package kit

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"lintel/engine/layout"
	"lintel/engine/store"
	"lintel/engine/store/memory"
)

// openStore opens an empty store.
func openStore(t *testing.T) store.Store {
	st := memory.Open()
	t.Cleanup(func() { require.NoError(t, st.Close()) })
	return st
}

// serve makes a server of the routes, with a key for everything, and its log.
func serve(t *testing.T, routes ...Route) (s *Server, key string, log *bytes.Buffer) {
	st, log := openStore(t), new(bytes.Buffer)
	key, err := MintKey(t.Context(), st, "boss", []string{ScopeAdmin}, []string{AllSites}, "test", time.Now())
	require.NoError(t, err)
	return New(Options{
		Routes: routes, Store: st, Log: slog.New(slog.NewTextHandler(log, nil)), Registry: prometheus.NewRegistry(),
		BodyLimit: 1 << 20, LongBodyLimit: 1 << 20, BodyMemory: 4 << 20, Parsing: 1,
		Timeout: time.Minute, LongTimeout: time.Minute, WritePatience: time.Second,
	}), key, log
}

func TestPanicsStayInside(t *testing.T) {
	s, key, log := serve(t, Route{
		Method: "GET", Path: "/v1/panic", Name: "panic", Scopes: []string{ScopeOperate},
		Handle: func(*Call) error { panic("the secret cause") },
	})
	w := httptest.NewRecorder()
	req := httptest.NewRequest("GET", "/v1/panic", nil)
	req.Header.Set("Authorization", "Bearer "+key)
	s.Handler().ServeHTTP(w, req)
	require.Equal(t, 500, w.Code)
	require.Contains(t, w.Body.String(), `"code":"internal"`)
	require.NotContains(t, w.Body.String(), "secret cause")
	require.Contains(t, log.String(), "secret cause")
}

func TestUnknownErrorsShowNothing(t *testing.T) {
	p := AsProblem(errors.New("password=hunter2"))
	require.Equal(t, CodeInternal, p.Code)
	require.NotContains(t, string(p.body("x")), "hunter2")
	p = AsProblem(Unavailable(errors.New("password=hunter2")))
	require.Equal(t, CodeUnavailable, p.Code)
	require.NotContains(t, string(p.body("x")), "hunter2")
	require.Equal(t, CodeTimeout, AsProblem(Unavailable(context.DeadlineExceeded)).Code)
	require.Equal(t, CodeUnavailable, AsProblem(store.ErrClosed).Code)
	for _, full := range []error{store.ErrFull, Unavailable(store.ErrFull)} {
		p = AsProblem(fmt.Errorf("/var/lib/secret: %w", full))
		require.Equal(t, CodeStoreFull, p.Code)
		require.NotContains(t, string(p.body("x")), "secret")
	}
	for _, c := range codes {
		require.NotEmpty(t, http.StatusText(c.Status), c.Name)
		require.NotEmpty(t, c.Meaning, c.Name)
	}
}

// TestTwoTypesOfOneNameAreRefused: of two types that are called the same, one schema would hide the
// other.
func TestTwoTypesOfOneNameAreRefused(t *testing.T) {
	table := func(a, b any) []Route {
		return []Route{
			{Method: "GET", Path: "/a", Name: "a", Open: true, Answers: []Answer{OK("A.", a)}},
			{Method: "GET", Path: "/b", Name: "b", Open: true, Answers: []Answer{OK("B.", b)}},
		}
	}
	type Point struct{ X int }
	type box struct{ P Point }
	type Layout struct{ Rows int }
	require.NotPanics(t, func() { Document{}.Of(table(Point{}, box{}), false) }, "one type may be met twice")
	require.PanicsWithValue(t, "kit: the OpenAPI document would have one schema Layout for two types, "+
		"lintel/api/kit.Layout and lintel/engine/layout.Layout; "+
		"rename one, or give its package a prefix", func() { Document{}.Of(table(Layout{}, layout.Layout{}), false) })
	prefixed := Document{Prefixes: map[string]string{"lintel/engine/layout": "Shop"}}.Of(table(Layout{}, layout.Layout{}), false)
	schemas := prefixed["components"].(map[string]any)["schemas"].(map[string]any)
	require.Contains(t, schemas, "Layout")
	require.Contains(t, schemas, "ShopLayout")
	require.Panics(t, func() { Document{}.Of(table(struct{ In Layout }{}, struct{ In layout.Layout }{}), false) },
		"within another type, too")
}

func TestAnswersOfKeys(t *testing.T) {
	st := openStore(t)
	ctx := t.Context()
	now := time.Now()
	s := &answers{store: st, now: func() time.Time { return now }, log: slog.New(slog.DiscardHandler), pruned: Seldom{Every: time.Hour}}
	c, err := s.claim(ctx, "boss k", "f", time.Minute)
	require.NoError(t, err)
	require.False(t, c.answered())
	_, err = s.claim(ctx, "boss k", "f", time.Minute)
	require.Equal(t, CodeIdempotencyBusy, AsProblem(err).Code)
	_, err = s.claim(ctx, "boss k", "other", time.Minute)
	require.ErrorIs(t, err, store.ErrIdempotencyMismatch)
	now = now.Add(2 * time.Minute)
	_, err = s.claim(ctx, "boss k", "f", time.Minute)
	require.Equal(t, CodeIdempotencyLost, AsProblem(err).Code, "the process was killed")

	// A failure of ours settles nothing.
	require.NoError(t, s.keep(ctx, c, keptAnswer{Status: 503}))
	c2, err := s.claim(ctx, "boss k", "f", time.Minute)
	require.NoError(t, err)
	require.False(t, c2.answered())
	require.ErrorIs(t, s.keep(ctx, c, keptAnswer{Status: 200}), store.ErrConflict, "the claim is another's now")
	require.NoError(t, s.keep(ctx, c2, keptAnswer{Status: 201, Type: MediaJSON, Body: []byte("{}")}))
	c3, err := s.claim(ctx, "boss k", "f", time.Minute)
	require.NoError(t, err)
	require.Equal(t, 201, c3.kept.Status)

	// Old answers are dropped, and their claims, those that nobody answered too.
	for _, key := range []string{"boss killed", "boss gone"} {
		_, err = s.claim(ctx, key, "f", time.Minute)
		require.NoError(t, err)
	}
	now = now.Add(26 * time.Hour)
	_, err = s.claim(ctx, "boss new", "f", time.Minute)
	require.NoError(t, err)
	_, err = s.claim(ctx, "boss gone", "other", time.Minute)
	require.NoError(t, err, "nobody remembers that key")
	var keys []string
	require.NoError(t, st.Values(ctx, kindAnswer, nil, func(v store.Value) error {
		keys = append(keys, v.Key)
		return nil
	}))
	require.Equal(t, []string{"boss gone", "boss new"}, keys)
}

func TestLongTextsAreCut(t *testing.T) {
	require.Equal(t, `"a\tb"`, Shown([]byte("a\tb")))
	require.Equal(t, `"`+strings.Repeat("x", 64)+`"...`, Shown([]byte(strings.Repeat("x", 65))))
}
