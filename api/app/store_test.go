package app

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"lintel/engine/store/redistest"
)

type lockedLog struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedLog) has(text string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Contains(l.b.String(), text)
}

// ask returns the status and body of an answer, 0 if there is none.
func ask(t *testing.T, url string) (int, string) {
	res, err := http.Get(url)
	if err != nil {
		return 0, err.Error()
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	return res.StatusCode, strings.TrimSpace(string(body))
}

func stopApp(t *testing.T, a *App) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	require.NoError(t, a.Stop(ctx))
}

// After a reboot Lintel may be up before its Redis, or while Redis still reads its files.
func TestAServerWaitsForAStoreThatIsNotUpYet(t *testing.T) {
	redis := redistest.Start(t)
	redis.Kill()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr := l.Addr().String()
	require.NoError(t, l.Close())
	log := &lockedLog{}
	opt := Options{Redis: redis.URL(), Wait: true, Listen: addr, Log: slog.New(slog.NewTextHandler(log, nil))}
	made := make(chan *App, 1)
	go func() {
		a, err := New(t.Context(), opt)
		if err != nil {
			t.Errorf("new: %v", err)
		}
		made <- a
	}()
	require.Eventually(t, func() bool { code, _ := ask(t, "http://"+addr+"/healthz"); return code == 200 }, 30*time.Second, 10*time.Millisecond)
	code, body := ask(t, "http://"+addr+"/readyz")
	require.Equal(t, 503, code)
	require.JSONEq(t, `{"status":"unavailable","reason":"store"}`, body)
	code, body = ask(t, "http://"+addr+"/v1/sites")
	require.Equal(t, 503, code)
	require.Contains(t, body, `"code":"unavailable"`)
	require.True(t, log.has(`level=WARN msg="waiting for the store"`))
	redis.Restart(t)
	a := <-made
	require.NotNil(t, a)
	require.NoError(t, a.Start(t.Context()))
	defer stopApp(t, a)
	require.Equal(t, "http://"+addr, a.URL())
	code, body = ask(t, a.URL()+"/readyz")
	require.Equal(t, 200, code, body)
	code, _ = ask(t, a.URL()+"/v1/sites")
	require.Equal(t, 401, code)

	// What waiting can't mend ends at once, and a wait ends with the process.
	_, err = New(t.Context(), Options{Redis: redis.URL() + "?nonsense=1", Wait: true})
	require.Error(t, err)
	redis2 := redistest.Start(t)
	redis2.Kill()
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	_, err = New(ctx, Options{Redis: redis2.URL(), Wait: true, Listen: "127.0.0.1:0", Log: opt.Log})
	require.ErrorIs(t, err, context.DeadlineExceeded)
}

// Data that is gone under a running server is told by everything that an operator may look at.
func TestLostDataIsToldByHealthLogAndMetrics(t *testing.T) {
	dir, redis := t.TempDir(), redistest.Start(t)
	for name, tt := range map[string]struct {
		opt  Options
		lose func() error
	}{
		"embedded": {Options{Data: dir}, func() error { return os.Remove(filepath.Join(dir, "lintel.db")) }},
		"redis":    {Options{Redis: redis.URL()}, func() error { return redis.Client(t).FlushAll(t.Context()).Err() }},
	} {
		t.Run(name, func(t *testing.T) {
			log := &lockedLog{}
			opt := tt.opt
			opt.Listen, opt.Log = "127.0.0.1:0", slog.New(slog.NewTextHandler(log, nil))
			a, err := New(t.Context(), opt)
			require.NoError(t, err)
			require.NoError(t, a.Start(t.Context()))
			defer stopApp(t, a)
			require.Equal(t, map[string]float64{"lintel_store_ready": 1, "lintel_store_lost": 0}, storeGauges(t, a.Registry))
			require.NoError(t, tt.lose())
			require.Eventually(t, func() bool { return log.has(`level=ERROR msg="the store can't serve" lost=true`) }, 30*time.Second, 20*time.Millisecond)
			require.Equal(t, map[string]float64{"lintel_store_ready": 0, "lintel_store_lost": 1}, storeGauges(t, a.Registry))
			code, body := ask(t, a.URL()+"/readyz")
			require.Equal(t, 503, code)
			require.JSONEq(t, `{"status":"unavailable","reason":"store_lost"}`, body)
		})
	}
}

func storeGauges(t *testing.T, reg *prometheus.Registry) map[string]float64 {
	families, err := reg.Gather()
	require.NoError(t, err)
	got := map[string]float64{}
	for _, f := range families {
		if strings.HasPrefix(f.GetName(), "lintel_store_") && f.GetType().String() == "GAUGE" {
			got[f.GetName()] = f.GetMetric()[0].GetGauge().GetValue()
		}
	}
	return got
}
