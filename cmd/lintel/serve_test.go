package main

import (
	"bytes"
	"encoding/json"
	"io"
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
		kong.Configuration(kong.JSON), kong.Exit(func(int) { t.Fatal("exit") }))
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

func TestTrialFlagsThatAreRefused(t *testing.T) {
	for args, want := range map[string]string{
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
