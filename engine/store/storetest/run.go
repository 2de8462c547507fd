package storetest

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/store"
)

// Opener opens a store for one test. What it returns may hold data of other tests: the suite uses
// names of its own. The suite closes it.
type Opener func(t *testing.T) store.Store

// Option tells the suite something about an engine.
type Option func(*suite)

// Shared says that all stores that the opener returns see the same data at the same time, as
// clients of one server do.
func Shared() Option { return func(s *suite) { s.shared = true } }

// suite runs one test after another, each on a store of its own.
type suite struct {
	opener Opener
	shared bool
}

// Run checks every clause of package store on the engine that open opens.
func Run(t *testing.T, open func(t *testing.T) store.Store, options ...Option) {
	s := &suite{opener: open}
	for _, o := range options {
		o(s)
	}
	for _, group := range []struct {
		name  string
		tests []test
	}{
		{"Journal", journalTests},
		{"Idempotency", idempotencyTests},
		{"Read", readTests},
		{"Commit", commitTests},
		{"Records", recordTests},
		{"Facts", factTests},
		{"Trim", trimTests},
		{"Documents", documentTests},
		{"DocumentsTogether", togetherTests},
		{"Values", valueTests},
		{"Lease", leaseTests},
		{"Lifecycle", lifecycleTests},
		{"Random", randomTests},
		{"Faults", faultTests},
	} {
		t.Run(group.name, func(t *testing.T) {
			for _, tt := range group.tests {
				t.Run(tt.name, func(t *testing.T) {
					tt.run(&env{T: t, s: s, Store: s.open(t), ctx: deadline(t)})
				})
			}
		})
	}
}

type test struct {
	name string
	run  func(e *env)
}

// env is what one test of the suite works with.
type env struct {
	*testing.T
	store.Store
	s   *suite
	ctx context.Context
}

func (s *suite) open(t *testing.T) store.Store {
	st := s.opener(t)
	t.Cleanup(func() { require.NoError(t, st.Close()) })
	return st
}

// other opens the same data again, or skips the test if the engine can't.
func (e *env) other() store.Store {
	if !e.s.shared {
		e.Skip("the engine serves one process")
	}
	return e.s.open(e.T)
}

// deadline keeps a test that hangs from hanging for long.
func deadline(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

var (
	run   = fmt.Sprintf("%08x", rand.Uint32())
	names atomic.Int64
)

// unique returns a name that no other test uses: a valid site name and document name.
func unique(what string) string { return fmt.Sprintf("%s-%s-%d", what, run, names.Add(1)) }

// Seed returns a seed for a test's random choices: LINTEL_SEED if it is set, otherwise a new one.
// If the test fails it prints the command that repeats it.
func Seed(t testing.TB) uint64 {
	t.Helper()
	seed := rand.Uint64()
	if s := os.Getenv("LINTEL_SEED"); s != "" {
		var err error
		seed, err = strconv.ParseUint(s, 10, 64)
		require.NoError(t, err, "LINTEL_SEED")
	}
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("to repeat: LINTEL_SEED=%d go test -count=1 -run '^%s$' %s",
				seed, strings.ReplaceAll(t.Name(), "/", "$/^"), packagePath())
		}
	})
	return seed
}

// packagePath returns the package under test as an argument for go test in the module's directory.
func packagePath() string {
	dir, err := os.Getwd()
	if err != nil {
		return "."
	}
	for root := dir; root != filepath.Dir(root); root = filepath.Dir(root) {
		if _, err := os.Stat(filepath.Join(root, "go.mod")); err == nil {
			if rel, err := filepath.Rel(root, dir); err == nil {
				return "./" + filepath.ToSlash(rel)
			}
		}
	}
	return "."
}

// together runs fn n times at once and waits for all.
func together(n int, fn func(i int)) {
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() { fn(i) })
	}
	wg.Wait()
}

// data makes entries without idempotency keys.
func data(texts ...string) []store.NewEntry {
	entries := make([]store.NewEntry, len(texts))
	for i, s := range texts {
		entries[i].Data = []byte(s)
	}
	return entries
}

// mustAppend appends and returns the results.
func (e *env) mustAppend(site string, entries ...store.NewEntry) []store.Appended {
	e.Helper()
	results, err := e.Append(e.ctx, site, entries...)
	require.NoError(e, err)
	require.Len(e, results, len(entries))
	return results
}

// mustCommit commits.
func (e *env) mustCommit(site string, c store.Commit) {
	e.Helper()
	require.NoError(e, e.Commit(e.ctx, site, c))
}

// journal reads everything after the given sequence number.
func (e *env) journal(site string, after store.Seq) []store.Entry {
	e.Helper()
	all := []store.Entry{}
	for {
		entries, err := e.Read(e.ctx, site, after, 1000, 0)
		require.NoError(e, err)
		if len(entries) == 0 {
			return all
		}
		all = append(all, entries...)
		after = entries[len(entries)-1].Seq
	}
}

// texts returns the data of entries, and checks that they are numbered from first.
func (e *env) texts(first store.Seq, entries []store.Entry) []string {
	e.Helper()
	all := []string{}
	for i, entry := range entries {
		require.Equal(e, first+store.Seq(i), entry.Seq)
		all = append(all, string(entry.Data))
	}
	return all
}

// texts lists entries as "seq:data".
func texts(ctx context.Context, st store.Journal, site string, after store.Seq, max int) ([]string, error) {
	entries, err := st.Read(ctx, site, after, max, 0)
	all := []string{}
	for _, e := range entries {
		all = append(all, fmt.Sprintf("%d:%s", e.Seq, e.Data))
	}
	return all, err
}

// recordsOf lists records into a map from "kind/key" to value.
func recordsOf(ctx context.Context, st store.Store, site string, kind store.Kind, keys ...string) (map[string]string, store.Seq, error) {
	for {
		all := map[string]string{}
		cursor, err := st.Records(ctx, site, kind, keys, func(kind store.Kind, key string, value []byte) error {
			name := string(kind) + "/" + key
			if _, twice := all[name]; twice {
				return fmt.Errorf("record %q was listed twice", name)
			}
			all[name] = string(value)
			return nil
		})
		if err == nil {
			return all, cursor, nil
		}
		if !isConflict(err) {
			return nil, 0, err
		}
	}
}

func (e *env) records(site string, kind store.Kind, keys ...string) map[string]string {
	e.Helper()
	all, _, err := recordsOf(e.ctx, e.Store, site, kind, keys...)
	require.NoError(e, err)
	return all
}

// factsOf lists facts as "ms-n:data".
func factsOf(ctx context.Context, st store.Store, site string, from, to store.FactID, limit int) ([]string, error) {
	all := []string{}
	err := st.Facts(ctx, site, from, to, limit, func(id store.FactID, data []byte) error {
		all = append(all, factText(id, string(data)))
		return nil
	})
	return all, err
}

func factText(id store.FactID, data string) string { return fmt.Sprintf("%d-%d:%s", id.Ms, id.N, data) }

func (e *env) facts(site string, from, to store.FactID, limit int) []string {
	e.Helper()
	all, err := factsOf(e.ctx, e.Store, site, from, to, limit)
	require.NoError(e, err)
	return all
}

// requireCursor checks both numbers that Cursor returns.
func (e *env) requireCursor(site string, cursor, newest store.Seq) {
	e.Helper()
	c, n, err := e.Cursor(e.ctx, site)
	require.NoError(e, err)
	require.Equal(e, [2]store.Seq{cursor, newest}, [2]store.Seq{c, n}, "cursor and newest")
}

func write(kind store.Kind, key, value string) store.Record {
	return store.Record{Kind: kind, Key: key, Value: []byte(value)}
}

func fact(ms int64, n uint32, data string) store.Fact {
	return store.Fact{ID: store.FactID{Ms: ms, N: n}, Data: []byte(data)}
}
