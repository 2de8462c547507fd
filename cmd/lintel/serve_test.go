package main

import (
	"bytes"
	"encoding/json"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/alecthomas/kong"
	"github.com/stretchr/testify/require"

	"lintel/api"
	"lintel/api/app"
	"lintel/engine/trial"
)

// serveFlags reads the flags of lintel serve as a call does.
func serveFlags(t *testing.T, args ...string) (serveCmd, error) {
	var c cli
	parser, err := kong.New(&c, kong.Name("lintel"), kong.Writers(io.Discard, io.Discard),
		kong.Configuration(readConfig), durations, kong.Exit(func(int) { t.Fatal("exit") }))
	require.NoError(t, err)
	_, err = parser.Parse(append([]string{"serve", "--data", "x"}, args...))
	return c.Serve, err
}

// The limits of trials can be set by flag, variable or file; left alone they are what the API has
// without them.
func TestTrialFlags(t *testing.T) {
	type limits struct {
		Limit, Alerts, Facts int
		Time                 time.Duration
	}
	of := func(args ...string) limits {
		c, err := serveFlags(t, args...)
		require.NoError(t, err)
		opt, err := c.options()
		require.NoError(t, err)
		return limits{opt.TrialLimit, opt.TrialAlerts, opt.TrialFacts, opt.TrialTime}
	}
	require.Equal(t, limits{0, trial.DefaultMaxAlerts, api.DefaultTrialFacts, api.DefaultTrialTime}, of())
	require.Equal(t, limits{0, 50_000, 50_000_000, time.Minute}, of())
	require.Equal(t, limits{3, 10, 20, 90 * time.Second}, of("--trial-limit", "3", "--trial-alerts", "10",
		"--trial-facts", "20", "--trial-time", "90s"))

	file := filepath.Join(t.TempDir(), "lintel.json")
	require.NoError(t, os.WriteFile(file, []byte(`{"trial_alerts": 7, "trial_time": "2m"}`), 0o600))
	require.Equal(t, limits{0, 7, 50_000_000, 2 * time.Minute}, of("--config", file))
	t.Setenv("LINTEL_TRIAL_LIMIT", "1")
	t.Setenv("LINTEL_TRIAL_FACTS", "5")
	t.Setenv("LINTEL_TRIAL_TIME", "5s")
	t.Setenv("LINTEL_TRIAL_ALERTS", "9")
	require.Equal(t, limits{1, 9, 5, 5 * time.Second}, of())
}

func TestFlagsThatAreRefused(t *testing.T) {
	for args, want := range map[string]string{
		"--tls-cert=x":             "--tls-cert and --tls-key belong together",
		"--alerts-keep=24h":        "--alerts-keep is 24h0m0s: at least 192h0m0s (8d) is needed",
		"--facts-keep=30":          "\"30\" is no length of time: write it like 90s, 15m, 48h or 30d",
		"--facts-keep=-1h":         "can't be negative",
		"--listen=8470":            "write an address and a port, like 127.0.0.1:8470, or :8470 for every address",
		"--listen=localhost":       "write an address and a port, like 127.0.0.1:8470",
		"--lease=500ms":            "--lease is 500ms: it goes from 1s to 5m",
		"--drain=2m":               "--drain is 2m0s: it goes from 0s to 1m",
		"--trial-limit=-1":         "--trial-limit is -1: it goes from 1 to 1024, and 0 is half of the processors",
		"--trial-limit=1025":       "--trial-limit is 1025",
		"--trial-time=0s":          "--trial-time is 0s: it goes from 1s to 24h0m0s",
		"--trial-time=25h":         "--trial-time is 25h0m0s",
		"--trial-time=soon":        "--trial-time",
		"--trial-alerts=0":         "--trial-alerts is 0: it goes from 1 to 10000000",
		"--trial-alerts=100000000": "--trial-alerts is 100000000",
		"--trial-facts=0":          "--trial-facts is 0: at least 1 is needed",
	} {
		_, err := serveFlags(t, args)
		require.ErrorContains(t, err, want, args)
		var out, bad bytes.Buffer
		require.Equal(t, 2, run(streams{t.Context(), strings.NewReader(""), &out, &bad}, []string{"serve", "--data", t.TempDir(), args}))
		require.Contains(t, bad.String(), want)
	}
}

// What was set is what a trial on the server goes by.
func TestTrialLimitsHold(t *testing.T) {
	s := serveShop(t, app.Options{Data: t.TempDir(), TrialFacts: 1}, "")
	defer s.stop()
	s.do("PUT", "/v1/sites/umberhithe/layout", "application/json", crashLayout, 201)
	s.do("PUT", "/v1/rules", "application/yaml", crashRules, 201)
	for _, zone := range []string{"shelf-a", "shelf-b"} {
		s.do("POST", "/v1/sites/umberhithe/reads?wait=10s", "application/json", `[{"epc":"`+crashItem(1).Hex()+
			`","read_point":"handheld-1","zone":"`+zone+`"}]`, 200)
	}
	lines := bytes.Split(bytes.TrimSpace(s.do("POST", "/v1/rules/on-shelf-b/trial", "", "", 200)), []byte("\n"))
	var result struct {
		Type    string `json:"type"`
		Stopped string `json:"stopped"`
	}
	require.NoError(t, json.Unmarshal(lines[len(lines)-1], &result))
	require.Equal(t, "result", result.Type)
	require.Equal(t, string(trial.StoppedFacts), result.Stopped)
}

// Days are written as in rules, by flag, variable and file.
func TestLengthsOfTimeTakeDays(t *testing.T) {
	file := filepath.Join(t.TempDir(), "lintel.json")
	require.NoError(t, os.WriteFile(file, []byte(`{"facts_keep": "30d", "lease": "10s"}`), 0o600))
	t.Setenv("LINTEL_ALERTS_KEEP", "10d12h")
	c, err := serveFlags(t, "--config", file, "--journal-keep", "2d")
	require.NoError(t, err)
	opt, err := c.options()
	require.NoError(t, err)
	require.Equal(t, []time.Duration{30 * 24 * time.Hour, 252 * time.Hour, 48 * time.Hour, 10 * time.Second},
		[]time.Duration{opt.FactsKeep, opt.AlertsKeep, opt.JournalKeep, opt.Lease})
}

// What is wrong with a configuration file is said with its place.
func TestConfigurationFilesThatAreRefused(t *testing.T) {
	file := filepath.Join(t.TempDir(), "lintel.json")
	for text, want := range map[string]string{
		`{"lissten": "127.0.0.1:1"}`:           `lintel.json: there is no setting "lissten"; did you mean "listen"?`,
		"{\n  \"listen\": \"127.0.0.1:1\",\n}": "lintel.json:3: invalid character '}'",
		"{\n":                                  "lintel.json:1: unexpected end of JSON input",
		`{"alerts-keep": "10d"}`:               `there is no setting "alerts-keep"; did you mean "alerts_keep"?`,
		`["x"]`:                                "lintel.json:1: json: cannot unmarshal array",
		`{"facts_keep": 30}`:                   "30 is no length of time: write it with its unit",
		`{"facts_keep": "30d"` + strings.Repeat(" ", maxConfig) + `}`: "more than 1048576 bytes",
	} {
		require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
		var out, bad bytes.Buffer
		require.Equal(t, 2, run(streams{t.Context(), strings.NewReader(""), &out, &bad}, []string{"serve", "--config", file, "--data", t.TempDir()}))
		require.Contains(t, bad.String(), want)
	}
	require.NoError(t, os.WriteFile(file, []byte(`{"factsKeep": "31d", "alerts_keep": "10d"}`), 0o600))
	c, err := serveFlags(t, "--config", file)
	require.NoError(t, err)
	require.Equal(t, 31*24*time.Hour, c.FactsKeep)
}

// The line that a start logs says what an operator asks first, and no password.
func TestStartSaysWhatRuns(t *testing.T) {
	var log bytes.Buffer
	before := slog.Default()
	defer slog.SetDefault(before)
	slog.SetDefault(slog.New(slog.NewJSONHandler(&log, nil)))
	c, err := serveFlags(t, "--listen", ":8470", "--allow-cidr", "10.1.0.0/16", "--allow-cidr", "10.2.0.0")
	require.NoError(t, err)
	c.Data, c.Redis = "", "redis://:hush@store:6379"
	opt, err := c.options()
	require.NoError(t, err)
	c.logStart("http://[::]:8470", opt.AllowCIDRs)
	require.Contains(t, log.String(), `"version":"`)
	require.Contains(t, log.String(), `"store":"redis://store:6379","allowed_networks":["10.1.0.0/16","10.2.0.0/32"]`)
	require.Contains(t, log.String(), "allows one address alone")
	require.Contains(t, log.String(), "in clear text unless a proxy with TLS is in front")
	require.NotContains(t, log.String(), "hush")
	log.Reset()
	c.Listen = "127.0.0.1:8470"
	c.logStart("http://127.0.0.1:8470", nil)
	require.NotContains(t, log.String(), "clear text")
}

// A server that is about to stop says so, and answers all else as before; a probe sees it.
func TestDrainAndHealth(t *testing.T) {
	s := serveShop(t, app.Options{Data: t.TempDir(), Version: "1.2.3"}, "")
	defer s.stop()
	health := func(args ...string) (int, string) {
		var out, bad bytes.Buffer
		code := run(streams{t.Context(), strings.NewReader(""), &out, &bad}, append([]string{"health", "--server", s.app.URL()}, args...))
		return code, out.String() + bad.String()
	}
	code, said := health()
	require.Equal(t, 0, code, said)
	require.Contains(t, string(s.do("GET", "/metrics", "", "", 200)), `lintel_build_info{goversion="go1`)
	require.Contains(t, string(s.do("GET", "/metrics", "", "", 200)), `version="1.2.3"} 1`)
	require.Contains(t, string(s.do("GET", "/openapi.json", "", "", 200)), `"version":"1.2.3"`)
	started := time.Now()
	s.app.Drain(300 * time.Millisecond)
	require.GreaterOrEqual(t, time.Since(started), 300*time.Millisecond)
	require.Contains(t, string(s.do("GET", "/readyz", "", "", 503)), `"stopping"`)
	s.do("GET", "/v1/sites", "", "", 200)
	code, said = health()
	require.Equal(t, 1, code)
	require.Contains(t, said, "503")
	code, _ = health("--live")
	require.Equal(t, 0, code)
	code, _ = health("--wait", "250ms")
	require.Equal(t, 1, code)
}
