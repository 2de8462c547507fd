package runner_test

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/epc"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/store"
	"lintel/engine/store/memory"
)

const otherRules = `storm: 10000 per 10m
rules:
  - name: of-another-shop
    when: item.at_other_site != ""
    say: "{product.name} belongs to {item.other_site_name}"
    send: [floor-team]
`

// otherShop stores a second site, with the rule about items of other shops.
func otherShop(t *testing.T, r *runner.Runner) {
	layout := strings.NewReplacer(`"umberhithe"`, `"harbour-branch"`, "Umberhithe Books", "Harbour Branch").Replace(layoutJSON)
	for name, body := range map[string]string{engine.RulesDocument: otherRules, engine.LayoutDocument("harbour-branch"): layout} {
		_, err := r.SaveDocument(context.Background(), name, []byte(body), "test", "", -1)
		require.NoError(t, err)
	}
}

func happened(t *testing.T, r *runner.Runner, site string, typ event.EventType, zone string, serials ...int) {
	now := time.Now().UnixMilli()
	ev := event.Event{Type: typ, Zone: zone, T: now}
	for _, n := range serials {
		ev.Tags = append(ev.Tags, event.Tag{Key: key(n)})
	}
	_, err := r.Append(context.Background(), site, &event.Entry{Kind: event.EntryEvents, At: now, Events: []event.Event{ev}}, "", "")
	require.NoError(t, err)
	time.Sleep(time.Minute)
}

func heard(t *testing.T, r *runner.Runner, site string, serials ...int) {
	for _, n := range serials {
		_, err := r.Append(context.Background(), site, shelved(n), "", "")
		require.NoError(t, err)
	}
	time.Sleep(time.Minute)
}

// says returns what the open alerts of a site say.
func says(t *testing.T, r *runner.Runner, site string) (list []string) {
	s, err := r.Site(context.Background(), site)
	require.NoError(t, err)
	require.NoError(t, s.View(context.Background(), func(state *engine.State) error {
		for _, a := range state.LiveAlerts() {
			if a.Status != event.AlertOpen {
				continue
			}
			list = append(list, a.Key.String()[len(a.Key.String())-1:]+": "+a.Say)
		}
		return nil
	}))
	return list
}

// holders returns which site has each item, by the index.
func holders(t *testing.T, st store.Store) map[epc.Key]string {
	m := make(map[epc.Key]string)
	require.NoError(t, st.Values(context.Background(), runner.KindHolder, nil, func(v store.Value) error {
		k, err := epc.KeyFromBytes([]byte(v.Key))
		m[k] = string(v.Data)
		return err
	}))
	return m
}

func TestItemsOfAnotherShop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		reg := prometheus.NewRegistry()
		r := runner.New(runner.Options{Store: st, Log: slog.New(slog.DiscardHandler), LeaseTTL: 300 * time.Millisecond,
			Metrics: runner.NewMetrics(reg)})
		require.NoError(t, r.Start(context.Background()))
		setUp(t, r)
		// What one shop alone has is in no index; with a second shop it is.
		happened(t, r, "umberhithe", event.EventReceived, "shelf-a", 1, 2, 3, 4, 5)
		require.Empty(t, holders(t, st))
		otherShop(t, r)
		time.Sleep(2 * time.Minute)
		require.Len(t, holders(t, st), 5)

		happened(t, r, "umberhithe", event.EventSold, "till", 2)
		happened(t, r, "umberhithe", event.EventShipped, "", 3)
		happened(t, r, "umberhithe", event.EventRetired, "", 4)
		require.Equal(t, map[epc.Key]string{key(1): "umberhithe", key(5): "umberhithe"}, holders(t, st))

		heard(t, r, "harbour-branch", 1, 2, 3, 4, 6)
		require.Equal(t, []string{"1: The Tide Table belongs to Umberhithe Books"}, says(t, r, "harbour-branch"))
		require.Empty(t, says(t, r, "umberhithe"))
		require.Equal(t, map[epc.Key]string{key(1): "umberhithe", key(5): "umberhithe", key(2): "harbour-branch", key(3): "harbour-branch",
			key(4): "harbour-branch", key(6): "harbour-branch"}, holders(t, st), "what no shop had is taken by who hears it")

		// What a delivery brings is the shop's own.
		happened(t, r, "harbour-branch", event.EventReceived, "shelf-a", 1)
		require.Empty(t, says(t, r, "harbour-branch"))
		require.Equal(t, "harbour-branch", holders(t, st)[key(1)])

		// Told in the same moments, the last word stands.
		heard(t, r, "harbour-branch", 5)
		require.Len(t, says(t, r, "harbour-branch"), 1)
		happened(t, r, "umberhithe", event.EventSold, "till", 5)
		happened(t, r, "harbour-branch", event.EventSold, "till", 5)
		require.Empty(t, says(t, r, "harbour-branch"), "nobody has it any more")

		// The state is the same when it is loaded again, and the index too.
		before := holders(t, st)
		heard(t, r, "umberhithe", 6)
		require.Equal(t, []string{"6: The Tide Table belongs to Harbour Branch"}, says(t, r, "umberhithe"))
		r.Stop()
		r = start(t, st, &outbox{})
		time.Sleep(2 * time.Minute)
		require.Equal(t, []string{"6: The Tide Table belongs to Harbour Branch"}, says(t, r, "umberhithe"))
		require.Equal(t, before, holders(t, st))
		r.Stop()
	})
}

// An index that was lost, or left wrong by a process that died, is right again when the sites are loaded.
func TestIndexOfShopsIsRepaired(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := memory.Open()
		defer st.Close()
		r := start(t, st, &outbox{})
		setUp(t, r)
		otherShop(t, r)
		happened(t, r, "umberhithe", event.EventReceived, "shelf-a", 1, 2)
		happened(t, r, "umberhithe", event.EventSold, "till", 2)
		want := map[epc.Key]string{key(1): "umberhithe"}
		require.Equal(t, want, holders(t, st))
		r.Stop()
		var changes []store.Value
		for n, data := range [][]byte{nil, []byte("umberhithe")} {
			k, _ := key(n + 1).AppendBinary(nil)
			changes = append(changes, store.Value{Kind: runner.KindHolder, Key: string(k), Revision: store.AnyRevision, Data: data})
		}
		_, err := st.SetValues(context.Background(), changes...)
		require.NoError(t, err)
		r = start(t, st, &outbox{})
		time.Sleep(time.Minute)
		require.Equal(t, want, holders(t, st))
		require.Empty(t, says(t, r, "harbour-branch"))
		r.Stop()
	})
}

// away is a store whose index of shops can't be reached for a while.
type away struct {
	store.Store
	is atomic.Bool
}

func (a *away) Values(ctx context.Context, kind store.Kind, keys []string, fn func(store.Value) error) error {
	if a.is.Load() && kind == runner.KindHolder {
		return errors.New("the index is away")
	}
	return a.Store.Values(ctx, kind, keys, fn)
}

// What waits for an index that can't be reached is bounded. What there is no room for is counted, and the
// index is right all the same when it can be reached again. The loop never waits for it.
func TestIndexOfShopsIsAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := &away{Store: memory.Open()}
		defer st.Close()
		metrics := runner.NewMetrics(nil)
		r := runner.New(runner.Options{Store: st, Log: slog.New(slog.DiscardHandler), LeaseTTL: 300 * time.Millisecond, Metrics: metrics})
		require.NoError(t, r.Start(context.Background()))
		setUp(t, r)
		otherShop(t, r)
		time.Sleep(time.Minute)
		st.is.Store(true)
		serials := make([]int, 67_000)
		for i := range serials {
			serials[i] = 1 + i
		}
		happened(t, r, "umberhithe", event.EventReceived, "shelf-a", serials...)
		cursor, newest, err := st.Cursor(context.Background(), "umberhithe")
		require.NoError(t, err)
		require.Equal(t, newest, cursor)
		var m dto.Metric
		require.NoError(t, metrics.LookupsLost.WithLabelValues("umberhithe").Write(&m))
		require.InDelta(t, len(serials)-1<<16, m.GetCounter().GetValue(), 200)
		st.is.Store(false)
		time.Sleep(5 * time.Minute)
		require.Len(t, holders(t, st), len(serials))
		r.Stop()
	})
}
