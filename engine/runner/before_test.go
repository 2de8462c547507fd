package runner_test

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/redis/go-redis/v9"
	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/engine/store/boltstore"
	"lintel/engine/store/redisstore"
	"lintel/engine/store/redistest"
)

// testdata/before has what an earlier Lintel stored after it had worked a small shop for half a
// minute with fixed readers, a passage, a sale, two counts, a registered tag, alerts and
// deliveries: the file of an embedded store, and DUMP payloads of the keys of a Redis 7.0.
func before(t *testing.T, name string) []byte {
	f, err := os.Open(filepath.Join("testdata", "before", name))
	require.NoError(t, err)
	defer f.Close()
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	b, err := io.ReadAll(z)
	require.NoError(t, err)
	return b
}

func TestDataOfAnEarlierLintelOpens(t *testing.T) {
	t.Run("bolt", func(t *testing.T) {
		dir := t.TempDir()
		require.NoError(t, os.WriteFile(filepath.Join(dir, boltstore.FileName), before(t, "lintel.db.gz"), 0o600))
		st, err := boltstore.Open(dir, boltstore.Options{NoSync: true})
		require.NoError(t, err)
		goOn(t, st)
	})
	t.Run("redis", func(t *testing.T) {
		srv := redistest.Start(t)
		client := redis.NewClient(&redis.Options{Addr: srv.Addr})
		var keys map[string][]byte
		require.NoError(t, json.Unmarshal(before(t, "redis.json.gz"), &keys))
		for key, dump := range keys {
			require.NoError(t, client.Restore(context.Background(), key, 0, string(dump)).Err())
		}
		require.NoError(t, client.Close())
		st, err := redisstore.Open(context.Background(), srv.URL(), redisstore.Options{})
		require.NoError(t, err)
		goOn(t, st)
	})
}

// goOn opens the data, asks about it, and works on with it.
func goOn(t *testing.T, st store.Store) {
	defer func() { require.NoError(t, st.Close()) }()
	ctx := context.Background()
	const site = "umberhithe"
	sent := map[string]int{}
	_, err := st.Records(ctx, site, event.KindDelivery, nil, func(_ store.Kind, _ string, v []byte) error {
		d, err := event.DecodeDelivery(v)
		require.NoError(t, err)
		require.True(t, json.Valid(d.Data))
		sent[d.Type+" "+d.Channel+" "+d.Status.String()]++
		return nil
	})
	require.NoError(t, err)
	require.Equal(t, map[string]int{
		"alert.opened door-team pending": 1, "alert.acknowledged door-team pending": 1, "alert.opened floor-team pending": 4,
		"alert.cleared floor-team pending": 1, "alert.closed floor-team pending": 1,
	}, sent)
	_, err = st.Records(ctx, site, event.KindResult, nil, func(_ store.Kind, _ string, v []byte) error {
		r, err := event.DecodeCountResult(v)
		require.NoError(t, err)
		require.Equal(t, []any{1, 1, 0, 1}, []any{r.Expected, r.Matched, r.Missing, r.Unexpected})
		require.Equal(t, event.NewHere, r.Differences[0].Finding)
		return nil
	})
	require.NoError(t, err)

	// It goes on a minute after it was stopped.
	began, stopped := time.Now(), time.Date(2026, 11, 27, 4, 18, 0, 0, time.UTC)
	now := func() time.Time { return stopped.Add(time.Since(began)) }
	r := runner.New(runner.Options{Store: st, Deliver: &outbox{}, Log: slog.New(slog.DiscardHandler), Now: now})
	require.NoError(t, r.Start(ctx))
	defer r.Stop()
	shop, err := r.Site(ctx, site)
	require.NoError(t, err)
	look := func(f func(s *engine.State)) {
		require.NoError(t, shop.View(ctx, func(s *engine.State) error { f(s); return nil }))
	}
	look(func(s *engine.State) {
		where := map[string]string{}
		for _, it := range s.Items(engine.ItemFilter{}, 100) {
			where[it.Text] = it.Zone + " " + it.Disposition.String()
		}
		require.Equal(t, map[string]string{
			"(01)09521234000013(21)1":                  "till retail_sold",
			"(01)09521234000013(21)2":                  "street-door sellable_accessible",
			"(01)09521234000013(21)3":                  "front-tables sellable_accessible",
			"(01)09521234000020(21)1":                  "shelf-f sellable_accessible",
			"(01)09521234000020(21)2":                  "shelf-f sellable_accessible",
			"(01)09521234000020(21)9":                  "front-tables sellable_accessible",
			"urn:epc:raw:96.xE2000102030405060708090A": "shelf-a sellable_accessible",
			"urn:epc:raw:96.xE2000102030405060708090B": "shelf-a unknown",
		}, where)
		stands := map[string]string{}
		for _, a := range s.LiveAlerts() {
			stands[a.ID+" "+a.Rule] = a.Status.String()
			if a.Lead != "" {
				stands[a.ID+" "+a.Rule] += " within " + a.Lead
			}
			require.True(t, a.Status == event.AlertPending || a.Lead != "" || json.Valid(a.Why), a.ID)
		}
		require.Equal(t, map[string]string{
			"umberhithe-1-1 below-minimum":     "cleared",
			"umberhithe-29-1 unpaid-at-exit":   "acknowledged",
			"umberhithe-29-2 below-minimum":    "open",
			"umberhithe-46-1 on-shelf-f":       "open",
			"umberhithe-46-2 stays-on-shelf-f": "pending",
			"umberhithe-47-1 on-shelf-f":       "open within umberhithe-46-1",
			"umberhithe-47-2 stays-on-shelf-f": "pending",
		}, stands)
		a, ok := s.Alert("umberhithe-29-1")
		require.True(t, ok)
		require.Equal(t, []any{event.DirectionOut, event.Passed, "tester"}, []any{a.Passage.Direction, a.Cause, a.AckedBy})
	})

	// The count that was left open goes on and is closed; the book that went out is paid for after
	// all.
	var count string
	_, err = st.Records(ctx, site, event.KindCount, nil, func(_ store.Kind, _ string, v []byte) error {
		c, err := event.DecodeCount(v)
		if c.Status == event.CountOpen {
			count = c.ID
			require.Equal(t, []any{1, "left open"}, []any{c.Distinct, c.Note})
		}
		return err
	})
	require.NoError(t, err)
	tag, err := epc.Parse("(01)09521234000013(21)2")
	require.NoError(t, err)
	for _, e := range []*event.Entry{
		{Kind: event.EntryCount, Command: event.CountCommand{Do: "close", ID: count}},
		{Kind: event.EntryEvents, Events: []event.Event{{Type: event.EventSold, Tags: []event.Tag{{Key: tag.Key()}},
			Zone: "till", T: now().UnixMilli()}}},
	} {
		e.At = now().UnixMilli()
		_, err := r.Append(ctx, site, e, "", "")
		require.NoError(t, err)
	}
	require.Eventually(t, func() (over bool) {
		look(func(s *engine.State) {
			a, _ := s.Alert("umberhithe-29-1")
			over = a.Status == event.AlertCleared
		})
		return over
	}, 10*time.Second, 5*time.Millisecond)
	look(func(s *engine.State) {
		c, _ := s.Count(count)
		require.Equal(t, event.CountClosed, c.Status)
	})
	var causes map[event.Cause]int
	require.Eventually(t, func() bool {
		causes = make(map[event.Cause]int)
		require.NoError(t, st.Facts(ctx, site, store.FactID{}, store.FactID{}, 0, func(id store.FactID, data []byte) error {
			var f event.Fact
			err := event.DecodeFact(data, id.Ms, id.N, &f)
			causes[f.Cause]++
			return err
		}))
		return causes[event.Sold] == 2 && causes[event.Counted] == 2
	}, 10*time.Second, 5*time.Millisecond, "a sale and a count of before, and one each of now")
	for _, c := range []event.Cause{event.Arrived, event.Passed, event.Received, event.Registered, event.Stock, event.Foreign} {
		require.NotZero(t, causes[c], c)
	}
}
