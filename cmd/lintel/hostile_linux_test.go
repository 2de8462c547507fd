package main

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The hostile test: one real server with 512 MB and 256 files is attacked in every way at one time, by
// callers with and without keys, while a reader goes on reporting. It must answer /healthz within a
// second throughout, stay below 400 MB, and lose no read that it acknowledged.
//
// It takes two processors of its own, and runs only when it is asked for:
//
//	LINTEL_HOSTILE=1h go test -count=1 -run Hostile -timeout 90m -v ./cmd/lintel
const (
	hostileFiles  = 256
	hostileMemory = 400 << 10 // kB of resident memory that are allowed
)

func hostileFor(t *testing.T) time.Duration {
	text := os.Getenv("LINTEL_HOSTILE")
	if text == "" {
		t.Skip("it needs the machine to itself: LINTEL_HOSTILE=5m says for how long")
	}
	d, err := time.ParseDuration(text)
	require.NoError(t, err, "LINTEL_HOSTILE must be a length of time")
	return d
}

// besieged is a server under attack.
type besieged struct {
	*victim
	key    string // may do everything
	client *http.Client
	tally  sync.Map // answers by attack and status: *atomic.Int64
}

// limited starts the server with few files and little memory.
func (b *besieged) limited() {
	b.cmd = exec.Command("/bin/sh", append([]string{"-c", fmt.Sprintf(`ulimit -n %d && exec "$0" "$@"`, hostileFiles), b.bin, "serve",
		"--listen", b.addr, "--body-memory", strconv.Itoa(65 << 20)}, b.store...)...)
	b.cmd.Env = append(os.Environ(), "GOMEMLIMIT=256MiB")
	b.cmd.Stdout, b.cmd.Stderr = b.log, b.log
	require.NoError(b.t, b.cmd.Start())
	require.Eventually(b.t, func() bool { return b.healthy(http.DefaultClient, "/readyz") == nil }, time.Minute, 20*time.Millisecond)
}

func (b *besieged) healthy(c *http.Client, path string) error {
	resp, err := c.Get("http://" + b.addr + path)
	if err != nil {
		return err
	}
	resp.Body.Close()
	if resp.StatusCode != 200 {
		return fmt.Errorf("%s answers %d", path, resp.StatusCode)
	}
	return nil
}

// memory returns a value of /proc/PID/status in kB.
func (b *besieged) memory(name string) int {
	status, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", b.cmd.Process.Pid))
	_, rest, _ := strings.Cut(string(status), name+":")
	var kb int
	_, _ = fmt.Sscan(rest, &kb)
	return kb
}

func (b *besieged) count(attack, outcome string) {
	n, _ := b.tally.LoadOrStore(attack+" "+outcome, new(atomic.Int64))
	n.(*atomic.Int64).Add(1)
}

// send sends one request and counts its answer, whatever it is.
func (b *besieged) send(attack, method, path string, body []byte, header ...string) {
	req, err := http.NewRequest(method, "http://"+b.addr+path, bytes.NewReader(body))
	if err != nil {
		panic(err)
	}
	req.Header.Set("Authorization", "Bearer "+b.key)
	for i := 0; i < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	resp, err := b.client.Do(req)
	if err != nil {
		b.count(attack, "no answer")
		return
	}
	_, _ = io.Copy(io.Discard, io.LimitReader(resp.Body, 1<<20))
	resp.Body.Close()
	b.count(attack, strconv.Itoa(resp.StatusCode))
}

// raw writes bytes to a connection of its own and holds it for a while.
func (b *besieged) raw(attack, text string, hold time.Duration) {
	c, err := net.DialTimeout("tcp", b.addr, 2*time.Second)
	if err != nil {
		b.count(attack, "refused")
		return
	}
	defer c.Close()
	_ = c.SetDeadline(time.Now().Add(hold))
	_, _ = io.WriteString(c, text)
	n, _ := io.Copy(io.Discard, c)
	b.count(attack, map[bool]string{true: "answered", false: "silent"}[n > 0])
}

// bomb is a text repeated until it has so many bytes, as gzip.
func bomb(head, part string, size int, tail string) []byte {
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	_, _ = io.WriteString(z, head)
	chunk := strings.Repeat(part, max(1, 1<<16/len(part)))
	for n := 0; n < size; n += len(chunk) {
		_, _ = io.WriteString(z, chunk)
	}
	_, _ = io.WriteString(z, tail)
	_ = z.Close()
	return out.Bytes()
}

// attacks are what goes on at one time, each again and again.
func (b *besieged) attacks() map[string]func(name string) {
	zipped := func(method, path, kind string, body []byte) func(string) {
		return func(name string) { b.send(name, method, path, body, "Content-Type", kind, "Content-Encoding", "gzip") }
	}
	const jsonType, csvType, yamlType = "application/json", "text/csv", "text/yaml"
	site := "/v1/sites/umberhithe"
	dear := "rules:\n"
	for i := range 4900 {
		dear += fmt.Sprintf("- {name: r%d, when: 'any(1..1000, # - 9000 == at.hour or # - 8000 == at.minute or # + 7000 == passage.reads)'}\n", i)
	}
	flow := "rules: [" + strings.Repeat("a,\n", 74_000) + "]"
	return map[string]func(string){
		"a method of its own": func(name string) {
			b.raw(name, strings.Repeat("X", 1000+rand.IntN(1000))+" /nope HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n", 2*time.Second)
		},
		"long headers": func(name string) {
			b.raw(name, "GET / HTTP/1.1\r\nHost: x\r\nA: "+strings.Repeat("y", 900_000)+"\r\n\r\n", 2*time.Second)
		},
		"no protocol":     func(name string) { b.raw(name, "\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\x00\xff", 2*time.Second) },
		"a header's half": func(name string) { b.raw(name, "GET /healthz HTTP/1.1\r\nHost: x\r\n", 12*time.Second) },
		"no body, no route": func(name string) {
			b.raw(name, "POST /nope HTTP/1.1\r\nHost: x\r\nContent-Length: 100\r\n\r\n", 12*time.Second)
		},
		"no body, no key": func(name string) {
			b.raw(name, "POST "+site+"/reads HTTP/1.1\r\nHost: x\r\nContent-Length: 100\r\n\r\n", 12*time.Second)
		},
		"half a body": func(name string) {
			b.raw(name, "POST "+site+"/reads HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer "+b.key+"\r\nContent-Length: 1000\r\n\r\n[{", 12*time.Second)
		},
		"a stalled stream": func(name string) {
			b.raw(name, "GET "+site+"/live HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer "+b.key+"\r\n\r\n", 5*time.Second)
		},
		"wrong keys": func(name string) {
			b.send(name, "GET", "/v1/sites", nil, "Authorization", fmt.Sprint("Bearer lk_", rand.Uint64()))
		},
		"columns of items":   zipped("POST", site+"/items.csv?dry_run=true", csvType, bomb("epc,zone", ",", 60<<20, "\n")),
		"columns":            zipped("PUT", "/v1/products?dry_run=true", csvType, bomb("gtin,name", ",", 60<<20, "\n")),
		"bad rows":           zipped("PUT", "/v1/products?dry_run=true", csvType, bomb("gtin,name\n", "x,\n", 60<<20, "")),
		"empty documents":    zipped("POST", "/v1/configuration/plan", jsonType, bomb(`{"documents":[`, "{},", 60<<20, "{}]}")),
		"attributes":         zipped("PUT", "/v1/products?dry_run=true", jsonType, bomb(`[{"gtin":"09521234000013","attributes":{`, `"a":"b",`, 20<<20, `"z":"z"}}]`)),
		"contexts":           zipped("POST", "/epcis/capture", jsonType, bomb(`{"@context":[`, "{},", 60<<20, "{}]}")),
		"reads that inflate": zipped("POST", site+"/reads", jsonType, bomb("[", " ", 8<<20-1<<17, "")),
		"nested brackets": func(name string) {
			b.send(name, "POST", site+"/reads", bytes.Repeat([]byte("["), 7<<20), "Content-Type", jsonType)
		},
		"a flow list": func(name string) { b.send(name, "POST", "/v1/rules/check", []byte(flow), "Content-Type", yamlType) },
		"dear rules":  func(name string) { b.send(name, "PUT", "/v1/rules", []byte(dear), "Content-Type", yamlType) },
		"nothing left": func(name string) {
			b.send(name, "PUT", "/v1/rules", []byte("rules:\n"), "Content-Type", yamlType)
			b.send(name, "POST", "/v1/configuration", []byte(`{"documents":[{"document":"rules","text":"rules:\n"}]}`), "Content-Type", jsonType)
		},
		"queries": func(name string) {
			b.send(name, "PUT", site+"/layout?dry_run=%zz", []byte("{}"), "Content-Type", jsonType)
			b.send(name, "GET", site+"/items?zone=a;b&cursor="+strings.Repeat("x", 4000), nil)
		},
	}
}

func TestHostileCallers(t *testing.T) {
	length := hostileFor(t)
	b := &besieged{victim: newVictim(t, "--data", t.TempDir()), client: &http.Client{Timeout: 30 * time.Second}}
	b.key = strings.TrimSpace(string(b.lintel("key", "add", "boss", "--scope", "admin,author,operate,reads,sales")))
	reader := strings.TrimSpace(string(b.lintel("key", "add", "reader", "--scope", "reads,operate")))
	b.limited()
	b.send("layout", "PUT", "/v1/sites/umberhithe/layout", []byte(crashLayout), "Content-Type", "application/json")
	b.send("products", "PUT", "/v1/products", []byte("gtin,name\n9521234000013,The Tide Table\n"), "Content-Type", "text/csv")
	b.send("rules", "PUT", "/v1/rules", []byte(strings.Replace(crashRules, "send: [door-team]", "mode: watch", 1)), "Content-Type", "text/yaml")

	stop := make(chan struct{})
	stopped := func(pause time.Duration) bool {
		select {
		case <-stop:
			return true
		case <-time.After(pause):
			return false
		}
	}
	var wg sync.WaitGroup
	for name, attack := range b.attacks() {
		callers, pause := 1, 10*time.Millisecond
		if strings.Contains(name, "body") || strings.Contains(name, "half") {
			callers, pause = 80, 10*time.Second // they hold more connections than there are files
		}
		for range callers {
			wg.Go(func() {
				for wait := rand.N(pause); !stopped(wait); wait = pause {
					attack(name)
				}
			})
		}
	}
	// A probe asks on a connection of its own each time, as a load balancer may.
	var slowest, failures atomic.Int64
	probe := &http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	wg.Go(func() {
		for !stopped(100 * time.Millisecond) {
			began := time.Now()
			if err := b.healthy(probe, "/healthz"); err != nil {
				failures.Add(1)
				t.Logf("the probe after %v: %v", time.Since(began).Round(time.Millisecond), err)
			}
			slowest.Store(max(slowest.Load(), int64(time.Since(began))))
		}
	})
	accepted := make(map[uint64]bool)
	wg.Go(func() {
		client := &http.Client{Timeout: 10 * time.Second}
		for n := uint64(1); !stopped(10 * time.Millisecond); n++ {
			body := fmt.Sprintf(`[{"epc":%q,"read_point":"handheld-1","zone":"shelf-a"}]`, crashItem(n).Hex())
			req, _ := http.NewRequest("POST", "http://"+b.addr+"/v1/sites/umberhithe/reads", strings.NewReader(body))
			req.Header.Set("Content-Type", "application/json")
			req.Header.Set("Authorization", "Bearer "+reader)
			resp, err := client.Do(req)
			if err != nil {
				b.count("a reader", "no answer")
				continue
			}
			resp.Body.Close()
			b.count("a reader", strconv.Itoa(resp.StatusCode))
			if resp.StatusCode == http.StatusAccepted {
				accepted[n] = true
			}
		}
	})
	most := 0
	for began := time.Now(); time.Since(began) < length; time.Sleep(50 * time.Millisecond) {
		most = max(most, b.memory("VmRSS"))
	}
	close(stop)
	wg.Wait()

	known := make(map[string]bool)
	for next := ""; ; {
		req, _ := http.NewRequest("GET", "http://"+b.addr+"/v1/sites/umberhithe/items?limit=1000&cursor="+url.QueryEscape(next), nil)
		req.Header.Set("Authorization", "Bearer "+b.key)
		resp, err := b.client.Do(req)
		require.NoError(t, err)
		var page struct {
			Items []struct{ Item string }
			Next  string
		}
		require.NoError(t, json.NewDecoder(resp.Body).Decode(&page))
		resp.Body.Close()
		for _, i := range page.Items {
			known[i.Item] = true
		}
		if next = page.Next; next == "" {
			break
		}
	}
	lost := 0
	for n := range accepted {
		if !known[crashItem(n).KeyText()] {
			lost++
		}
	}
	b.tally.Range(func(k, v any) bool { t.Logf("%-32s %6d", k, v.(*atomic.Int64).Load()); return true })
	t.Logf("for %v: %d reads acknowledged, %d lost; /healthz at most %v, %d failures; resident %d MB, at most %d MB", length, len(accepted), lost,
		time.Duration(slowest.Load()).Round(time.Millisecond), failures.Load(), most>>10, b.memory("VmHWM")>>10)
	require.NotEmpty(t, accepted)
	require.Zero(t, lost)
	require.Zero(t, failures.Load())
	require.Less(t, b.memory("VmHWM"), hostileMemory)
	require.Less(t, time.Duration(slowest.Load()), time.Second)
}
