package export

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"iter"
	"log/slog"
	"os"
	"path"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lintel/engine"
	"lintel/engine/catalog"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/sheet"
	"lintel/engine/store"
)

// Defaults of the options.
const (
	DefaultEvery     = 15 * time.Minute
	DefaultFactsKeep = 30 * 24 * time.Hour
)

// Options configure an Exporter. Dir, Store and Runner are needed.
type Options struct {
	Dir       string // made if it is not there
	Store     Store
	Runner    *runner.Runner
	Every     time.Duration         // default DefaultEvery
	FactsKeep time.Duration         // files of facts of days longer ago are removed; default DefaultFactsKeep
	Defuse    bool                  // put an apostrophe before texts that a spreadsheet would run as a formula
	Now       func() time.Time      // default time.Now
	Log       *slog.Logger          // default slog.Default
	Registry  prometheus.Registerer // nil: not measured
}

// Exporter writes CSV files. It is safe for concurrent use; runs follow one another.
type Exporter struct {
	opt     Options
	metrics csvMetrics
	mu      sync.Mutex // one run at a time
}

// New returns an Exporter that does not run yet. The directory is made by the first run.
func New(opt Options) (*Exporter, error) {
	if opt.Dir == "" {
		return nil, errors.New("export: no directory was given")
	}
	if opt.Every == 0 {
		opt.Every = DefaultEvery
	}
	if opt.Every < time.Second {
		return nil, fmt.Errorf("export: every %s: give 1s or more", opt.Every)
	}
	if opt.FactsKeep == 0 {
		opt.FactsKeep = DefaultFactsKeep
	}
	if opt.Now == nil {
		opt.Now = time.Now
	}
	if opt.Log == nil {
		opt.Log = slog.Default()
	}
	dir, err := filepath.Abs(opt.Dir)
	if err != nil {
		return nil, fmt.Errorf("export: %w", err)
	}
	opt.Dir = dir
	return &Exporter{opt: opt, metrics: newCSVMetrics(opt.Registry)}, nil
}

// Run exports at once and then every interval until ctx ends. What fails is logged, counted and
// tried again the next time.
func (e *Exporter) Run(ctx context.Context) {
	tick := time.NewTicker(e.opt.Every)
	defer tick.Stop()
	for {
		if _, err := e.Export(ctx); err != nil && ctx.Err() == nil {
			e.opt.Log.Error("the export is not complete; it will be tried again", "dir", e.opt.Dir, "err", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// Export writes everything once. Where one file fails the others are still written; the error then
// names all that failed, and the manifest keeps what it said of their last good versions.
func (e *Exporter) Export(ctx context.Context) (Manifest, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	began := time.Now()
	m, err := e.export(ctx)
	e.metrics.run(err, time.Since(began), m, e.opt.Now())
	return m, err
}

func (e *Exporter) export(ctx context.Context) (Manifest, error) {
	if err := os.MkdirAll(e.opt.Dir, 0o750); err != nil {
		return Manifest{}, fmt.Errorf("export: %w", err)
	}
	last, err := readManifest(e.opt.Dir)
	if err != nil {
		e.opt.Log.Warn("the manifest of the last export can't be read; all days that are kept are written again", "err", err)
	}
	r := run{Exporter: e, ctx: ctx, last: last, next: Manifest{Version: manifestVersion,
		At: e.opt.Now().UTC().Truncate(time.Millisecond), Notice: event.Notice}}
	r.sweepTemps(".")
	sites := e.opt.Runner.Sites()
	for _, s := range sites {
		if ctx.Err() != nil {
			return last, ctx.Err()
		}
		r.site(&source{store: e.opt.Store, site: s})
	}
	r.products(sites)
	r.carry()
	r.prune()
	r.next.sort()
	if err := r.write("manifest.json", func(w io.Writer) error { return r.next.encode(w) }, nil); err != nil {
		r.errs = append(r.errs, err)
	}
	return r.next, errors.Join(r.errs...)
}

// run is one export under way.
type run struct {
	*Exporter
	ctx  context.Context
	last Manifest
	next Manifest
	errs []error
}

// keep ends the writing of one file: it goes into the manifest as it is, or as it was if it failed.
func (r *run) keep(f File, err error) {
	if err != nil {
		r.errs = append(r.errs, fmt.Errorf("%s: %w", f.Path, err))
		r.next.Failed = append(r.next.Failed, f.Path)
		if old, ok := r.last.file(f.Path); ok {
			r.next.Files = append(r.next.Files, old)
		}
		return
	}
	f.At = r.opt.Now().UTC().Truncate(time.Millisecond)
	r.next.Files = append(r.next.Files, f)
}

// site writes the files of one site.
func (r *run) site(s *source) {
	if err := os.MkdirAll(filepath.Join(r.opt.Dir, s.id()), 0o750); err != nil {
		r.errs = append(r.errs, err)
		return
	}
	r.sweepTemps(s.id())
	r.table(s.id(), "items.csv", &itemsTable, func(yield func(page) error) error { return s.items(r.ctx, yield) })
	r.table(s.id(), "stock.csv", &stockTable, func(yield func(page) error) error { return s.stock(r.ctx, yield) })
	r.table(s.id(), "counts.csv", &countsTable, func(yield func(page) error) error {
		return s.counts(r.ctx, func(_ []string, p page) error { return yield(p) })
	})
	r.table(s.id(), "alerts.csv", &alertsTable, func(yield func(page) error) error {
		return s.alerts(r.ctx, func(_ []string, p page) error { return yield(p) })
	})
	r.facts(s)
}

// errStopped ends the reading of pages because the writer of rows has failed.
var errStopped = errors.New("stopped")

// table writes one table of one site.
func (r *run) table(site, name string, t *table, pages func(yield func(page) error) error) {
	f := File{Path: path.Join(site, name), Site: site}
	var cursor span
	rows := func(yield func([]sheet.Cell, error) bool) {
		var cells []sheet.Cell
		err := pages(func(p page) error {
			cursor.add(p.seq)
			for _, row := range p.rows {
				cells = appendCells(cells[:0], row)
				if f.Rows++; !yield(cells, nil) {
					return errStopped
				}
			}
			return nil
		})
		if err != nil && !errors.Is(err, errStopped) {
			yield(nil, err)
		}
	}
	err := r.write(f.Path, func(w io.Writer) error { return r.csv(w, t, rows) }, &f)
	f.Cursor = &Cursor{From: cursor.from, To: cursor.to}
	r.keep(f, err)
}

func (r *run) csv(w io.Writer, t *table, rows iter.Seq2[[]sheet.Cell, error]) error {
	out := sheet.Table{Name: t.name, Rows: rows}
	for _, c := range t.columns {
		out.Columns = append(out.Columns, sheet.Column{Name: c.name, Kind: sheetKinds[c.kind]})
	}
	return sheet.WriteCSV(w, out, sheet.CSVOptions{Defuse: r.opt.Defuse})
}

var sheetKinds = [...]sheet.Kind{
	kindText: sheet.KindText, kindInt: sheet.KindNumber, kindFloat: sheet.KindNumber, kindAmount: sheet.KindNumber,
	kindBool: sheet.KindText,
	kindTime: sheet.KindTime, kindJSON: sheet.KindText,
}

func appendCells(cells []sheet.Cell, row []any) []sheet.Cell {
	for _, v := range row {
		var c sheet.Cell
		switch v := v.(type) {
		case string:
			c = sheet.Text(v)
		case int64:
			c = sheet.Int(v)
		case float64:
			c = sheet.Float(v)
		case bool:
			c = sheet.Text(strconv.FormatBool(v))
		case instant:
			c = sheet.Time(time.UnixMilli(int64(v)))
		}
		cells = append(cells, c)
	}
	return cells
}

const dayMs = 24 * 60 * 60 * 1000

func dayOf(ms int64) int64 { return ms / dayMs }

func factsName(day int64) string {
	return "facts-" + time.UnixMilli(day*dayMs).UTC().Format(time.DateOnly) + ".csv"
}

// factsDay is the inverse of factsName.
func factsDay(name string) (day int64, ok bool) {
	date, ok := strings.CutPrefix(path.Base(name), "facts-")
	if !ok {
		return 0, false
	}
	t, err := time.Parse(time.DateOnly, strings.TrimSuffix(date, ".csv"))
	return dayOf(t.UnixMilli()), err == nil
}

// facts writes a file for each UTC day, beginning with the last one that an export before this left
// unfinished. A day is complete once a fact of a later day is in the store, for facts are stored in
// the order of their ids.
func (r *run) facts(s *source) {
	var from int64 // day
	for _, f := range r.last.Files {
		day, ok := factsDay(f.Path)
		if f.Site != s.id() || !ok {
			continue
		}
		if f.Complete {
			day++
		}
		from = max(from, day)
	}
	for {
		started := from
		if from = r.factsOf(s, from); from == started {
			return
		}
	}
}

// factsOf writes the first day that has facts, from a day on, and returns the day after it if that
// is complete and the same day if there is no more to do.
func (r *run) factsOf(s *source, from int64) (next int64) {
	day, more := int64(-1), false
	rows := func(yield func([]sheet.Cell, error) bool) {
		var cells []sheet.Cell
		err := s.facts(r.ctx, store.FactID{Ms: from * dayMs}, 0, func(f *event.Fact) error {
			if dayOf(f.Ms) != day {
				more = true
				return errEnough
			}
			if f.Passage.Likely {
				return nil // it moved nothing, and may be taken back
			}
			cells = appendCells(cells[:0], factRow(s.id(), f))
			if !yield(cells, nil) {
				return errEnough
			}
			return nil
		})
		if err != nil {
			yield(nil, err)
		}
	}
	// Which day the first fact is of names the file.
	var seq uint64
	if err := s.facts(r.ctx, store.FactID{Ms: from * dayMs}, 1, func(f *event.Fact) error {
		day = dayOf(f.Ms)
		return nil
	}); err != nil {
		r.keep(File{Path: path.Join(s.id(), factsName(max(from, day))), Site: s.id()}, err)
		return from
	}
	if day < 0 {
		return from
	}
	f := File{Path: path.Join(s.id(), factsName(day)), Site: s.id()}
	counted := func(yield func([]sheet.Cell, error) bool) {
		rows(func(c []sheet.Cell, err error) bool {
			if err == nil {
				f.Rows++
			}
			return yield(c, err)
		})
	}
	cursor, _, err := s.store.Cursor(r.ctx, s.id())
	seq = uint64(cursor)
	if err == nil {
		err = r.write(f.Path, func(w io.Writer) error { return r.csv(w, &factsTable, counted) }, &f)
	}
	f.Cursor, f.Complete = &Cursor{From: seq, To: seq}, more && err == nil
	r.keep(f, err)
	if err != nil || !more {
		return from
	}
	return day + 1
}

// products writes the newest product list that any site has taken up.
func (r *run) products(sites []*runner.Site) {
	var newest *catalog.Catalog
	version := int64(-1)
	f := File{Path: "products.csv"}
	for _, s := range sites {
		err := (&source{site: s}).view(r.ctx, func(st *engine.State) error {
			if v := productsVersion(st.Config()); v > version {
				version, newest = v, st.Config().Catalog // which never changes
			}
			return nil
		})
		if err != nil {
			r.keep(f, err)
			return
		}
	}
	if newest == nil {
		return
	}
	f.Rows, f.Products = newest.Len(), &version
	r.keep(f, r.write(f.Path, newest.WriteCSV, &f))
}

// carry takes over what an export before this one wrote and this one had no reason to write: days
// that are complete, sites that this node does not know yet.
func (r *run) carry() {
	for _, f := range r.last.Files {
		if _, ok := r.next.file(f.Path); !ok {
			r.next.Files = append(r.next.Files, f)
		}
	}
}

// prune removes files of facts that are older than facts are kept.
func (r *run) prune() {
	oldest := dayOf(r.opt.Now().Add(-r.opt.FactsKeep).UnixMilli())
	kept := r.next.Files[:0]
	for _, f := range r.next.Files {
		if day, ok := factsDay(f.Path); ok && day < oldest {
			err := os.Remove(filepath.Join(r.opt.Dir, filepath.FromSlash(f.Path)))
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				r.errs = append(r.errs, err)
				kept = append(kept, f)
			}
			continue
		}
		kept = append(kept, f)
	}
	r.next.Files = kept
}

// tempMark is in the names of files that are not finished.
const tempMark = ".unfinished-"

// sweepTemps removes what a run that was killed left behind.
func (r *run) sweepTemps(dir string) {
	old, err := filepath.Glob(filepath.Join(r.opt.Dir, dir, tempMark+"*"))
	if err != nil {
		return // the pattern is good
	}
	for _, f := range old {
		_ = os.Remove(f)
	}
}

// write makes one file whole or not at all: readers see the old one until the new one is on the
// disk.
func (r *run) write(name string, fill func(io.Writer) error, f *File) (err error) {
	target := filepath.Join(r.opt.Dir, filepath.FromSlash(name))
	tmp, err := os.CreateTemp(filepath.Dir(target), tempMark+"*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, ignoreClosed(tmp.Close()), os.Remove(tmp.Name()))
		}
	}()
	w := &counter{w: bufio.NewWriterSize(tmp, 64<<10), hash: sha256.New()}
	if err := fill(w); err != nil {
		return err
	}
	if err := w.w.Flush(); err != nil {
		return err
	}
	if err := tmp.Chmod(0o640); err != nil {
		return err
	}
	if err := tmp.Sync(); err != nil {
		return err
	}
	if err := tmp.Close(); err != nil {
		return err
	}
	if err := os.Rename(tmp.Name(), target); err != nil {
		return err
	}
	if f != nil {
		f.Bytes, f.SHA256 = w.n, hex.EncodeToString(w.hash.Sum(nil))
	}
	return nil
}

func ignoreClosed(err error) error {
	if errors.Is(err, fs.ErrClosed) {
		return nil
	}
	return err
}

type counter struct {
	w    *bufio.Writer
	hash hash.Hash
	n    int64
}

func (c *counter) Write(b []byte) (int, error) {
	n, err := c.w.Write(b)
	c.n += int64(n)
	_, _ = c.hash.Write(b[:n]) // a hash takes everything
	return n, err
}

func (m *Manifest) encode(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(m)
}
