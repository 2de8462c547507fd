package storetest

import (
	"math"
	"slices"
	"strings"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/store"
	"lintel/engine/store/memory"
)

var randomTests = []test{
	{"LikeTheStoreInMemory", func(e *env) {
		rapid.Check(e.T, func(t *rapid.T) {
			m := &machine{e: e, want: memory.Open(), prefix: unique("doc"), kinds: []store.Kind{kind(), kind()}}
			defer m.want.Close()
			m.sites = []string{unique("site"), unique("site")}
			t.Repeat(map[string]func(*rapid.T){
				"append":    m.append,
				"read":      m.read,
				"commit":    m.commit,
				"commit2":   m.commit, // twice as often as the rest
				"trim":      m.trim,
				"records":   m.records,
				"facts":     m.facts,
				"documents": m.documents,
				"values":    m.values,
				"":          m.check,
			})
			m.checkAll(t)
		})
	}},
}

// machine makes the same calls on the store under test and on one in memory, which must answer
// alike.
type machine struct {
	e      *env
	want   *memory.Store
	sites  []string
	kinds  []store.Kind // of values
	prefix string       // of documents
}

// same makes a call on both stores and requires that results and errors are the same.
func same[T any](t *rapid.T, m *machine, call func(st store.Store) (T, error)) {
	want, wantErr := call(m.want)
	got, err := call(m.e.Store)
	for _, kind := range []error{store.ErrConflict, store.ErrIdempotencyMismatch, store.ErrNotFound, store.ErrTrimmed, store.ErrInvalid} {
		if wantErr != nil && strings.Contains(wantErr.Error(), kind.Error()) {
			require.ErrorIs(t, err, kind)
			return
		}
	}
	require.NoError(t, wantErr)
	require.NoError(t, err)
	require.Equal(t, want, got)
}

func (m *machine) site(t *rapid.T) string { return rapid.SampledFrom(m.sites).Draw(t, "site") }

// of returns what the store in memory knows of a site.
func (m *machine) of(t *rapid.T, site string) (cursor, newest store.Seq, facts []store.FactID) {
	cursor, newest, err := m.want.Cursor(m.e.ctx, site)
	require.NoError(t, err)
	require.NoError(t, m.want.Facts(m.e.ctx, site, store.FactID{}, store.FactID{}, 0, func(id store.FactID, _ []byte) error {
		facts = append(facts, id)
		return nil
	}))
	return cursor, newest, facts
}

func upTo(t *rapid.T, most store.Seq, label string) store.Seq {
	return store.Seq(rapid.Uint64Range(0, uint64(most)).Draw(t, label))
}

func (m *machine) append(t *rapid.T) {
	site := m.site(t)
	var entries []store.NewEntry
	for range rapid.IntRange(1, 4).Draw(t, "entries") {
		e := store.NewEntry{Data: rapid.SliceOfN(rapid.Byte(), 0, 20).Draw(t, "data")}
		if rapid.Bool().Draw(t, "keyed") {
			e.IdempotencyKey = rapid.SampledFrom([]string{"a", "b", "c", "d", "e", "f"}).Draw(t, "key")
			e.Fingerprint = rapid.SampledFrom([]string{"1", "1", "1", "2"}).Draw(t, "fingerprint")
		}
		entries = append(entries, e)
	}
	same(t, m, func(st store.Store) ([]store.Appended, error) { return st.Append(m.e.ctx, site, entries...) })
}

func (m *machine) read(t *rapid.T) {
	site := m.site(t)
	_, newest, _ := m.of(t, site)
	after, max := upTo(t, newest+2, "after"), rapid.IntRange(1, 10).Draw(t, "max")
	same(t, m, func(st store.Store) ([]string, error) { return texts(m.e.ctx, st, site, after, max) })
}

func (m *machine) commit(t *rapid.T) {
	site := m.site(t)
	cursor, newest, facts := m.of(t, site)
	c := store.Commit{Loose: rapid.Bool().Draw(t, "loose")}
	if !c.Loose {
		c.Expect = cursor
		if rapid.IntRange(0, 4).Draw(t, "stale") == 0 {
			c.Expect = upTo(t, newest, "expect")
		}
		c.Next = c.Expect + upTo(t, newest-min(newest, c.Expect), "next")
	}
	kinds := rapid.SampledFrom([]store.Kind{"item", "items", "hold"})
	keys := rapid.SampledFrom([]string{"", "a", "b", "c", "a\x00", "\xff"})
	for range rapid.IntRange(0, 4).Draw(t, "deletes") {
		c.Deletes = append(c.Deletes, store.RecordKey{Kind: kinds.Draw(t, "kind"), Key: keys.Draw(t, "key")})
	}
	for range rapid.IntRange(0, 4).Draw(t, "writes") {
		c.Writes = append(c.Writes, store.Record{Kind: kinds.Draw(t, "kind"), Key: keys.Draw(t, "key"),
			Value: rapid.SliceOfN(rapid.Byte(), 0, 20).Draw(t, "value")})
	}
	var id store.FactID
	if len(facts) > 0 {
		id = facts[len(facts)-1]
	}
	for range rapid.IntRange(0, 3).Draw(t, "facts") {
		if step := rapid.Int64Range(0, 3).Draw(t, "ms"); step > 0 {
			id = store.FactID{Ms: id.Ms + step}
		} else {
			id.N++
		}
		c.Facts = append(c.Facts, store.Fact{ID: id, Data: rapid.SliceOfN(rapid.Byte(), 0, 20).Draw(t, "fact")})
	}
	same(t, m, func(st store.Store) (struct{}, error) { return struct{}{}, st.Commit(m.e.ctx, site, c) })
}

func (m *machine) trim(t *rapid.T) {
	site := m.site(t)
	_, newest, facts := m.of(t, site)
	tr := store.Trim{Journal: upTo(t, newest+2, "journal")}
	if len(facts) > 0 {
		tr.Facts = rapid.Int64Range(0, facts[len(facts)-1].Ms).Draw(t, "facts") // the last stays: its id counts on
	}
	same(t, m, func(st store.Store) (struct{}, error) { return struct{}{}, st.Trim(m.e.ctx, site, tr) })
}

// listed is what a listing of records came to.
type listed struct {
	records map[string]string
	cursor  store.Seq
}

func (m *machine) sameRecords(t *rapid.T, site string, kind store.Kind, keys ...string) {
	same(t, m, func(st store.Store) (l listed, err error) {
		l.records, l.cursor, err = recordsOf(m.e.ctx, st, site, kind, keys...)
		return l, err
	})
}

func (m *machine) records(t *rapid.T) {
	kind := rapid.SampledFrom([]store.Kind{"", "item", "items", "hold", "none"}).Draw(t, "kind")
	var keys []string
	if kind != "" {
		keys = rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"", "a", "b", "a\x00", "zz"}), 0, 3, rapid.ID).Draw(t, "keys")
	}
	m.sameRecords(t, m.site(t), kind, keys...)
}

func (m *machine) sameFacts(t *rapid.T, site string, from, to store.FactID, limit int) {
	same(t, m, func(st store.Store) ([]string, error) { return factsOf(m.e.ctx, st, site, from, to, limit) })
}

func (m *machine) facts(t *rapid.T) {
	site := m.site(t)
	_, _, facts := m.of(t, site)
	facts = append(facts, store.FactID{Ms: 3})
	bound := func(what string) store.FactID {
		id := rapid.SampledFrom(facts).Draw(t, what)
		return store.FactID{Ms: id.Ms + rapid.Int64Range(0, 2).Draw(t, what+" ms"), N: id.N + rapid.Uint32Range(0, 1).Draw(t, what+" n")}
	}
	m.sameFacts(t, site, bound("from"), bound("to"), rapid.IntRange(0, 5).Draw(t, "limit"))
}

// documents puts some documents together, as of the versions that they have or as of others.
func (m *machine) documents(t *rapid.T) {
	names := rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"a", "b", "a.b"}), 0, 3, rapid.ID).Draw(t, "names")
	var puts []store.DocumentPut
	for _, name := range names {
		name = m.prefix + "/" + name
		expect := rapid.IntRange(0, 3).Draw(t, "expect")
		if have, err := m.want.GetDocument(m.e.ctx, name, 0); err == nil && rapid.IntRange(0, 3).Draw(t, "stale") > 0 {
			expect = have.Version
		}
		body := strings.Repeat(rapid.StringN(0, 10, 30).Draw(t, "body"), rapid.SampledFrom([]int{1, 1000}).Draw(t, "times"))
		puts = append(puts, put(name, body, expect))
		puts[len(puts)-1].Keep = rapid.IntRange(0, 3).Draw(t, "keep") == 0
	}
	same(t, m, func(st store.Store) (bool, error) { return true, st.PutDocuments(m.e.ctx, slices.Clone(puts)) })
	for _, p := range puts {
		ask := rapid.IntRange(0, p.Expect+2).Draw(t, "version")
		same(t, m, func(st store.Store) (store.Document, error) { return st.GetDocument(m.e.ctx, p.Document.Name, ask) })
	}
}

// values changes some values as of the revisions that each store gave them, or as of none.
func (m *machine) values(t *rapid.T) {
	var changes []store.Value
	keys := rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"", "a", "b", "a\x00", "\xff"}), 0, 3, rapid.ID).Draw(t, "keys")
	for _, key := range keys {
		v := store.Value{Kind: rapid.SampledFrom(m.kinds).Draw(t, "kind"), Key: key}
		if rapid.Bool().Draw(t, "set") {
			v.Data = append([]byte{}, rapid.SliceOfN(rapid.Byte(), 0, 20).Draw(t, "data")...)
		}
		if rapid.IntRange(0, 4).Draw(t, "any") == 0 {
			v.Revision = store.AnyRevision
		}
		changes = append(changes, v)
	}
	known := rapid.IntRange(0, 3).Draw(t, "stale") > 0
	same(t, m, func(st store.Store) (struct{}, error) {
		own := append([]store.Value(nil), changes...)
		for i := range own {
			if v := &own[i]; known && v.Revision == 0 {
				take := func(had store.Value) error { v.Revision = had.Revision; return nil }
				if err := st.Values(m.e.ctx, v.Kind, []string{v.Key}, take); err != nil {
					return struct{}{}, err
				}
			}
		}
		_, err := st.SetValues(m.e.ctx, own...)
		return struct{}{}, err
	})
}

// check runs after every step.
func (m *machine) check(t *rapid.T) {
	for _, site := range m.sites {
		same(t, m, func(st store.Store) ([2]store.Seq, error) {
			cursor, newest, err := st.Cursor(m.e.ctx, site)
			return [2]store.Seq{cursor, newest}, err
		})
	}
}

// checkAll compares everything that can be read.
func (m *machine) checkAll(t *rapid.T) {
	for _, site := range m.sites {
		cursor, _, _ := m.of(t, site)
		for after := range cursor + 1 { // up to the oldest entry that is kept
			same(t, m, func(st store.Store) ([]string, error) { return texts(m.e.ctx, st, site, after, math.MaxInt32) })
		}
		m.sameRecords(t, site, "")
		m.sameFacts(t, site, store.FactID{}, store.FactID{}, 0)
	}
	same(t, m, func(st store.Store) ([]store.Document, error) { return st.ListDocuments(m.e.ctx, m.prefix) })
	for _, name := range []string{"a", "b", "a.b"} {
		same(t, m, func(st store.Store) ([]store.Document, error) { return st.DocumentVersions(m.e.ctx, m.prefix+"/"+name) })
	}
	for _, k := range m.kinds {
		same(t, m, func(st store.Store) (map[string]string, error) {
			all := map[string]string{}
			err := st.Values(m.e.ctx, k, nil, func(v store.Value) error { all[v.Key] = string(v.Data); return nil })
			return all, err
		})
	}
}
