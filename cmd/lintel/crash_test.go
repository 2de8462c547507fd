package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/deliver"
	"lintel/engine/epc"
	"lintel/engine/store/redistest"
)

// The crash test: under load, the server (or Redis) is killed with SIGKILL at seeded moments and
// started again. At the end every read that was answered with 202 must be in the state, no alert
// may exist twice, and every alert must have reached the receiver at least once, always with the
// same id.
//
// Three moments by default; the whole of it is
//
//	LINTEL_CRASHES=30 go test -count=1 -run Crash -timeout 30m ./cmd/lintel
func crashes(t *testing.T) int {
	n, err := strconv.Atoi(os.Getenv("LINTEL_CRASHES"))
	if os.Getenv("LINTEL_CRASHES") == "" {
		return 3
	}
	require.NoError(t, err, "LINTEL_CRASHES must be a number")
	return n
}

var buildOnce = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "lintel-crash")
	if err != nil {
		return "", err
	}
	bin := filepath.Join(dir, "lintel")
	out, err := exec.Command("go", "build", "-o", bin, ".").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build: %w\n%s", err, out)
	}
	return bin, nil
})

// victim is a server process that can be killed.
type victim struct {
	t     *testing.T
	bin   string
	store []string
	addr  string
	cmd   *exec.Cmd
	log   *os.File
}

func newVictim(t *testing.T, store ...string) *victim {
	bin, err := buildOnce()
	require.NoError(t, err)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	log, err := os.Create(filepath.Join(t.TempDir(), "server.log"))
	require.NoError(t, err)
	v := &victim{t: t, bin: bin, store: store, addr: l.Addr().String(), log: log}
	t.Cleanup(func() {
		v.kill()
		if t.Failed() {
			tail, _ := os.ReadFile(log.Name())
			t.Logf("the server's log ends:\n%s", tail[max(0, len(tail)-4000):])
		}
		log.Close()
	})
	return v
}

func (v *victim) lintel(args ...string) []byte {
	out, err := exec.Command(v.bin, append(args, v.store...)...).Output()
	require.NoError(v.t, err)
	return out
}

func (v *victim) start() {
	v.cmd = exec.Command(v.bin, append([]string{"serve", "--listen", v.addr, "--allow-cidr", "127.0.0.1/32", "--retry",
		"0s,1s,1s,1s,1s,1s,2s,2s,2s,5s,5s,5s,5s,5s"}, v.store...)...)
	v.cmd.Stdout, v.cmd.Stderr = v.log, v.log
	require.NoError(v.t, v.cmd.Start())
	require.Eventually(v.t, func() bool {
		resp, err := http.Get("http://" + v.addr + "/readyz")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == 200
	}, time.Minute, 10*time.Millisecond, "the server does not get ready")
}

func (v *victim) kill() {
	if v.cmd != nil && v.cmd.Process != nil {
		_ = v.cmd.Process.Signal(syscall.SIGKILL)
		_ = v.cmd.Wait()
		v.cmd = nil
	}
}

// witness is the receiver of webhooks and the keeper of what was promised.
type witness struct {
	mu       sync.Mutex
	accepted map[uint64]bool            // serials answered with 202
	alerts   map[string]map[string]bool // item to alert ids heard of
	ids      map[string]map[string]bool // alert to webhook ids
	bad      []string
}

const crashSecret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw" // the specification's published example

func (w *witness) ServeHTTP(rw http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(io.LimitReader(r.Body, 1<<20))
	w.mu.Lock()
	defer w.mu.Unlock()
	if err := deliver.Verify([]string{crashSecret}, r.Header, body, time.Now(), 5*time.Minute); err != nil {
		w.bad = append(w.bad, err.Error())
	}
	var msg struct {
		Type string
		Data struct {
			Alert struct{ ID, Item string }
		}
	}
	if err := json.Unmarshal(body, &msg); err != nil {
		w.bad = append(w.bad, err.Error())
	}
	if msg.Type == "alert.opened" {
		add(w.alerts, msg.Data.Alert.Item, msg.Data.Alert.ID)
		add(w.ids, msg.Data.Alert.ID, r.Header.Get("webhook-id"))
	}
	// A receiver has bad moments too.
	if len(w.ids)%7 == 0 && rand.IntN(3) == 0 {
		rw.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	rw.WriteHeader(http.StatusNoContent)
}

func add(m map[string]map[string]bool, k, v string) {
	if m[k] == nil {
		m[k] = make(map[string]bool)
	}
	m[k][v] = true
}

const crashLayout = `{"site":"umberhithe","name":"Umberhithe Books","time_zone":"Europe/London",
 "zones":[{"id":"shelf-a","name":"Shelf A","kind":"shelf"},{"id":"shelf-b","name":"Shelf B","kind":"shelf"}],
 "read_points":[{"id":"handheld-1","role":"handheld"}]}`

// One item in ten arrives where a rule tells of it.
const crashRules = `storm: 10000 per 10s
rules:
  - name: on-shelf-b
    when: cause == "arrived" and zone.id == "shelf-b"
    say: "{item.key} came to {zone.name}"
    send: [door-team]
`

func crashItem(serial uint64) epc.EPC {
	e, err := epc.EncodeSGTIN96(9521234000013, 7, serial, 1)
	if err != nil {
		panic(err)
	}
	return e
}

func testCrash(t *testing.T, v *victim, seed uint64, strike func(moment int)) {
	rng := rand.New(rand.NewPCG(seed, 0))
	w := &witness{accepted: make(map[uint64]bool), alerts: make(map[string]map[string]bool), ids: make(map[string]map[string]bool)}
	receiver := httptest.NewServer(w)
	defer receiver.Close()
	key := strings.TrimSpace(string(v.lintel("key", "add", "crash", "--scope", "reads,operate,author")))
	v.start()
	client := &http.Client{Timeout: 5 * time.Second}
	do := func(method, path, kind string, body []byte) (int, []byte, error) {
		req, err := http.NewRequest(method, "http://"+v.addr+path, bytes.NewReader(body))
		require.NoError(t, err)
		req.Header.Set("Content-Type", kind)
		req.Header.Set("Authorization", "Bearer "+key)
		resp, err := client.Do(req)
		if err != nil {
			return 0, nil, err
		}
		defer resp.Body.Close()
		answer, err := io.ReadAll(resp.Body)
		return resp.StatusCode, answer, err
	}
	for _, d := range [][3]string{
		{"/v1/channels", "application/json", fmt.Sprintf(
			`{"channels":[{"name":"door-team","url":%q,"format":"webhook","secrets":[{"secret":%q}]}]}`, receiver.URL, crashSecret)},
		{"/v1/sites/umberhithe/layout", "application/json", crashLayout},
		{"/v1/products", "text/csv", "gtin,name\n9521234000013,The Tide Table\n"},
		{"/v1/rules", "application/yaml", crashRules},
	} {
		code, answer, err := do(http.MethodPut, d[0], d[1], []byte(d[2]))
		require.NoError(t, err)
		require.Less(t, code, 300, "%s: %s", d[0], answer)
	}

	// Four clients post new items without a pause. What was not answered is sent again with its
	// key, as a handheld would.
	stop := make(chan struct{})
	var wg sync.WaitGroup
	for c := range 4 {
		wg.Go(func() {
			for n := uint64(0); ; n++ {
				select {
				case <-stop:
					return
				default:
				}
				first := (uint64(c)*1_000_000 + n) * 10
				var b bytes.Buffer
				b.WriteByte('[')
				for k := range uint64(10) {
					zone := "shelf-a"
					if k == 9 {
						zone = "shelf-b"
					}
					if k > 0 {
						b.WriteByte(',')
					}
					fmt.Fprintf(&b, `{"epc":"%s","read_point":"handheld-1","zone":"%s"}`, crashItem(first+k).Hex(), zone)
				}
				b.WriteByte(']')
				for {
					req, _ := http.NewRequest(http.MethodPost, "http://"+v.addr+"/v1/sites/umberhithe/reads", bytes.NewReader(b.Bytes()))
					req.Header.Set("Content-Type", "application/json")
					req.Header.Set("Authorization", "Bearer "+key)
					req.Header.Set("Idempotency-Key", fmt.Sprintf("batch-%d-%d", c, n))
					resp, err := client.Do(req)
					if err == nil {
						_, _ = io.Copy(io.Discard, resp.Body)
						resp.Body.Close()
						if resp.StatusCode == http.StatusAccepted {
							w.mu.Lock()
							for k := range uint64(10) {
								w.accepted[first+k] = true
							}
							w.mu.Unlock()
							break
						}
					}
					select {
					case <-stop:
						return
					case <-time.After(20 * time.Millisecond):
					}
				}
				time.Sleep(2 * time.Millisecond)
			}
		})
	}
	// Meanwhile a handheld counts shelf A.
	counted := countThrough(t, v, key, stop, &wg)
	for m := range crashes(t) {
		time.Sleep(time.Duration(200+rng.IntN(800)) * time.Millisecond)
		strike(m)
	}
	time.Sleep(500 * time.Millisecond)
	close(stop)
	wg.Wait()
	counted()

	// Everything accepted is in the state.
	wantAlerts := 0
	w.mu.Lock()
	accepted := len(w.accepted)
	for serial := range w.accepted {
		if serial%10 == 9 {
			wantAlerts++
		}
	}
	w.mu.Unlock()
	require.Greater(t, accepted, 100)
	known := make(map[string]bool)
	require.Eventually(t, func() bool {
		clear(known)
		next := ""
		for {
			code, answer, err := do(http.MethodGet, "/v1/sites/umberhithe/items?limit=1000&cursor="+url.QueryEscape(next), "", nil)
			if err != nil || code != 200 {
				return false
			}
			var page struct {
				Items []struct{ Item string }
				Next  string
			}
			require.NoError(t, json.Unmarshal(answer, &page))
			for _, i := range page.Items {
				require.False(t, known[i.Item], "%s is listed twice", i.Item)
				known[i.Item] = true
			}
			if next = page.Next; next == "" {
				break
			}
		}
		for serial := range w.accepted {
			if !known[crashItem(serial).KeyText()] {
				return false
			}
		}
		return true
	}, 30*time.Second, 200*time.Millisecond, "accepted reads are missing from the state")

	// Every alert arrived, once as an alert, with one id.
	require.Eventually(t, func() bool {
		w.mu.Lock()
		defer w.mu.Unlock()
		for serial := range w.accepted {
			if serial%10 == 9 && len(w.alerts[crashItem(serial).KeyText()]) == 0 {
				return false
			}
		}
		return true
	}, 60*time.Second, 100*time.Millisecond, "alerts did not arrive")
	w.mu.Lock()
	defer w.mu.Unlock()
	require.Empty(t, w.bad)
	for item, alerts := range w.alerts {
		require.Len(t, alerts, 1, "%s was told as two alerts", item)
	}
	for alert, ids := range w.ids {
		require.Len(t, ids, 1, "%s came with two ids", alert)
	}
	t.Logf("%d reads accepted, %d alerts, %d crashes", accepted, wantAlerts, crashes(t))
}

// countThrough opens a count and feeds it through all crashes, sending again what was not answered.
// The function it returns checks that the count lost no tag and has none twice.
func countThrough(t *testing.T, v *victim, key string, stop <-chan struct{}, wg *sync.WaitGroup) func() {
	const path = "/v1/sites/umberhithe/counts"
	client := &http.Client{Timeout: 5 * time.Second}
	try := func(method, path, idempotency, body string) (int, []byte) {
		req, err := http.NewRequest(method, "http://"+v.addr+path, strings.NewReader(body))
		require.NoError(t, err)
		req.Header.Set("Content-Type", "application/json")
		req.Header.Set("Authorization", "Bearer "+key)
		if idempotency != "" {
			req.Header.Set("Idempotency-Key", idempotency)
		}
		resp, err := client.Do(req)
		if err != nil {
			return 0, nil
		}
		defer resp.Body.Close()
		answer, _ := io.ReadAll(resp.Body)
		return resp.StatusCode, answer
	}
	var opened struct{ ID string }
	code, answer := try(http.MethodPost, path, "open-count", `{"zones":["shelf-a"]}`)
	require.Less(t, code, 300, "%s", answer)
	require.NoError(t, json.Unmarshal(answer, &opened))
	tags := 0
	wg.Go(func() {
		for n := uint64(0); ; n++ {
			var list []string
			for k := range uint64(10) {
				list = append(list, fmt.Sprintf(`{"epc":"%s","read_point":"handheld-1","zone":"shelf-a"}`,
					crashItem(90_000_000+10*n+k).Hex()))
			}
			for {
				if code, _ := try(http.MethodPost, path+"/"+opened.ID+"/reads", fmt.Sprint("count-", n),
					"["+strings.Join(list, ",")+"]"); code == http.StatusAccepted {
					tags += 10
					break
				}
				select {
				case <-stop:
					return
				case <-time.After(20 * time.Millisecond):
				}
			}
			select {
			case <-stop:
				return
			case <-time.After(5 * time.Millisecond):
			}
		}
	})
	return func() {
		var count struct{ Unique, Reads int }
		require.Eventually(t, func() bool {
			code, answer := try(http.MethodGet, path+"/"+opened.ID, "", "")
			// A last batch may have been taken without an answer.
			return code == 200 && json.Unmarshal(answer, &count) == nil && count.Unique >= tags
		}, time.Minute, 100*time.Millisecond, "the count lost tags")
		require.LessOrEqual(t, count.Unique, tags+10)
		require.Equal(t, count.Unique, count.Reads, "a tag was counted twice")
		t.Logf("%d tags counted", count.Unique)
	}
}

func TestCrashServerEmbedded(t *testing.T) {
	v := newVictim(t, "--data", t.TempDir())
	testCrash(t, v, 1, func(int) { v.kill(); v.start() })
}

func TestCrashServerOnRedis(t *testing.T) {
	r := redistest.Start(t, "--appendonly", "yes", "--appendfsync", "always")
	v := newVictim(t, "--redis", r.URL())
	testCrash(t, v, 2, func(int) { v.kill(); v.start() })
}

func TestCrashRedis(t *testing.T) {
	r := redistest.Start(t, "--appendonly", "yes", "--appendfsync", "always")
	v := newVictim(t, "--redis", r.URL())
	testCrash(t, v, 3, func(int) { r.Kill(); time.Sleep(100 * time.Millisecond); r.Restart(t) })
}
