package storetest

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"testing"

	"lintel/engine/store"
)

// Bench measures an engine. open opens an empty store and closes it when the benchmark ends.
func Bench(b *testing.B, open func(b *testing.B) store.Store) {
	for _, size := range []int{1 << 10, 12 << 10} {
		data := bytes.Repeat([]byte("0123456789abcdef"), size/16)
		b.Run(fmt.Sprintf("Append/%dKB/one", size>>10), func(b *testing.B) { benchAppend(b, open(b), 1, store.NewEntry{Data: data}) })
		b.Run(fmt.Sprintf("Append/%dKB/parallel", size>>10), func(b *testing.B) { benchAppend(b, open(b), 64, store.NewEntry{Data: data}) })
		b.Run(fmt.Sprintf("Append/%dKB/keyed", size>>10), func(b *testing.B) {
			benchAppend(b, open(b), 64, store.NewEntry{Data: data, IdempotencyKey: "k", Fingerprint: "f"})
		})
	}
	b.Run("Read/12KB", func(b *testing.B) { benchRead(b, open(b)) })
	for _, n := range []int{100, 5000} {
		b.Run(fmt.Sprintf("Commit/%d", n), func(b *testing.B) { benchCommit(b, open(b), n) })
	}
	b.Run("Load/100000", func(b *testing.B) { benchLoad(b, open(b)) })
	b.Run("Facts/100000", func(b *testing.B) { benchFacts(b, open(b)) })
}

func must(b *testing.B, err error) {
	b.Helper()
	if err != nil {
		b.Fatal(err)
	}
}

// benchAppend appends with so many callers at once. Keyed entries each get a key of their own.
// Every now and then it trims, as the data would otherwise grow with the number of rounds.
func benchAppend(b *testing.B, st store.Store, callers int, entry store.NewEntry) {
	ctx := context.Background()
	site := unique("bench")
	keyed := entry.IdempotencyKey != ""
	b.SetBytes(int64(len(entry.Data)))
	b.ReportAllocs()
	append := func(i int) error {
		e := entry
		if keyed {
			e.IdempotencyKey = fmt.Sprintf("%032d", i)
		}
		_, err := st.Append(ctx, site, e)
		return err
	}
	if callers == 1 {
		for i := 0; b.Loop(); i++ {
			must(b, append(i))
		}
		return
	}
	next := make(chan int, 1024)
	errs := make(chan error, callers)
	for range callers {
		go func() {
			var err error
			for i := range next {
				if err == nil {
					err = append(i)
				}
			}
			errs <- err
		}()
	}
	for i := 0; b.Loop(); i++ {
		next <- i
	}
	close(next)
	for range callers {
		must(b, <-errs)
	}
}

func benchRead(b *testing.B, st store.Store) {
	ctx := context.Background()
	site := unique("bench")
	data := bytes.Repeat([]byte("0123456789abcdef"), 12<<10/16)
	const n = 1000
	for range n {
		_, err := st.Append(ctx, site, store.NewEntry{Data: data})
		must(b, err)
	}
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	left := []store.Entry{}
	for b.Loop() {
		if len(left) == 0 {
			var err error
			left, err = st.Read(ctx, site, 0, n, 0)
			must(b, err)
		}
		left = left[1:]
	}
}

// itemKey is a key of 16 bytes that comes in no order.
func itemKey(i int) string {
	var k [16]byte
	binary.BigEndian.PutUint64(k[:], uint64(i)*0x9e3779b97f4a7c15)
	binary.BigEndian.PutUint64(k[8:], uint64(i))
	return string(k[:])
}

// itemValue is a value of 30 bytes.
func itemValue(i int) []byte { return fmt.Appendf(nil, "%030d", i) }

// fill commits n records.
func fill(b *testing.B, st store.Store, site string, n int) (cursor store.Seq) {
	for i := 0; i < n; i += 5000 {
		c := store.Commit{Expect: cursor, Next: cursor + 1}
		for j := i; j < min(i+5000, n); j++ {
			c.Writes = append(c.Writes, store.Record{Kind: "item", Key: itemKey(j), Value: itemValue(j)})
		}
		must(b, st.Commit(context.Background(), site, c))
		cursor++
	}
	return cursor
}

// benchCommit commits n changes of a site of 100,000 records, with one fact for every ten.
func benchCommit(b *testing.B, st store.Store, n int) {
	const items = 100_000
	ctx := context.Background()
	site := unique("bench")
	cursor := fill(b, st, site, items)
	at := 0
	b.ReportAllocs()
	for b.Loop() {
		c := store.Commit{Expect: cursor, Next: cursor + 1, Writes: make([]store.Record, n)}
		for i := range n {
			at = (at + 7919) % items // a prime, so that they are spread
			c.Writes[i] = store.Record{Kind: "item", Key: itemKey(at), Value: itemValue(at)}
			if i%10 == 0 {
				c.Facts = append(c.Facts, store.Fact{ID: store.FactID{Ms: int64(c.Next), N: uint32(i)}, Data: c.Writes[i].Value})
			}
		}
		must(b, st.Commit(ctx, site, c))
		cursor++
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*n), "ns/record")
}

func benchLoad(b *testing.B, st store.Store) {
	const items = 100_000
	site := unique("bench")
	fill(b, st, site, items)
	b.ReportAllocs()
	for b.Loop() {
		n := 0
		_, err := st.Records(context.Background(), site, "", nil, func(store.Kind, string, []byte) error { n++; return nil })
		must(b, err)
		if n != items {
			b.Fatalf("%d records", n)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*items), "ns/record")
}

func benchFacts(b *testing.B, st store.Store) {
	const facts = 100_000
	ctx := context.Background()
	site := unique("bench")
	for i := 0; i < facts; i += 5000 {
		c := store.Commit{Loose: true}
		for j := i; j < i+5000; j++ {
			c.Facts = append(c.Facts, store.Fact{ID: store.FactID{Ms: int64(j + 1)}, Data: bytes.Repeat([]byte("f"), 60)})
		}
		must(b, st.Commit(ctx, site, c))
	}
	b.ReportAllocs()
	for b.Loop() {
		n := 0
		must(b, st.Facts(ctx, site, store.FactID{}, store.FactID{}, 0, func(store.FactID, []byte) error { n++; return nil }))
		if n != facts {
			b.Fatalf("%d facts", n)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*facts), "ns/fact")
}
