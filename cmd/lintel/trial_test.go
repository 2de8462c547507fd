package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/app"
	"lintel/api/kit"
	"lintel/engine/trial"
)

// call runs lintel in this process.
func call(t *testing.T, args ...string) (code int, out, errs string) {
	var stdout, stderr bytes.Buffer
	code = run(streams{t.Context(), strings.NewReader(""), &stdout, &stderr}, args)
	return code, stdout.String(), stderr.String()
}

// The facts that a server exports come to the same on the command line as on the server.
func TestTrialOnTheExportAndOnTheServer(t *testing.T) {
	a, err := app.New(t.Context(), app.Options{Data: t.TempDir(), Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	require.NoError(t, a.Start(t.Context()))
	defer func() { require.NoError(t, a.Stop(context.WithoutCancel(t.Context()))) }()
	key, err := kit.MintKey(t.Context(), a.Store, "test", []string{kit.ScopeAdmin}, []string{kit.AllSites}, "test", time.Now())
	require.NoError(t, err)
	do := func(method, path, kind, body string) []byte {
		req, err := http.NewRequestWithContext(t.Context(), method, a.URL()+path, strings.NewReader(body))
		require.NoError(t, err)
		req.Header.Set("Authorization", "Bearer "+key)
		req.Header.Set("Content-Type", kind)
		resp, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		require.Less(t, resp.StatusCode, 300, "%s %s: %s", method, path, b)
		return b
	}
	const rule = "rules:\n  - name: came-to-b\n    when: cause == \"arrived\" and zone.id == \"shelf-b\"\n    say: " +
		"\"{product.name} came\"\n    gather: 1s\n"
	do("PUT", "/v1/sites/umberhithe/layout", "application/json", crashLayout)
	do("PUT", "/v1/products", "text/csv", "gtin,name\n9521234000013,The Tide Table\n")
	do("PUT", "/v1/rules", "application/yaml", rule)
	for round := range 3 {
		var reads []string
		for n := range 20 {
			reads = append(reads, fmt.Sprintf(`{"epc":"%s","read_point":"handheld-1","zone":"%s"}`,
				crashItem(uint64(n)).Hex(), []string{"shelf-a", "shelf-b"}[(n+round)%2]))
		}
		do("POST", "/v1/sites/umberhithe/reads?wait=5s", "application/json", "["+strings.Join(reads, ",")+"]")
	}
	// one for both: what happens in time with no facts belongs to a trial
	to := time.Now().Add(time.Millisecond).UTC().Format(time.RFC3339Nano)
	dir := t.TempDir()
	write := func(name string, body []byte) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, body, 0o600))
		return path
	}
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, err = z.Write(do("GET", "/v1/sites/umberhithe/facts.jsonl", "", ""))
	require.NoError(t, err)
	require.NoError(t, z.Close())
	files := []string{"--facts", write("facts.jsonl.gz", packed.Bytes()), "--layout",
		write("layout.json", do("GET", "/v1/sites/umberhithe/layout", "", "")), "--products",
		write("products.csv", []byte("gtin,name\n9521234000013,The Tide Table\n"))}
	tried := write("rules.yaml", []byte(strings.Replace(rule, "gather: 1s", "limit: 15 per 1h", 1)))

	type answer struct {
		trial.Report
		Alerts []trial.Alert `json:"alerts"`
	}
	result := func(args ...string) (ans answer) {
		code, out, errs := call(t, append([]string{"trial", tried, "--json", "--to", to}, args...)...)
		require.Zero(t, code, errs)
		require.Empty(t, errs, "no progress where there is no terminal")
		require.NoError(t, json.Unmarshal([]byte(out), &ans))
		return ans
	}
	onServer := result("--server", a.URL(), "--key", key)
	onFile := result(files...)
	require.Equal(t, onServer.Tried, onFile.Tried)
	require.Equal(t, onServer.Alerts, onFile.Alerts)
	require.Equal(t, onServer.Facts, onFile.Facts)
	require.Equal(t, 16, onFile.Tried.Raised, "fifteen, and one that stands for the others")
	require.Len(t, onFile.Alerts, 10)
	require.Equal(t, "The Tide Table came", onFile.Alerts[0].Say)
	require.False(t, onServer.Live.Same)
	require.NotZero(t, onServer.Recorded.Other)
}

func TestTrialAnswersThatBreakOff(t *testing.T) {
	for _, tt := range []struct {
		body, says string
		code       int
	}{
		{`{"type":"progress","facts":5}` + "\n", "broke off before its result", 3},
		{`{"type":"progress","facts":5}` + "\n" + `{"type":"resu`, "broke off before its result", 3},
		{`{"type":"problem","status":503,"detail":"The store can't serve now.","code":"unavailable"}`, "[503 unavailable]", 3},
		{`[]`, "can't be read", 3},
		{`{"type":"result","facts":"many"}`, "can't be read", 3},
		{`{"type":"something new"}` + "\n" + `{"type":"result","rule":"x"}`, "", 0},
	} {
		srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, tt.body) }))
		code, _, errs := call(t, "trial", "--rule", "x", "--server", srv.URL)
		srv.Close()
		require.Equal(t, tt.code, code, tt.body)
		require.Contains(t, errs, tt.says)
	}
}

func TestProgressLine(t *testing.T) {
	var out bytes.Buffer
	p := progressLine{w: &out, terminal: true}
	p.show(trial.Progress{Facts: 1_234_567, Share: 0.42, FactsPerSecond: 1_230_000, Raised: 1})
	p.show(trial.Progress{Facts: 2})
	p.clear()
	lines := strings.Split(out.String(), "\r")
	require.Equal(t, " 42 %  1234567 facts  1.2 million a second  1 alert", lines[1])
	require.Len(t, lines[2], len(lines[1]), "nothing of the longer line stays")
	require.Empty(t, strings.TrimSpace(lines[3]))
}
