package bench

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"github.com/redis/go-redis/v9"

	"lintel/api/app"
	"lintel/api/kit"
	"lintel/engine/epc"
)

// Options say how much to measure.
type Options struct {
	// URL of a single Redis server that may be written to; keys with other prefixes than lintel:
	// and bench: are left alone
	Redis   string
	Items   int           // default 100,000
	Rules   int           // default 100
	Each    time.Duration // how long each part is measured; default 10s
	Clients int           // connections that post batches; default 4
	Out     io.Writer     // the readable report
}

// Result is what was measured; rates are reads a second.
type Result struct {
	Floor           float64 `json:"floor"`
	Script          float64 `json:"script"`
	PipelinedScript float64 `json:"pipelined_script"`
	Lintel          float64 `json:"lintel"`
	RatioFloor      float64 `json:"ratio_floor"`
	RatioScript     float64 `json:"ratio_script"`
	AlertP50        float64 `json:"alert_p50_ms"`
	AlertP99        float64 `json:"alert_p99_ms"`
	Rules           int     `json:"rules"`
	Items           int     `json:"items"`
	Facts           float64 `json:"facts_per_read"`
	Alerts          int     `json:"alerts_timed"`
	HalfLoad        float64 `json:"half_load"`
}

// Run measures everything once.
func Run(ctx context.Context, opt Options) (Result, error) {
	if opt.Items == 0 {
		opt.Items = 100_000
	}
	if opt.Rules == 0 {
		opt.Rules = 100
	}
	if opt.Each == 0 {
		opt.Each = 10 * time.Second
	}
	if opt.Clients == 0 {
		opt.Clients = 4
	}
	res := Result{Rules: opt.Rules, Items: opt.Items}
	ropt, err := redis.ParseURL(opt.Redis)
	if err != nil {
		return res, fmt.Errorf("the Redis URL can't be read: it must be redis://HOST:PORT for one server")
	}
	rdb := redis.NewClient(ropt)
	defer rdb.Close()
	if err := rdb.Ping(ctx).Err(); err != nil {
		return res, fmt.Errorf("no Redis server answers: %w", err)
	}
	if n, err := rdb.Exists(ctx, "lintel:{bench}:journal").Result(); err != nil || n > 0 {
		return res, errors.Join(err, errors.New("that server holds a bench site already: use an empty server"))
	}
	s, err := newShop(opt.Items)
	if err != nil {
		return res, err
	}
	bodies := make([]*body, 400)
	for i := range bodies {
		bodies[i] = s.batch()
	}
	report := func(format string, args ...any) { fmt.Fprintf(opt.Out, format+"\n", args...) }
	report("batches of %d reads of %d bytes, %d %% repeats, %d items, %d rules", batchReads,
		len(bodies[0].data)/batchReads, 100-100*batchTags/batchReads, opt.Items, opt.Rules)

	if res.Floor, err = floor(ctx, rdb, bodies, opt); err != nil {
		return res, fmt.Errorf("floor: %w", err)
	}
	report("%-34s %10.0f reads/s", "floor: decode, one append a batch", res.Floor)
	if res.Script, err = script(ctx, rdb, bodies, opt.Each/2, false); err != nil {
		return res, fmt.Errorf("script: %w", err)
	}
	report("%-34s %10.0f reads/s", "plain script", res.Script)
	if res.PipelinedScript, err = script(ctx, rdb, bodies, opt.Each/2, true); err != nil {
		return res, fmt.Errorf("pipelined script: %w", err)
	}
	report("%-34s %10.0f reads/s", "plain script, pipelined", res.PipelinedScript)
	if err := clean(ctx, rdb); err != nil {
		return res, err
	}
	if err := whole(ctx, s, bodies, opt, &res, report); err != nil {
		return res, fmt.Errorf("lintel: %w", err)
	}
	res.RatioFloor, res.RatioScript = round(res.Lintel/res.Floor, 3), round(res.Lintel/res.Script, 2)
	report("%-34s %10.3f  (budget: at least 0.6)", "lintel / floor", res.RatioFloor)
	report("%-34s %10.2f  (budget: at least 15)", "lintel / plain script", res.RatioScript)
	report("%-34s %7.2f ms  (budget: 5)", "read sent to webhook received, p50", res.AlertP50)
	report("%-34s %7.2f ms  (budget: 25)", "the same, p99", res.AlertP99)
	line, err := json.Marshal(res)
	if err != nil {
		return res, err
	}
	report("%s", line)
	return res, nil
}

func round(v float64, digits int) float64 {
	p := math.Pow10(digits)
	return math.Round(v*p) / p
}

func clean(ctx context.Context, rdb *redis.Client) error {
	it := rdb.Scan(ctx, 0, "bench:*", 10_000).Iterator()
	for it.Next(ctx) {
		if err := rdb.Unlink(ctx, it.Val()).Err(); err != nil {
			return err
		}
	}
	return it.Err()
}

// plainRead is what a straightforward program decodes a read into.
type plainRead struct {
	EPC       string    `json:"epc"`
	ReadPoint string    `json:"read_point"`
	Zone      string    `json:"zone"`
	RSSI      float64   `json:"rssi"`
	Time      time.Time `json:"time"`
}

// during runs work on n goroutines until the time is over and returns how often it was done a
// second, times batchReads.
func during(ctx context.Context, n int, d time.Duration, work func(worker, turn int) error) (float64, error) {
	ctx, cancel := context.WithTimeout(ctx, d)
	defer cancel()
	var done atomic.Int64
	errs := make([]error, n)
	var wg sync.WaitGroup
	start := time.Now()
	for w := range n {
		wg.Go(func() {
			for turn := 0; ctx.Err() == nil; turn++ {
				if err := work(w, turn); err != nil {
					errs[w] = err
					return
				}
				done.Add(1)
			}
		})
	}
	wg.Wait()
	return float64(done.Load()) * batchReads / time.Since(start).Seconds(), errors.Join(errs...)
}

func floor(ctx context.Context, rdb *redis.Client, bodies []*body, opt Options) (float64, error) {
	return during(ctx, opt.Clients, opt.Each, func(w, turn int) error {
		b := bodies[(turn*opt.Clients+w)%len(bodies)]
		var reads []plainRead
		data := bytes.Clone(b.data)
		stamped := body{data, b.times}
		stamped.stamp(time.Now())
		if err := json.Unmarshal(data, &reads); err != nil {
			return err
		}
		return rdb.XAdd(ctx, &redis.XAddArgs{Stream: "bench:floor", MaxLen: 1000, Approx: true, Values: []any{"d", data}}).Err()
	})
}

func script(ctx context.Context, rdb *redis.Client, bodies []*body, d time.Duration, pipelined bool) (float64, error) {
	var reads []plainRead
	decode := func(turn int) error {
		reads = reads[:0]
		b := bodies[turn%len(bodies)]
		b.stamp(time.Now())
		return json.Unmarshal(b.data, &reads)
	}
	write := func(c redis.Cmdable, r *plainRead) *redis.IntCmd {
		return c.HSet(ctx, "bench:item:"+r.EPC, "zone", r.Zone, "reader", r.ReadPoint, "rssi", r.RSSI, "seen", r.Time.UnixMilli())
	}
	return during(ctx, 1, d, func(_, turn int) error {
		if err := decode(turn); err != nil {
			return err
		}
		if !pipelined {
			for i := range reads {
				if err := rdb.HGetAll(ctx, "bench:item:"+reads[i].EPC).Err(); err != nil {
					return err
				}
				if err := write(rdb, &reads[i]).Err(); err != nil {
					return err
				}
			}
			return nil
		}
		if _, err := rdb.Pipelined(ctx, func(p redis.Pipeliner) error {
			for i := range reads {
				p.HGetAll(ctx, "bench:item:"+reads[i].EPC)
			}
			return nil
		}); err != nil {
			return err
		}
		_, err := rdb.Pipelined(ctx, func(p redis.Pipeliner) error {
			for i := range reads {
				write(p, &reads[i])
			}
			return nil
		})
		return err
	})
}

// whole measures Lintel itself: throughput at full load, then how soon alerts arrive at half of it.
func whole(ctx context.Context, s *shop, bodies []*body, opt Options, res *Result, report func(string, ...any)) error {
	a, err := app.New(ctx, app.Options{
		Redis: opt.Redis, Listen: "127.0.0.1:0", AllowCIDRs: []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")},
		Log: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		return err
	}
	if err := a.Start(ctx); err != nil {
		return err
	}
	defer func() {
		stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), 20*time.Second)
		defer cancel()
		_ = a.Stop(stop)
	}()
	key, err := kit.MintKey(ctx, a.Store, "bench", []string{"reads", "sales", "operate", "author", "admin"},
		[]string{"*"}, "bench", time.Now())
	if err != nil {
		return err
	}
	c := newClient(a.URL(), key, opt.Clients+2)
	p := newProbe(c)
	defer p.server.Close()
	if err := c.put(ctx, "/v1/channels", "application/json", p.channel()); err != nil {
		return err
	}
	for _, d := range []struct {
		path, kind string
		body       []byte
	}{{"/v1/sites/bench/layout", "application/json", layoutJSON()}, {"/v1/products", "text/csv", productsCSV()},
		{"/v1/rules", "application/yaml", rulesYAML(opt.Rules)}} {
		if err := c.put(ctx, d.path, d.kind, d.body); err != nil {
			return err
		}
	}
	if err := s.stockUp(func(b *body) error { b.stamp(time.Now()); return c.reads(ctx, b.data) }); err != nil {
		return err
	}
	if err := folded(ctx, a); err != nil {
		return err
	}
	_, before, err := a.Store.Cursor(ctx, "bench")
	if err != nil {
		return err
	}
	factsBefore := factsFolded(a)

	// Full load. What was accepted counts only once it is folded.
	start := time.Now()
	sent := make([]*body, opt.Clients*2)
	for i := range sent {
		sent[i] = &body{data: make([]byte, 0, len(bodies[0].data)+1024)}
	}
	if _, err := during(ctx, opt.Clients, opt.Each,
		func(w, turn int) error { return c.again(ctx, sent[w], bodies[(turn*opt.Clients+w)%len(bodies)]) }); err != nil {
		return err
	}
	if err := folded(ctx, a); err != nil {
		return err
	}
	_, after, err := a.Store.Cursor(ctx, "bench")
	if err != nil {
		return err
	}
	reads := float64(c.sent.Swap(0))
	res.Lintel = reads / time.Since(start).Seconds()
	res.Facts = round((factsFolded(a)-factsBefore)/reads, 4)
	report("%-34s %10.0f reads/s  (%d entries, %.3f facts a read)", "lintel, whole path", res.Lintel, after-before, res.Facts)

	// Half load, paced, with a probe that raises one alert every 20 ms.
	every := time.Duration(float64(time.Second) * batchReads / (res.Lintel / 2))
	half, cancel := context.WithTimeout(ctx, opt.Each)
	defer cancel()
	var wg sync.WaitGroup
	var failed error
	wg.Go(func() {
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for n := 1; ; n++ {
			select {
			case <-half.Done():
				return
			case <-tick.C:
				if err := p.fire(ctx, n); err != nil {
					failed = err
					return
				}
			}
		}
	})
	started := time.Now()
	var turn atomic.Int64
	if _, err := during(ctx, opt.Clients, opt.Each, func(w, _ int) error {
		n := turn.Add(1)
		time.Sleep(time.Until(started.Add(time.Duration(n) * every)))
		return c.again(ctx, sent[w], bodies[int(n)%len(bodies)])
	}); err != nil {
		return err
	}
	wg.Wait()
	res.HalfLoad = round(float64(c.sent.Swap(0))/time.Since(started).Seconds(), 0)
	if failed != nil {
		return failed
	}
	if err := folded(ctx, a); err != nil {
		return err
	}
	time.Sleep(200 * time.Millisecond) // the last webhooks
	took := p.latencies()
	if len(took) == 0 {
		return errors.New("no webhook arrived")
	}
	res.Alerts = len(took)
	res.AlertP50, res.AlertP99 = round(quantile(took, 0.50), 2), round(quantile(took, 0.99), 2)
	report("%-34s %10.0f reads/s  (%d alerts timed)", "half load", res.HalfLoad, res.Alerts)
	return nil
}

func quantile(sorted []float64, q float64) float64 {
	return sorted[min(len(sorted)-1, int(q*float64(len(sorted))))]
}

// folded waits until every accepted entry is committed.
func folded(ctx context.Context, a *app.App) error {
	for {
		cursor, newest, err := a.Store.Cursor(ctx, "bench")
		if err != nil {
			return err
		}
		if cursor == newest {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(2 * time.Millisecond):
		}
	}
}

func factsFolded(a *app.App) float64 {
	families, err := a.Registry.Gather()
	if err != nil {
		return 0
	}
	sum := 0.0
	for _, f := range families {
		if f.GetName() == "lintel_facts_total" {
			for _, m := range f.GetMetric() {
				sum += m.GetCounter().GetValue()
			}
		}
	}
	return sum
}

// client posts as an integrator would.
type client struct {
	base, key string
	http      *http.Client
	sent      atomic.Int64 // reads that were answered with 202
}

func newClient(base, key string, conns int) *client {
	return &client{base: base, key: key, http: &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: conns,
		MaxConnsPerHost: conns}, Timeout: 30 * time.Second}}
}

func (c *client) do(ctx context.Context, method, path, kind string, body []byte, want ...int) error {
	req, err := http.NewRequestWithContext(ctx, method, c.base+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", kind)
	req.Header.Set("Authorization", "Bearer "+c.key)
	resp, err := c.http.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(resp.Body, 1<<16))
	if err != nil {
		return err
	}
	if !slices.Contains(want, resp.StatusCode) {
		return fmt.Errorf("%s %s: %s: %s", method, path, resp.Status, answer)
	}
	return nil
}

func (c *client) put(ctx context.Context, path, kind string, body []byte) error {
	return c.do(ctx, http.MethodPut, path, kind, body, 200, 201)
}

func (c *client) reads(ctx context.Context, body []byte) error {
	return c.do(ctx, http.MethodPost, "/v1/sites/bench/reads", "application/json", body, 202)
}

// again sends a batch with the present time, from a copy, since several workers may send the same
// one.
func (c *client) again(ctx context.Context, into, from *body) error {
	into.data = append(into.data[:0], from.data...)
	into.times = from.times
	into.stamp(time.Now())
	if err := c.reads(ctx, into.data); err != nil {
		return err
	}
	c.sent.Add(batchReads)
	return nil
}

// probe raises alerts and times their webhooks.
type probe struct {
	c      *client
	server *httptest.Server

	mu   sync.Mutex
	sent map[int]time.Time
	took []float64
}

func newProbe(c *client) *probe {
	p := &probe{c: c, sent: make(map[int]time.Time)}
	p.server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		now := time.Now()
		var msg struct {
			Type string `json:"type"`
			Data struct {
				Alert struct {
					Rule, Say string
				} `json:"alert"`
			} `json:"data"`
		}
		if json.NewDecoder(r.Body).Decode(&msg) == nil && msg.Type == "alert.opened" && msg.Data.Alert.Rule == "probe" {
			p.mu.Lock()
			if n, err := strconv.Atoi(msg.Data.Alert.Say); err == nil {
				if at, ok := p.sent[n]; ok {
					p.took = append(p.took, float64(now.Sub(at).Microseconds())/1000)
					delete(p.sent, n)
				}
			}
			p.mu.Unlock()
		}
		w.WriteHeader(http.StatusNoContent)
	}))
	return p
}

func (p *probe) channel() []byte {
	return fmt.Appendf(nil, `{"channels":[{"name":"bench","url":%q,"format":"webhook",
		"secrets":[{"secret":"whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"}],"max_in_flight":32}]}`, p.server.URL)
}

const probeSerial = 9_000_000_000

// fire lets an item that was never seen arrive where a rule waits for it. The clock starts before
// the request is sent, which is earlier than its acceptance.
func (p *probe) fire(ctx context.Context, n int) error {
	e, err := epc.EncodeSGTIN96(gtin(n%products), 7, uint64(probeSerial+n), 1)
	if err != nil {
		return err
	}
	p.mu.Lock()
	p.sent[probeSerial+n] = time.Now()
	p.mu.Unlock()
	return p.c.reads(ctx, fmt.Appendf(nil, `[{"epc":"%s","read_point":"probe-1","zone":"probe","rssi":-50}]`, e.Hex()))
}

func (p *probe) latencies() []float64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	slices.Sort(p.took)
	return p.took
}
