package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api"
	"lintel/api/app"
	"lintel/api/kit"
	"lintel/engine/deliver"
	"lintel/engine/store/redistest"
)

// shopServer is a server in this process, and a key for it.
type shopServer struct {
	t   *testing.T
	app *app.App
	key string
}

func serveShop(t *testing.T, opt app.Options, key string) *shopServer {
	opt.Listen, opt.AllowCIDRs, opt.Log = "127.0.0.1:0", []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}, slog.New(slog.DiscardHandler)
	a, err := app.New(t.Context(), opt)
	require.NoError(t, err)
	if key == "" {
		key, err = kit.MintKey(t.Context(), a.Store, "test", []string{kit.ScopeReads, kit.ScopeSales, kit.ScopeOperate,
			kit.ScopeAuthor, kit.ScopeAdmin}, []string{kit.AllSites}, "test", time.Now())
		require.NoError(t, err)
	}
	require.NoError(t, a.Start(t.Context()))
	return &shopServer{t, a, key}
}

func (s *shopServer) stop() {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	require.NoError(s.t, s.app.Stop(ctx))
}

func (s *shopServer) do(method, path, kind, body string, want int, headers ...string) []byte {
	s.t.Helper()
	req, err := http.NewRequestWithContext(s.t.Context(), method, s.app.URL()+path, strings.NewReader(body))
	require.NoError(s.t, err)
	req.Header.Set("Authorization", "Bearer "+s.key)
	if body != "" {
		req.Header.Set("Content-Type", kind)
	}
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	resp, err := http.DefaultClient.Do(req)
	require.NoError(s.t, err)
	defer resp.Body.Close()
	got, err := io.ReadAll(resp.Body)
	require.NoError(s.t, err)
	require.Equal(s.t, want, resp.StatusCode, "%s %s: %s", method, path, got)
	return got
}

// contents reads everything that a Redis store has but leases, idempotency keys and how often kinds
// were changed: by key, as text. It also lists the names under which it is kept.
func contents(t *testing.T, s *redistest.Server) (all map[string]string, names []string) {
	ctx := t.Context()
	c := s.Client(t)
	all = make(map[string]string)
	keys, err := c.Keys(ctx, "*").Result()
	require.NoError(t, err)
	for _, k := range keys {
		if _, rest, ok := strings.Cut(k, "{"); ok {
			if name, _, ok := strings.Cut(rest, "}"); ok && !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
		if strings.HasSuffix(k, ":lease") || strings.HasSuffix(k, ":kinds") || strings.HasSuffix(k, ":revision") || strings.HasSuffix(k, ":mark") ||
			strings.Contains(k, "}:key:") {
			continue
		}
		kind, err := c.Type(ctx, k).Result()
		require.NoError(t, err)
		switch kind {
		case "string":
			all[k] = c.Get(ctx, k).Val()
		case "hash":
			fields := c.HGetAll(ctx, k).Val()
			for f, v := range fields {
				if strings.Contains(k, "{.values}") {
					_, fields[f], _ = strings.Cut(v, ":") // the revision is each store's own
				}
			}
			all[k] = fmt.Sprint(fields) // fmt sorts the keys of a map
		case "stream":
			all[k] = fmt.Sprint(c.XRange(ctx, k, "-", "+").Val())
		default:
			t.Fatalf("the store has a %s at %s, which this test can't read", kind, k)
		}
	}
	slices.Sort(names)
	return all, names
}

// A store is moved from Redis to the embedded one and on to another Redis: everything is there
// afterwards, what belongs to no site included. A channel that was stopped is stopped still, and
// who was told of it is not told again.
func TestMove(t *testing.T) {
	const ended = "2026-03-01T10:00:00.000Z"
	var toChat, toOps atomic.Int32
	chat := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		toChat.Add(1)
		w.WriteHeader(http.StatusGone)
	}))
	defer chat.Close()
	ops := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { toOps.Add(1) }))
	defer ops.Close()
	redis := redistest.Start(t)
	s := serveShop(t, app.Options{Redis: redis.URL()}, "")
	s.do("PUT", "/v1/sites/umberhithe/layout", "application/json", crashLayout, 201)
	s.do("PUT", "/v1/channels", "application/json", fmt.Sprintf(`{"channels": [{"name": "door-team", "url": %q, `+
		`"secrets": [%q]}, {"name": "ops", "url": %q, "secrets": [%q], "about_channels": true}]}`,
		chat.URL, crashSecret, ops.URL, crashSecret), 201)
	s.do("PUT", "/v1/rules", "application/yaml", crashRules, 201)
	s.do("POST", "/v1/channels/ops/start", "", "", 200, "Idempotency-Key", "k")
	doc := `{"@context":["https://ref.gs1.org/standards/epcis/epcis-context.jsonld"],"type":"EPCISDocument","schemaVersion":"2.0","creationDate":"` + ended + `","epcisBody":{"eventList":[
		{"type":"ObjectEvent","eventTime":"` + time.Now().Add(-time.Second).UTC().Format("2006-01-02T15:04:05.000Z") + `","eventTimeZoneOffset":"+00:00","action":"OBSERVE","bizStep":"shipping","epcList":["https://id.gs1.org/01/09521141123454/21/78"]}]}}`
	s.do("POST", "/epcis/capture?site=umberhithe", "application/ld+json", doc, 202)
	for serial, zone := range []string{"shelf-a", "shelf-b"} {
		s.do("POST", "/v1/sites/umberhithe/reads?wait=10s", "application/json",
			fmt.Sprintf(`[{"epc":%q,"read_point":"handheld-1","zone":%q}]`, crashItem(1).Hex(), zone), 200,
			"Idempotency-Key", fmt.Sprint("r", serial))
	}
	require.Eventually(t, func() bool { return toChat.Load() > 0 && toOps.Load() > 0 }, time.Minute,
		10*time.Millisecond, "the channel is gone, and that is told")
	health := func(s *shopServer) (h api.ChannelHealthList) {
		require.NoError(t, json.Unmarshal(s.do("GET", "/v1/channels/health", "", "", 200), &h))
		return h
	}
	list := func(s *shopServer) (l api.DeliveryList) {
		require.NoError(t, json.Unmarshal(s.do("GET", "/v1/deliveries", "", "", 200), &l))
		return l
	}
	require.Eventually(t, func() bool {
		l := list(s).Deliveries
		return len(l) == 2 && !slices.ContainsFunc(l, func(d api.DeliveryView) bool { return d.Status == "pending" })
	}, time.Minute, 10*time.Millisecond)
	stopped := health(s).Channels[0]
	require.Equal(t, "stopped", stopped.State)
	told := list(s)
	jobs := string(s.do("GET", "/epcis/capture", "", "", 200))
	s.stop()

	before, names := contents(t, redis)
	want := []string{".documents", ".values", "umberhithe"}
	require.Equal(t, want, names, "what a server keeps elsewhere is lost in a move")

	dir, other := t.TempDir(), redistest.Start(t)
	move := func(args ...string) {
		var out, bad bytes.Buffer
		require.Zero(t, run(streams{t.Context(), strings.NewReader(""), &out, &bad}, append([]string{"move"}, args...)), bad.String())
		require.Contains(t, out.String(), "copied 1 sites: ")
	}
	move("--from-redis", redis.URL(), "--to-data", dir)
	move("--from-data", dir, "--to-redis", other.URL())
	after, names := contents(t, other)
	require.Equal(t, want, names)
	require.Equal(t, before, after)

	for _, opt := range []app.Options{{Data: dir}, {Redis: other.URL()}} {
		chats, notices := toChat.Load(), toOps.Load()
		s := serveShop(t, opt, s.key)
		got := health(s).Channels[0]
		got.LastFailure, stopped.LastFailure = nil, nil
		require.Equal(t, stopped, got)
		require.Equal(t, told, list(s))
		require.Equal(t, jobs, string(s.do("GET", "/epcis/capture", "", "", 200)))
		// It moves once more: to the same channel nothing is sent, and nobody is told again that it
		// is stopped.
		for _, zone := range []string{"shelf-a", "shelf-b"} {
			s.do("POST", "/v1/sites/umberhithe/reads?wait=10s", "application/json",
				fmt.Sprintf(`[{"epc":%q,"read_point":"handheld-1","zone":%q}]`, crashItem(uint64(100+chats+notices)).Hex(), zone), 200)
		}
		require.Eventually(t, func() bool {
			for _, d := range list(s).Deliveries {
				if d.Channel == "door-team" && strings.Contains(d.Reason, "the channel was stopped on") {
					return true
				}
			}
			return false
		}, time.Minute, 10*time.Millisecond)
		require.Equal(t, []int32{chats, notices}, []int32{toChat.Load(), toOps.Load()})
		require.Equal(t, string(deliver.StoppedGone), health(s).Channels[0].Cause)
		s.stop()
	}
}
