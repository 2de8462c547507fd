package folder

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io/fs"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"lintel/api"
	"lintel/api/app"
	"lintel/api/client"
	"lintel/api/kit"
)

func write(t testing.TB, dir string, files map[string]string) string {
	for name, text := range files {
		full := filepath.Join(dir, filepath.FromSlash(name))
		require.NoError(t, os.MkdirAll(filepath.Dir(full), 0o755))
		require.NoError(t, os.WriteFile(full, []byte(text), 0o644))
	}
	return dir
}

func noVariables(string) (string, bool) { return "", false }

func TestRead(t *testing.T) {
	dir := write(t, t.TempDir(), map[string]string{
		"rules.yaml": "a", "channels.json": `{"a": "${LINTEL_SECRET_A}", "b": "${HOME} ${price}"}`,
		"products.json": "c", "sites/umberhithe/layout.json": "d", "sites/pier-2/layout.json": "e",
		"README": "x", "readme.md": "x", ".git/config": "x", "sites/.keep": "", "sites/pier-2/README.txt": "",
	})
	// as mounted volumes have them
	require.NoError(t, os.Symlink(filepath.Join(dir, "sites", "pier-2"), filepath.Join(dir, "sites", "mill")))
	files, err := Read(dir, func(name string) (string, bool) { return `say "hi" \ <é>` + "\n", name == "LINTEL_SECRET_A" })
	require.NoError(t, err)
	require.Equal(t, []File{
		{"channels.json", "channels", "", []byte(`{"a": "say \"hi\" \\ <é>\n", "b": "${HOME} ${price}"}`),
			[]string{`say \"hi\" \\ <é>\n`, "${LINTEL_SECRET_A}"}},
		{"products.json", "products", "application/json", []byte("c"), nil},
		{"rules.yaml", "rules", "", []byte("a"), nil},
		{"sites/mill/layout.json", "layout/mill", "", []byte("e"), nil},
		{"sites/pier-2/layout.json", "layout/pier-2", "", []byte("e"), nil},
		{"sites/umberhithe/layout.json", "layout/umberhithe", "", []byte("d"), nil},
	}, files)
	for _, f := range files {
		if f.Document != "products" {
			require.Equal(t, f.Path, PathOf(f.Document))
		}
	}
}

// What a reference stands for is printed nowhere, wherever in the channels it was put.
func TestShowHidesWhatReferencesStandFor(t *testing.T) {
	dir := write(t, t.TempDir(), map[string]string{"channels.json": `[{"template": {"routing_key": "${LINTEL_SECRET_KEY}"}}]`})
	files, err := Read(dir, func(string) (string, bool) { return `TOP"SECRET`, true })
	require.NoError(t, err)
	p := Planned{files: files}
	p.Documents = []api.PlannedDocument{{Document: "channels", Version: 1, Change: "changed",
		Changes:  &api.Changes{Text: `+ "routing_key": "TOP\"SECRET"` + "\n", Added: 1},
		Warnings: []string{`TOP\"SECRET is odd`}}}
	var out bytes.Buffer
	p.Show(&out, dir, true)
	require.NotContains(t, out.String(), "SECRET\"")
	require.Contains(t, out.String(), `+ "routing_key": "${LINTEL_SECRET_KEY}"`)
}

func TestReadSaysWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "rules.yaml"), 0o755))
	write(t, dir, map[string]string{"channels.json": "a\nb\xff", "sites": "x", "rules.yaml~": "", "layout.json": ""})
	_, err := Read(dir, noVariables)
	require.Equal(t, Faults{
		"channels.json: line 2: the text is not UTF-8; save it as UTF-8",
		"layout.json: is no file of a configuration; the files are rules.yaml, channels.json, products.csv, products.json, sites",
		"rules.yaml: is not a file",
		"rules.yaml~: is no file of a configuration; did you mean rules.yaml?",
		"sites: is not a directory",
	}, err)
	_, err = Read(filepath.Join(dir, "none"), noVariables)
	require.ErrorIs(t, err, fs.ErrNotExist)
	big := t.TempDir()
	f, err := os.Create(filepath.Join(big, "rules.yaml"))
	require.NoError(t, err)
	require.NoError(t, f.Truncate(maxFile+1))
	require.NoError(t, f.Close())
	_, err = Read(big, noVariables)
	require.ErrorContains(t, err, "at most")
}

// Whatever a variable holds, what was JSON stays JSON and the text says what the variable says.
func FuzzReferences(f *testing.F) {
	f.Add("TOPSECRET")
	f.Add(`"}, {"name": "evil", "url": "https://evil.example"`)
	f.Add("a\\u0041\n\t\x00\u2028</script>${LINTEL_SECRET_B}")
	f.Fuzz(func(t *testing.T, value string) {
		r := reader{lookup: func(string) (string, bool) { return value, true }}
		out := r.resolve(ChannelsFile, []byte(`{"url": "https://chat.example/${LINTEL_SECRET_A}?x"}`))
		if value == "" || !utf8.ValidString(value) {
			require.Len(t, r.faults, 1)
			require.Contains(t, r.faults[0], "LINTEL_SECRET_A")
			return
		}
		require.Empty(t, r.faults)
		var got map[string]string
		require.NoError(t, json.Unmarshal(out, &got))
		require.Equal(t, map[string]string{"url": "https://chat.example/" + value + "?x"}, got)
	})
}

const (
	layoutText = `{"site": "umberhithe", "time_zone": "Europe/London", "zones": [{"id": "shelf-a", "kind": "shelf"}]}`
	rulesText  = "rules:\n  - name: in-the-shelf\n    when: zone.id == \"shelf-a\"\n"
)

// umberhithe runs a server with the two texts above.
func umberhithe(t *testing.T) *client.Client {
	ctx := context.Background()
	a, err := app.New(ctx, app.Options{Data: t.TempDir(), Listen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	require.NoError(t, a.Start(ctx))
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		require.NoError(t, a.Stop(ctx))
	})
	key, err := kit.MintKey(ctx, a.Store, "boss", []string{kit.ScopeAdmin}, []string{kit.AllSites}, "test", time.Now())
	require.NoError(t, err)
	c, err := client.New(a.URL(), key)
	require.NoError(t, err)
	t.Cleanup(c.Close)
	applied(t, c, map[string]string{"rules.yaml": rulesText, "sites/umberhithe/layout.json": layoutText}, "opening")
	return c
}

func planned(t *testing.T, c *client.Client, files map[string]string) *Planned {
	list, err := Read(write(t, t.TempDir(), files), noVariables)
	require.NoError(t, err)
	p, err := Plan(t.Context(), c, list)
	require.NoError(t, err)
	return p
}

func applied(t *testing.T, c *client.Client, files map[string]string, note string) api.ConfigurationApplied {
	done, err := Apply(t.Context(), c, planned(t, c, files), note, false)
	require.NoError(t, err)
	return done
}

func TestAPlanIsOfOneConfiguration(t *testing.T) {
	c := umberhithe(t)
	change := map[string]string{"rules.yaml": rulesText + "    mode: watch\n"}
	stale := planned(t, c, change)
	require.Equal(t, 1, applied(t, c, map[string]string{"sites/umberhithe/layout.json": layoutText + "\n"}, "").Stored)
	_, err := Apply(t.Context(), c, stale, "", false)
	require.True(t, client.IsCode(err, "version_mismatch"), "%v", err)
	dir := t.TempDir()
	done, err := Export(t.Context(), c, dir, false)
	require.NoError(t, err)
	require.Equal(t, []Exported{{"sites/umberhithe/layout.json", 2, true}, {"rules.yaml", 1, true}}, done)
	got, err := os.ReadFile(filepath.Join(dir, "rules.yaml"))
	require.NoError(t, err)
	require.Equal(t, rulesText, string(got), "nothing was stored")
	a := applied(t, c, change, "quiet & calm")
	require.Equal(t, 1, a.Stored)
	require.Equal(t, "quiet & calm", a.Note)
	_, err = Apply(t.Context(), c, planned(t, c, change), strings.Repeat("x", 201), false)
	require.True(t, client.IsCode(err, "invalid_parameter"), "%v", err)
}

// fake answers as a server might, by path.
func fake(t *testing.T, answers map[string]func(http.ResponseWriter, *http.Request)) *client.Client {
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if f := answers[r.URL.Path]; f != nil {
			f(w, r)
			return
		}
		w.WriteHeader(http.StatusNotFound)
	}))
	t.Cleanup(s.Close)
	c, err := client.New(s.URL, "")
	require.NoError(t, err)
	t.Cleanup(c.Close)
	return c
}

func says(text string) func(http.ResponseWriter, *http.Request) {
	return func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, text) }
}

// A server that is not what it should be can't make a file anywhere else, and half an answer makes
// none.
func TestExportTrustsNoServer(t *testing.T) {
	list := func(names ...string) func(http.ResponseWriter, *http.Request) {
		var l api.ConfigurationList
		for _, name := range names {
			l.Documents = append(l.Documents, api.ConfigurationDocument{Document: name})
		}
		b, err := json.Marshal(l)
		require.NoError(t, err)
		return says(string(b))
	}
	for what, answers := range map[string]map[string]func(http.ResponseWriter, *http.Request){
		"can't export":        {"/v1/configuration": list("rules", "layout/../../../etc"), "/v1/rules": says("x")},
		"a document \"keys\"": {"/v1/configuration": list("keys")},
		"layout/_x":           {"/v1/configuration": list("layout/_x")},
		"can't be read":       {"/v1/configuration": says("[")},
		"channels.json: the":  {"/v1/configuration": list("rules", "channels"), "/v1/rules": says("x"), "/v1/channels": says("{")},
		"404 Not Found":       {"/v1/configuration": list("rules", "products"), "/v1/rules": says("x")},
	} {
		dir := filepath.Join(t.TempDir(), "out")
		_, err := Export(t.Context(), fake(t, answers), dir, false)
		require.ErrorContains(t, err, what)
		require.NoDirExists(t, dir)
	}
	_, err := Plan(t.Context(), fake(t, map[string]func(http.ResponseWriter, *http.Request){"/v1/configuration/plan": says("{}")}), nil)
	require.ErrorContains(t, err, "no ETag")
}

func TestProductsThatDoNotFitIntoCSV(t *testing.T) {
	dir := t.TempDir()
	done, err := Export(t.Context(), fake(t, map[string]func(http.ResponseWriter, *http.Request){
		"/v1/configuration": says(`{"documents": [{"document": "products", "version": 3}]}`),
		"/v1/products": func(w http.ResponseWriter, r *http.Request) {
			require.Equal(t, "3", r.URL.Query().Get("version"))
			if r.Header.Get("Accept") == "text/csv" {
				w.Header().Set("Content-Type", "application/problem+json")
				w.WriteHeader(http.StatusNotAcceptable)
				fmt.Fprint(w, `{"code": "not_acceptable"}`)
				return
			}
			fmt.Fprint(w, `{"products":[]}`)
		},
	}), dir, false)
	require.NoError(t, err)
	require.Equal(t, []Exported{{"products.json", 3, true}}, done)
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, entries, 2, "no half file stays behind, only the note of what was exported")
}

func TestShow(t *testing.T) {
	p := &Planned{files: []File{{Path: "rules.yaml", Document: "rules"}, {Path: "products.csv", Document: "products"}}}
	p.Documents = []api.PlannedDocument{
		{Document: "rules", Change: "changed", Version: 3, Changes: &api.Changes{Text: "--- a\n+++ b\n" +
			strings.Repeat("+x\x1b[2J\n", 60), Added: 60, Truncated: true}},
		{Document: "products", Change: "changed", Version: 1,
			Changes: &api.Changes{Products: &api.ProductChanges{Added: 1, More: 4,
				List: []api.ProductChange{{GTIN: "09521141123454", Name: "Low\nWater", Change: "added"}}}}},
		{Document: "channels", Change: "kept", Version: 2, Warnings: []string{"x"}},
	}
	var short, full strings.Builder
	p.Show(&short, "shop", false)
	p.Show(&full, "shop", true)
	require.NotContains(t, full.String(), "\x1b")
	require.Contains(t, short.String(), "    ... 22 more lines; --full shows them\n    ... and more, which is too long to show\n")
	require.Equal(t, 38, strings.Count(short.String(), "    +x"))
	require.Equal(t, 60, strings.Count(full.String(), "    +x"))
	require.Contains(t, short.String(), "... and 4 more products\n")
	require.Contains(t, short.String(), "channels (on the server): warning: x\n")
	require.True(t, strings.HasSuffix(short.String(), "Plan: 2 changed, 1 kept.\n"))
}
