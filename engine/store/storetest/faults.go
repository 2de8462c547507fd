package storetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"sync"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/store"
)

var faultTests = []test{
	{"WorkersEndInTheModelsState", func(e *env) { e.workersUnderFaults(false) }},
	{"WorkersEndInTheModelsStateOnTwoClients", func(e *env) { e.workersUnderFaults(true) }},
	{"DocumentsUnderFaults", func(e *env) {
		seed := Seed(e.T)
		faulty := NewFaulty(e.Store, seed, Faults{Before: 0.2, After: 0.2})
		name := unique("layout")
		const writers, edits = 4, 8
		// Each edit adds a line that only it adds; whoever gets an error reads the newest version
		// to see whether its line is in.
		together(writers, func(w int) {
			for i := range edits {
				line := fmt.Sprintf("%d/%d\n", w, i)
				for e.ctx.Err() == nil {
					d, err := faulty.GetDocument(e.ctx, name, 0)
					if err != nil && !errors.Is(err, store.ErrNotFound) {
						continue
					}
					if containsLine(d.Body, line) {
						break
					}
					d.Name = name
					d.Body = append(d.Body, line...)
					if _, err := store.PutDocument(e.ctx, faulty, d, d.Version); err == nil {
						break
					}
				}
			}
		})
		d, err := e.GetDocument(e.ctx, name, 0)
		require.NoError(e, err)
		require.Equal(e, writers*edits, d.Version, "each edit made one version")
		for w := range writers {
			for i := range edits {
				require.True(e, containsLine(d.Body, fmt.Sprintf("%d/%d\n", w, i)))
			}
		}
	}},
}

func containsLine(body []byte, line string) bool {
	for l := range bytes.Lines(body) {
		if string(l) == line {
			return true
		}
	}
	return false
}

// folded is the state of a small fold that shows every entry that is lost, folded twice or folded
// out of order: a count and a running hash for each key, one fact for each entry.
type folded map[string]string // "item/key" -> "count hash"

// fold returns the record that an entry changes and its fact.
func (f folded) fold(entry store.Entry) (store.Record, store.Fact) {
	key := string(entry.Data[:1])
	var count, hash uint64
	if v := f["item/"+key]; v != "" {
		if _, err := fmt.Sscan(v, &count, &hash); err != nil {
			panic(fmt.Sprintf("record %q: %v", v, err))
		}
	}
	count++
	for _, c := range entry.Data {
		hash = (hash ^ uint64(c)) * 1099511628211 // FNV-1a's step
	}
	v := fmt.Sprint(count, hash)
	f["item/"+key] = v
	return write("item", key, v), fact(int64(entry.Seq), 0, string(entry.Data))
}

// workersUnderFaults lets producers append with idempotency keys and workers fold by the cursor
// protocol, all through failures, and compares where they end with a fold of the same entries
// without any.
func (e *env) workersUnderFaults(twoClients bool) {
	second := e.Store
	if twoClients {
		second = e.other()
	}
	seed := Seed(e.T)
	faults := Faults{Before: 0.1, After: 0.1, Slow: 0.05, Delay: 5 * time.Millisecond}
	clients := []*Faulty{NewFaulty(e.Store, seed, faults), NewFaulty(second, seed+1, faults)}
	site := unique("site")
	const producers, each = 3, 60
	const total = producers * each

	var mu sync.Mutex
	appended := map[store.Seq]string{} // what the producers were told

	var all sync.WaitGroup
	for p := range producers {
		all.Go(func() {
			rng := rand.New(rand.NewPCG(seed, uint64(100+p)))
			for i := range each {
				entry := keyed(fmt.Sprintf("%c producer %d entry %d", 'a'+rng.IntN(5), p, i), fmt.Sprintf("%d/%d", p, i), "f")
				for e.ctx.Err() == nil {
					if results, err := clients[p%2].Append(e.ctx, site, entry); err == nil {
						mu.Lock()
						appended[results[0].Seq] = string(entry.Data)
						mu.Unlock()
						break
					}
				}
			}
		})
	}
	for w := range clients {
		all.Go(func() {
			rng := rand.New(rand.NewPCG(seed, uint64(200+w)))
			for e.ctx.Err() == nil {
				if err := work(e.ctx, clients[w], site, rng, total); err == nil {
					return
				}
				_ = clients[w].Trim(e.ctx, site, store.Trim{Journal: math.MaxUint64})
			}
		})
	}
	all.Wait()

	e.requireCursor(site, total, total)
	model, facts := folded{}, []string{}
	require.Len(e, appended, total, "each entry has a number of its own")
	for seq := store.Seq(1); seq <= total; seq++ {
		_, f := model.fold(store.Entry{Seq: seq, Data: []byte(appended[seq])})
		facts = append(facts, factText(f.ID, string(f.Data)))
	}
	require.Equal(e, map[string]string(model), e.records(site, ""))
	require.Equal(e, facts, e.facts(site, store.FactID{}, store.FactID{}, 0))
	for i, c := range clients {
		before, after, _ := c.Injected()
		require.Positive(e, before+after, "client %d ran through no failure", i)
	}
}

// work is one life of a worker: it loads, then reads, folds and commits until everything is folded
// (nil) or a call fails.
func work(ctx context.Context, st store.Store, site string, rng *rand.Rand, total store.Seq) error {
	state := folded{}
	cursor, err := st.Records(ctx, site, "", nil, func(kind store.Kind, key string, value []byte) error {
		state[string(kind)+"/"+key] = string(value)
		return nil
	})
	if err != nil {
		return err
	}
	for cursor < total {
		entries, err := st.Read(ctx, site, cursor, 1+rng.IntN(10), 20*time.Millisecond)
		if err != nil {
			return err
		}
		if len(entries) == 0 {
			// Another worker may be ahead.
			if now, _, err := st.Cursor(ctx, site); err != nil || now != cursor {
				return errors.Join(store.ErrConflict, err)
			}
			continue
		}
		c := store.Commit{Expect: cursor, Next: entries[len(entries)-1].Seq}
		for _, entry := range entries {
			if entry.Seq != cursor+1 {
				return errors.New("a hole in the journal at " + strconv.FormatUint(uint64(entry.Seq), 10))
			}
			cursor = entry.Seq
			record, f := state.fold(entry)
			c.Writes = append(c.Writes, record)
			c.Facts = append(c.Facts, f)
		}
		if err := st.Commit(ctx, site, c); err != nil {
			return err
		}
	}
	return nil
}
