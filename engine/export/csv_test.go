package export

import (
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/event"
)

var rewrite = flag.Bool("rewrite", false, "write the golden files anew")

func newExporter(t testing.TB, r *rig, change ...func(*Options)) *Exporter {
	opt := Options{Dir: filepath.Join(t.TempDir(), "out"), Store: r.store, Runner: r.run, Now: r.clock,
		Log: slog.New(slog.DiscardHandler), Registry: prometheus.NewRegistry()}
	for _, f := range change {
		f(&opt)
	}
	e, err := New(opt)
	require.NoError(t, err)
	return e
}

// value reads a counter or gauge.
func value(t testing.TB, m prometheus.Metric) float64 {
	t.Helper()
	var out dto.Metric
	require.NoError(t, m.Write(&out))
	return out.GetCounter().GetValue() + out.GetGauge().GetValue()
}

func read(t testing.TB, e *Exporter, name string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(e.opt.Dir, filepath.FromSlash(name)))
	require.NoError(t, err)
	return string(b)
}

// The files of a morning at Umberhithe Books are those of testdata/umberhithe-books, which is the
// example of the manual.
func TestGolden(t *testing.T) {
	r := newRig(t)
	r.aDay()
	e := newExporter(t, r)
	m, err := e.Export(context.Background())
	require.NoError(t, err)
	names := []string{"manifest.json"}
	for _, f := range m.Files {
		names = append(names, f.Path)
	}
	require.Equal(t, []string{
		"manifest.json", "products.csv", "umberhithe/alerts.csv", "umberhithe/counts.csv", "umberhithe/facts-2026-03-02.csv",
		"umberhithe/items.csv", "umberhithe/stock.csv",
	}, names)
	for _, name := range names {
		golden := filepath.Join("testdata", "umberhithe-books", filepath.FromSlash(name))
		got := read(t, e, name)
		if *rewrite {
			require.NoError(t, os.MkdirAll(filepath.Dir(golden), 0o755))
			require.NoError(t, os.WriteFile(golden, []byte(got), 0o644))
		}
		want, err := os.ReadFile(golden)
		require.NoError(t, err)
		require.Equal(t, string(want), got, "%s differs; if it should, run go test ./engine/export -run Golden -rewrite", name)
	}
	// What is unfinished has no place there, and nobody but the group reads along.
	left, err := filepath.Glob(filepath.Join(e.opt.Dir, "*", tempMark+"*"))
	require.NoError(t, err)
	require.Empty(t, left)
	info, err := os.Stat(filepath.Join(e.opt.Dir, "umberhithe", "items.csv"))
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o640), info.Mode().Perm())
}

// rows reads a file with the standard library's reader, which is not the writer of these files, as
// maps by column.
func rows(t testing.TB, text string) []map[string]string {
	t.Helper()
	list, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	require.NoError(t, err)
	require.NotEmpty(t, list)
	var out []map[string]string
	for _, rec := range list[1:] {
		m := map[string]string{}
		for i, v := range rec {
			m[list[0][i]] = v
		}
		out = append(out, m)
	}
	return out
}

// Each check here is worked out by hand from what the morning was.
func TestFilesSayWhatHappened(t *testing.T) {
	r := newRig(t)
	r.aDay()
	e := newExporter(t, r)
	_, err := e.Export(context.Background())
	require.NoError(t, err)

	items := rows(t, read(t, e, "umberhithe/items.csv"))
	require.Len(t, items, 7, "six books and a tag from elsewhere")
	sold := map[string]map[string]string{}
	for _, it := range items {
		sold[it["item"]] = it
	}
	lost := sold["(01)09521234000013(21)2"]
	require.Empty(t, lost["zone"], "the count told it as missing: it is nowhere known")
	require.Equal(t, "shelf-a", lost["from_zone"])
	require.Equal(t, "09521234000013", lost["gtin"], "leading zeros stay")
	require.Equal(t, "The Tide Table", lost["name"])
	back := sold["(01)09521234000013(21)3"]
	require.Equal(t, "sellable_accessible", back["disposition"], "sold, brought back and on the shelf")
	require.Equal(t, "shelf-a", back["zone"])
	require.Equal(t, "Low Water, High Sands", sold["(01)09521234000020(21)2"]["name"], "a separator in a name")
	foreign := sold["urn:epc:raw:96.xE2801160600002095A010203"]
	require.Equal(t, "true", foreign["foreign_tag"])
	require.Empty(t, foreign["gtin"])

	stock := map[string]string{}
	for _, s := range rows(t, read(t, e, "umberhithe/stock.csv")) {
		stock[s["sku"]+" "+s["place"]] = s["pieces"] + " of " + s["minimum"] + "-" + s["maximum"] + " short " + s["short"]
	}
	require.Equal(t, map[string]string{
		"UB-1001 shelf-a": "2 of 2- short 0", "UB-1001 front-tables": "0 of 1-4 short 1", "UB-1001 kind:shelf": "2 of 3- short 1",
		"UB-1002 shelf-b": "1 of 1- short 0", "UB-1003 shelf-a": "1 of - short 0",
	}, stock)

	counts := rows(t, read(t, e, "umberhithe/counts.csv"))
	require.Len(t, counts, 2)
	require.Equal(t, "closed", counts[0]["status"])
	require.Equal(t, []string{"2", "1", "1", "1"}, []string{counts[0]["expected"], counts[0]["matched"],
		counts[0]["missing"], counts[0]["unexpected"]})
	require.Equal(t, "open", counts[1]["status"])
	require.Equal(t, "shelf-b|stockroom", counts[1]["zones"])
	require.Empty(t, counts[1]["expected"])

	var closed []map[string]string
	for _, a := range rows(t, read(t, e, "umberhithe/alerts.csv")) {
		if a["status"] == "closed" {
			closed = append(closed, a)
		}
	}
	require.Len(t, closed, 1)
	require.Equal(t, "unpaid-at-door", closed[0]["rule"])
	require.Equal(t, "(01)09521234000020(21)1", closed[0]["item"])
	require.Equal(t, "out", closed[0]["direction"])
	require.Equal(t, "false", closed[0]["outcome"])
	require.Equal(t, `paid at the market stall, "cash"; nobody was stopped`, closed[0]["note"])
	require.Equal(t, "floor manager", closed[0]["acknowledged_by"])

	causes := map[string]int{}
	last := [2]int64{}
	for _, f := range rows(t, read(t, e, "umberhithe/facts-2026-03-02.csv")) {
		causes[f["cause"]]++
		ms, err := strconv.ParseInt(f["fact_ms"], 10, 64)
		require.NoError(t, err)
		n, err := strconv.ParseInt(f["fact_n"], 10, 64)
		require.NoError(t, err)
		require.True(t, ms > last[0] || ms == last[0] && n > last[1], "in the order of their ids")
		last = [2]int64{ms, n}
		_, err = time.Parse(time.RFC3339, f["at"])
		require.NoError(t, err)
	}
	for cause, n := range map[string]int{"received": 6, "sold": 1, "returned": 1, "passed": 1, "missing": 1, "counted": 1, "foreign": 1} {
		require.Equal(t, n, causes[cause], cause)
	}

	// The product list can be read back as it was.
	c, bad := catalog.ParseCSV(strings.NewReader(read(t, e, "products.csv")), catalog.CSVOptions{})
	require.Empty(t, bad)
	require.Equal(t, 3, c.Len())
	require.Equal(t, "A. Quill", c.At(0).Attributes["author"])
}

func TestManifestTellsWhatIsThere(t *testing.T) {
	r := newRig(t)
	r.aDay()
	e := newExporter(t, r)
	m, err := e.Export(context.Background())
	require.NoError(t, err)
	var stored Manifest
	require.NoError(t, json.Unmarshal([]byte(read(t, e, "manifest.json")), &stored))
	require.Equal(t, m, stored)
	require.Equal(t, event.Notice, stored.Notice)
	var seq uint64
	r.view(func(st *engine.State) { seq = st.Seq() })
	for _, f := range m.Files {
		text := read(t, e, f.Path)
		require.Len(t, text, int(f.Bytes))
		sum := sha256.Sum256([]byte(text))
		require.Equal(t, hex.EncodeToString(sum[:]), f.SHA256)
		require.Len(t, rows(t, text), f.Rows, f.Path)
		if f.Site != "" && f.Rows > 0 {
			require.Equal(t, Cursor{seq, seq}, *f.Cursor, "%s: a quiet site is one cut", f.Path)
		}
	}
	require.Equal(t, 1.0, value(t, e.metrics.Runs.WithLabelValues("ok")))
	require.Equal(t, 0.0, value(t, e.metrics.Runs.WithLabelValues("failed")))
}

// Days that are over are written once; the day that goes on is written again.
func TestFactsByDay(t *testing.T) {
	r := newRig(t)
	e := newExporter(t, r, func(o *Options) { o.FactsKeep = 10 * 24 * time.Hour })
	export := func() Manifest {
		m, err := e.Export(context.Background())
		require.NoError(t, err)
		return m
	}
	complete := func(m Manifest) map[string]bool {
		days := map[string]bool{}
		for _, f := range m.Files {
			if _, ok := factsDay(f.Path); ok {
				days[f.Path] = f.Complete
			}
		}
		return days
	}
	require.Empty(t, complete(export()))
	r.shelve("shelf-a", book(1, 1))
	require.Equal(t, map[string]bool{"umberhithe/facts-2026-03-02.csv": false}, complete(export()))
	require.Len(t, rows(t, read(t, e, "umberhithe/facts-2026-03-02.csv")), 2, "it arrived, and the stock of the shelf")
	r.pass(time.Minute)
	r.shelve("shelf-b", book(1, 1))
	r.pass(48 * time.Hour)
	export()
	require.Len(t, rows(t, read(t, e, "umberhithe/facts-2026-03-02.csv")), 5)
	r.shelve("shelf-a", book(1, 2))
	r.pass(24 * time.Hour)
	r.shelve("shelf-a", book(1, 3))
	days := map[string]bool{"umberhithe/facts-2026-03-02.csv": true, "umberhithe/facts-2026-03-04.csv": true,
		"umberhithe/facts-2026-03-05.csv": false}
	require.Equal(t, days, complete(export()))

	// A day that is complete is left alone, whatever became of the file.
	first := filepath.Join(e.opt.Dir, "umberhithe", "facts-2026-03-02.csv")
	require.NoError(t, os.WriteFile(first, []byte("mine\n"), 0o600))
	require.Equal(t, days, complete(export()))
	require.Equal(t, "mine\n", read(t, e, "umberhithe/facts-2026-03-02.csv"))

	// Without its manifest an exporter writes all days that are kept.
	require.NoError(t, os.Remove(filepath.Join(e.opt.Dir, "manifest.json")))
	require.Equal(t, days, complete(export()))
	require.Len(t, rows(t, read(t, e, "umberhithe/facts-2026-03-02.csv")), 5)

	// Files go when facts do.
	r.pass(9 * 24 * time.Hour)
	require.Equal(t, map[string]bool{"umberhithe/facts-2026-03-04.csv": true, "umberhithe/facts-2026-03-05.csv": false}, complete(export()))
	require.NoFileExists(t, first)
}

// A file that can't be written is named, keeps its last good version, and does not keep the others
// from being written.
func TestOneFileFails(t *testing.T) {
	r := newRig(t)
	r.shelve("shelf-a", book(1, 1))
	e := newExporter(t, r)
	before, err := e.Export(context.Background())
	require.NoError(t, err)
	target := filepath.Join(e.opt.Dir, "umberhithe", "stock.csv")
	require.NoError(t, os.Remove(target))
	require.NoError(t, os.MkdirAll(filepath.Join(target, "in-the-way"), 0o755))
	r.pass(time.Minute)
	r.shelve("shelf-a", book(1, 2))
	after, err := e.Export(context.Background())
	require.ErrorContains(t, err, "umberhithe/stock.csv")
	require.Equal(t, []string{"umberhithe/stock.csv"}, after.Failed)
	old, _ := before.file("umberhithe/stock.csv")
	kept, _ := after.file("umberhithe/stock.csv")
	require.Equal(t, old, kept)
	require.Len(t, rows(t, read(t, e, "umberhithe/items.csv")), 2)
	left, err := filepath.Glob(filepath.Join(e.opt.Dir, "umberhithe", tempMark+"*"))
	require.NoError(t, err)
	require.Empty(t, left)

	require.NoError(t, os.RemoveAll(target))
	after, err = e.Export(context.Background())
	require.NoError(t, err)
	require.Empty(t, after.Failed)
}

// Whoever reads while exports run sees whole files: as many rows as some manifest said.
func TestReadersNeverSeeHalfAFile(t *testing.T) {
	r := newRig(t)
	e := newExporter(t, r)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() {
		defer close(done)
		whole := regexp.MustCompile(`(?s)\Asite,item.*\r\n\z`)
		for ctx.Err() == nil {
			b, err := os.ReadFile(filepath.Join(e.opt.Dir, "umberhithe", "items.csv"))
			if os.IsNotExist(err) {
				continue
			}
			if err != nil {
				done <- err
				return
			}
			if n := strings.Count(string(b), "\r\n") - 1; !whole.Match(b) || n%50 != 0 {
				done <- fmt.Errorf("saw a file of %d rows that ends in %q", n, b[max(0, len(b)-20):])
				return
			}
		}
	}()
	for batch := range 6 {
		entry := r.reads("handheld-1", "shelf-a", -50)
		for i := range 50 {
			entry.Reads = append(entry.Reads, event.Read{Key: book(1+i%3, 1000*batch+i), Zone: 1, RSSI: -500, N: 1,
				T: r.clock().UnixMilli()})
		}
		r.add(entry)
		_, err := e.Export(context.Background())
		require.NoError(t, err)
	}
	cancel()
	require.NoError(t, <-done)
}

func TestWhatAKilledRunLeftIsRemoved(t *testing.T) {
	r := newRig(t)
	e := newExporter(t, r)
	require.NoError(t, os.MkdirAll(filepath.Join(e.opt.Dir, "umberhithe"), 0o755))
	for _, name := range []string{tempMark + "1", "umberhithe/" + tempMark + "2"} {
		require.NoError(t, os.WriteFile(filepath.Join(e.opt.Dir, name), []byte("half"), 0o600))
	}
	_, err := e.Export(context.Background())
	require.NoError(t, err)
	for _, name := range []string{tempMark + "1", "umberhithe/" + tempMark + "2"} {
		require.NoFileExists(t, filepath.Join(e.opt.Dir, name))
	}
}

// A manifest that somebody edited makes the exporter remove nothing outside of its directory.
func TestManifestIsNotTrusted(t *testing.T) {
	r := newRig(t)
	e := newExporter(t, r)
	_, err := e.Export(context.Background())
	require.NoError(t, err)
	outside := filepath.Join(filepath.Dir(e.opt.Dir), "facts-2000-01-01.csv")
	require.NoError(t, os.WriteFile(outside, []byte("not ours"), 0o600))
	b, err := json.Marshal(Manifest{Version: 1, Files: []File{{Path: "../facts-2000-01-01.csv"}}})
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(e.opt.Dir, "manifest.json"), b, 0o600))
	_, err = e.Export(context.Background())
	require.NoError(t, err)
	require.FileExists(t, outside)
	for _, bad := range []string{"{", `{"version":7}`, ""} {
		require.NoError(t, os.WriteFile(filepath.Join(e.opt.Dir, "manifest.json"), []byte(bad), 0o600))
		_, err = e.Export(context.Background())
		require.NoError(t, err, "a manifest that can't be read is written anew")
	}
}

func TestFormulasAreDefusedOnDemand(t *testing.T) {
	r := newRig(t)
	r.shelve("shelf-a", book(3, 1))
	e := newExporter(t, r)
	_, err := e.Export(context.Background())
	require.NoError(t, err)
	require.Equal(t, `=HYPERLINK("")`, rows(t, read(t, e, "umberhithe/items.csv"))[0]["name"])
	e.opt.Defuse = true
	_, err = e.Export(context.Background())
	require.NoError(t, err)
	require.Equal(t, `'=HYPERLINK("")`, rows(t, read(t, e, "umberhithe/items.csv"))[0]["name"])
}

func TestRunExportsAtOnceAndEveryInterval(t *testing.T) {
	r := newRig(t)
	e := newExporter(t, r, func(o *Options) { o.Every = time.Second })
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); e.Run(ctx) }()
	require.Eventually(t, func() bool { return value(t, e.metrics.Runs.WithLabelValues("ok")) >= 2 }, time.Minute, 10*time.Millisecond)
	cancel()
	<-done
	for _, bad := range []Options{{}, {Dir: "x", Every: time.Millisecond}} {
		_, err := New(bad)
		require.Error(t, err)
	}
}
