package runner_test

import (
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/engine/store/memory"
)

// passageAcross plays a passage whose reads straddle a restart: what was read before the server stopped
// came in at once, the rest waited in the reader until it was up again. It returns the facts of the
// passage.
func passageAcross(t *testing.T, down time.Duration, cut int64, restart bool) (facts []event.Fact) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		options := runner.Options{Store: st, Log: slog.New(slog.DiscardHandler)}
		r := runner.New(options)
		require.NoError(t, r.Start(t.Context()))
		setUp(t, r)
		put := func(e *event.Entry) {
			e.At = time.Now().UnixMilli()
			_, err := r.Append(t.Context(), "umberhithe", e, "", "")
			require.NoError(t, err)
		}
		put(shelvedAt(1, time.Now()))
		time.Sleep(time.Minute)
		whole := carriedOut(1, time.Now().Add(4*time.Second))
		began := time.Now().UnixMilli()
		report := func(from, to int64) {
			e := &event.Entry{Kind: event.EntryReads, Points: whole.Points}
			for _, x := range whole.Reads {
				if x.T >= began+from && x.T < began+to {
					e.Reads = append(e.Reads, x)
				}
			}
			if len(e.Reads) > 0 {
				put(e)
			}
		}
		for at := int64(0); at < 4000; at += 500 {
			time.Sleep(500 * time.Millisecond)
			if at < cut {
				report(at, at+500)
			}
		}
		time.Sleep(100 * time.Millisecond)
		if restart {
			r.Stop()
		}
		time.Sleep(down)
		if restart {
			r = runner.New(options)
			require.NoError(t, r.Start(t.Context()))
		}
		report(cut, 4000)
		time.Sleep(30 * time.Second)
		settle(t, r, st)
		r.Stop()
		require.NoError(t, st.Facts(t.Context(), "umberhithe", store.FactID{}, store.FactID{}, 0, func(id store.FactID, data []byte) error {
			var f event.Fact
			err := event.DecodeFact(data, id.Ms, id.N, &f)
			if err == nil && f.Cause == event.Passed {
				facts = append(facts, f)
			}
			return err
		}))
	})
	return facts
}

// A passage that a restart of up to ten seconds cuts in two is judged as without it: what was heard
// before is rebuilt from the journal. After half a minute it is not: a door judges what it heard within
// 16 s, and what nobody could report is no silence that would complete it. Then nothing is concluded.
func TestAPassageThatStraddlesARestart(t *testing.T) {
	for _, down := range []time.Duration{0, time.Second, 10 * time.Second, 30 * time.Second} {
		for cut := int64(500); cut <= 3500; cut += 500 {
			sure := func(restart bool) (list []string) {
				for _, f := range passageAcross(t, down, cut, restart) {
					require.Equal(t, event.DirectionOut, f.Passage.Direction, "down for %v, cut at %d ms", down, cut)
					if !f.Passage.Likely {
						list = append(list, f.Zone)
					}
				}
				return list
			}
			with, without := sure(true), sure(false)
			if down <= 10*time.Second {
				require.Equal(t, []string{"street-door"}, with, "down for %v, cut at %d ms", down, cut)
				require.Equal(t, with, without, "down for %v, cut at %d ms", down, cut)
			} else {
				require.Empty(t, with)
			}
		}
	}
}
