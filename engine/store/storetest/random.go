package storetest

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/store"
)

var randomTests = []test{
	{"AgainstAModel", func(e *env) {
		rapid.Check(e.T, func(t *rapid.T) {
			m := &machine{e: e, sites: map[string]*model{}}
			for range 2 {
				m.sites[unique("site")] = newModel()
			}
			m.names = slices.Sorted(maps.Keys(m.sites))
			m.docs = map[string][]string{}
			m.prefix = unique("doc")
			t.Repeat(map[string]func(*rapid.T){
				"append":   m.append,
				"read":     m.read,
				"commit":   m.commit,
				"commit2":  m.commit, // twice as often as the rest
				"loose":    m.loose,
				"trim":     m.trim,
				"records":  m.records,
				"facts":    m.facts,
				"document": m.document,
				"":         m.check,
			})
			m.checkAll(t)
		})
	}},
}

// model is what a site must hold, in plain memory.
type model struct {
	entries []string // all that ever were: entries[0] has number 1
	trimmed store.Seq
	cursor  store.Seq
	keys    map[string]keyUse
	records map[string]string
	facts   []store.Fact
	last    store.FactID
}

type keyUse struct {
	seq         store.Seq
	fingerprint string
}

func newModel() *model { return &model{keys: map[string]keyUse{}, records: map[string]string{}} }

// machine makes the same calls on the store and on the model.
type machine struct {
	e      *env
	names  []string
	sites  map[string]*model
	docs   map[string][]string // bodies by name
	prefix string
}

func (m *machine) site(t *rapid.T) (string, *model) {
	name := rapid.SampledFrom(m.names).Draw(t, "site")
	return name, m.sites[name]
}

func (m *machine) append(t *rapid.T) {
	site, mod := m.site(t)
	var entries []store.NewEntry
	var want []store.Appended
	keys := maps.Clone(mod.keys)
	next, mismatch := store.Seq(len(mod.entries)), false
	var added []string
	for i := range rapid.IntRange(1, 4).Draw(t, "entries") {
		e := store.NewEntry{Data: rapid.SliceOfN(rapid.Byte(), 0, 20).Draw(t, "data")}
		if rapid.Bool().Draw(t, "keyed") {
			e.IdempotencyKey = rapid.SampledFrom([]string{"a", "b", "c", "d", "e", "f"}).Draw(t, "key")
			e.Fingerprint = rapid.SampledFrom([]string{"1", "1", "1", "2"}).Draw(t, "fingerprint")
		}
		entries = append(entries, e)
		if use, found := keys[e.IdempotencyKey]; found && e.IdempotencyKey != "" {
			mismatch = mismatch || use.fingerprint != e.Fingerprint
			want = append(want, store.Appended{Seq: use.seq, Replayed: true})
			continue
		}
		next++
		if e.IdempotencyKey != "" {
			keys[e.IdempotencyKey] = keyUse{next, e.Fingerprint}
		}
		want = append(want, store.Appended{Seq: next})
		added = append(added, string(entries[i].Data))
	}
	got, err := m.e.Append(m.e.ctx, site, entries...)
	if mismatch {
		require.ErrorIs(t, err, store.ErrIdempotencyMismatch)
		return
	}
	require.NoError(t, err)
	require.Equal(t, want, got)
	mod.entries = append(mod.entries, added...)
	mod.keys = keys
}

func (m *machine) read(t *rapid.T) {
	site, mod := m.site(t)
	newest := store.Seq(len(mod.entries))
	after := store.Seq(rapid.IntRange(0, int(newest)+2).Draw(t, "after"))
	max := rapid.IntRange(1, 10).Draw(t, "max")
	entries, err := m.e.Read(m.e.ctx, site, after, max, 0)
	switch {
	case after < mod.trimmed:
		require.ErrorIs(t, err, store.ErrTrimmed)
	case after > newest:
		require.ErrorIs(t, err, store.ErrConflict)
	default:
		require.NoError(t, err)
		want := mod.entries[after:min(len(mod.entries), int(after)+max)]
		require.Len(t, entries, len(want))
		for i := range want {
			require.Equal(t, after+store.Seq(i+1), entries[i].Seq)
			require.Equal(t, want[i], string(entries[i].Data))
		}
	}
}

// change draws record changes and facts for a commit and returns what they make of the model's records.
func (m *machine) change(t *rapid.T, mod *model, c *store.Commit) map[string]string {
	kinds := rapid.SampledFrom([]store.Kind{"item", "items", "hold"})
	keys := rapid.SampledFrom([]string{"", "a", "b", "c", "a\x00", "\xff"})
	records := maps.Clone(mod.records)
	for range rapid.IntRange(0, 4).Draw(t, "deletes") {
		k := store.RecordKey{Kind: kinds.Draw(t, "kind"), Key: keys.Draw(t, "key")}
		c.Deletes = append(c.Deletes, k)
		delete(records, string(k.Kind)+"/"+k.Key)
	}
	for range rapid.IntRange(0, 4).Draw(t, "writes") {
		r := store.Record{Kind: kinds.Draw(t, "kind"), Key: keys.Draw(t, "key"), Value: rapid.SliceOfN(rapid.Byte(), 0, 20).Draw(t, "value")}
		c.Writes = append(c.Writes, r)
		records[string(r.Kind)+"/"+r.Key] = string(r.Value)
	}
	id := mod.last
	for range rapid.IntRange(0, 3).Draw(t, "facts") {
		if step := rapid.Int64Range(0, 3).Draw(t, "ms"); step > 0 {
			id = store.FactID{Ms: id.Ms + step}
		} else {
			id.N++
		}
		c.Facts = append(c.Facts, store.Fact{ID: id, Data: rapid.SliceOfN(rapid.Byte(), 0, 20).Draw(t, "fact")})
	}
	return records
}

func (mod *model) took(c *store.Commit, records map[string]string) {
	mod.records = records
	mod.facts = append(mod.facts, c.Facts...)
	if n := len(c.Facts); n > 0 {
		mod.last = c.Facts[n-1].ID
	}
}

func (m *machine) commit(t *rapid.T) {
	site, mod := m.site(t)
	c := store.Commit{Expect: mod.cursor}
	if rapid.IntRange(0, 4).Draw(t, "stale") == 0 {
		c.Expect = store.Seq(rapid.IntRange(0, len(mod.entries)).Draw(t, "expect"))
	}
	c.Next = c.Expect
	if room := len(mod.entries) - int(c.Expect); room > 0 {
		c.Next += store.Seq(rapid.IntRange(0, room).Draw(t, "next"))
	}
	records := m.change(t, mod, &c)
	err := m.e.Commit(m.e.ctx, site, c)
	if c.Expect != mod.cursor {
		require.ErrorIs(t, err, store.ErrConflict)
		return
	}
	require.NoError(t, err)
	mod.cursor = c.Next
	mod.took(&c, records)
}

func (m *machine) loose(t *rapid.T) {
	site, mod := m.site(t)
	c := store.Commit{Loose: true}
	records := m.change(t, mod, &c)
	require.NoError(t, m.e.Commit(m.e.ctx, site, c))
	mod.took(&c, records)
}

func (m *machine) trim(t *rapid.T) {
	site, mod := m.site(t)
	tr := store.Trim{
		Journal: store.Seq(rapid.IntRange(0, len(mod.entries)+2).Draw(t, "journal")),
		Facts:   rapid.Int64Range(0, mod.last.Ms+2).Draw(t, "facts"),
	}
	require.NoError(t, m.e.Trim(m.e.ctx, site, tr))
	mod.trimmed = max(mod.trimmed, min(tr.Journal, mod.cursor))
	mod.facts = slices.DeleteFunc(mod.facts, func(f store.Fact) bool { return f.ID.Ms < tr.Facts })
}

func (m *machine) records(t *rapid.T) {
	site, mod := m.site(t)
	kind := rapid.SampledFrom([]store.Kind{"", "item", "items", "hold", "none"}).Draw(t, "kind")
	var keys []string
	if kind != "" {
		keys = rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"", "a", "b", "a\x00", "zz"}), 0, 3, rapid.ID).Draw(t, "keys")
	}
	want := map[string]string{}
	for name, v := range mod.records {
		k, key, _ := strings.Cut(name, "/")
		if (kind == "" || k == string(kind)) && (len(keys) == 0 || slices.Contains(keys, key)) {
			want[name] = v
		}
	}
	got, cursor, err := recordsOf(m.e.ctx, m.e.Store, site, kind, keys...)
	require.NoError(t, err)
	require.Equal(t, want, got)
	require.Equal(t, mod.cursor, cursor)
}

func (m *machine) facts(t *rapid.T) {
	site, mod := m.site(t)
	bound := func(what string) store.FactID {
		if len(mod.facts) > 0 && rapid.Bool().Draw(t, what+" at a fact") {
			return rapid.SampledFrom(mod.facts).Draw(t, what).ID
		}
		return store.FactID{Ms: rapid.Int64Range(0, mod.last.Ms+2).Draw(t, what+" ms"), N: rapid.Uint32Range(0, 3).Draw(t, what+" n")}
	}
	from, to, limit := bound("from"), bound("to"), rapid.IntRange(0, 5).Draw(t, "limit")
	m.checkFacts(t, site, from, to, limit)
}

func (m *machine) checkFacts(t *rapid.T, site string, from, to store.FactID, limit int) {
	want := []string{}
	for _, f := range m.sites[site].facts {
		if f.ID.Compare(from) >= 0 && (to.IsZero() || f.ID.Compare(to) < 0) && (limit == 0 || len(want) < limit) {
			want = append(want, factText(f.ID, string(f.Data)))
		}
	}
	got, err := factsOf(m.e.ctx, m.e.Store, site, from, to, limit)
	require.NoError(t, err)
	require.Equal(t, want, got)
}

func (m *machine) document(t *rapid.T) {
	name := m.prefix + "/" + rapid.SampledFrom([]string{"a", "b", "a.b"}).Draw(t, "name")
	bodies := m.docs[name]
	expect := len(bodies)
	if rapid.IntRange(0, 3).Draw(t, "stale") == 0 {
		expect = rapid.IntRange(0, len(bodies)+1).Draw(t, "expect")
	}
	body := strings.Repeat(rapid.StringN(0, 10, 30).Draw(t, "body"), rapid.SampledFrom([]int{1, 1000}).Draw(t, "times"))
	version, err := m.e.PutDocument(m.e.ctx, store.Document{Name: name, Note: fmt.Sprint(expect), Body: []byte(body)}, expect)
	if expect != len(bodies) {
		require.ErrorIs(t, err, store.ErrConflict)
	} else {
		require.NoError(t, err)
		require.Equal(t, expect+1, version)
		m.docs[name] = append(bodies, body)
	}
	ask := rapid.IntRange(0, len(m.docs[name])+1).Draw(t, "version")
	got, err := m.e.GetDocument(m.e.ctx, name, ask)
	if ask == 0 {
		ask = len(m.docs[name])
	}
	if ask == 0 || ask > len(m.docs[name]) {
		require.ErrorIs(t, err, store.ErrNotFound)
		return
	}
	require.NoError(t, err)
	require.Equal(t, ask, got.Version)
	require.Equal(t, fmt.Sprint(ask-1), got.Note)
	require.Equal(t, m.docs[name][ask-1], string(got.Body))
}

// check runs after every step.
func (m *machine) check(t *rapid.T) {
	for _, site := range m.names {
		cursor, newest, err := m.e.Cursor(m.e.ctx, site)
		require.NoError(t, err)
		require.Equal(t, m.sites[site].cursor, cursor)
		require.EqualValues(t, len(m.sites[site].entries), newest)
	}
}

// checkAll compares everything that can be read.
func (m *machine) checkAll(t *rapid.T) {
	for _, site := range m.names {
		mod := m.sites[site]
		entries, err := m.e.Read(m.e.ctx, site, mod.trimmed, math.MaxInt32, 0)
		require.NoError(t, err)
		require.Len(t, entries, len(mod.entries)-int(mod.trimmed))
		for i, e := range entries {
			require.Equal(t, mod.entries[int(mod.trimmed)+i], string(e.Data))
		}
		got, cursor, err := recordsOf(m.e.ctx, m.e.Store, site, "")
		require.NoError(t, err)
		require.Equal(t, mod.cursor, cursor)
		require.Equal(t, mod.records, got)
		m.checkFacts(t, site, store.FactID{}, store.FactID{}, 0)
	}
	list, err := m.e.ListDocuments(m.e.ctx, m.prefix)
	require.NoError(t, err)
	require.Len(t, list, len(m.docs))
	for name, bodies := range m.docs {
		versions, err := m.e.DocumentVersions(m.e.ctx, name)
		if errors.Is(err, store.ErrNotFound) {
			require.Empty(t, bodies)
			continue
		}
		require.NoError(t, err)
		require.Len(t, versions, len(bodies))
	}
}
