package api

import (
	"context"
	"log/slog"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/runner"
	"lintel/engine/store"
)

// queuedStore is a store whose writer is busy with something large while busy is set: appends wait
// behind it, and can be taken back.
type queuedStore struct {
	Store
	leases store.Leases
	busy   atomic.Bool
}

func (s *queuedStore) Lease(ctx context.Context, name, owner string, ttl time.Duration) (bool, error) {
	return s.leases.Lease(ctx, name, owner, ttl)
}

func (s *queuedStore) Append(ctx context.Context, site string, entries ...store.NewEntry) ([]store.Appended, error) {
	if s.busy.Load() {
		<-ctx.Done()
		return nil, ctx.Err()
	}
	return s.Store.Append(ctx, site, entries...)
}

func TestACallerWhoWaitsASecondIsAnsweredBesideALargeCommit(t *testing.T) {
	var st *queuedStore
	r := newRig(t, func(o *Options) {
		st = &queuedStore{Store: o.Store, leases: o.Store.(store.Leases)}
		o.Runner = runner.New(runner.Options{Store: st, Log: slog.New(slog.DiscardHandler), Node: "other"})
		t.Cleanup(o.Runner.Stop)
	}).shop()
	body := `[{"epc":"` + harbourLight + `","read_point":"handheld-1","zone":"shelf-a"}]`
	st.busy.Store(true)
	for _, path := range []string{"reads", "events"} {
		if path == "events" {
			body = `{"type":"sold","epc":"(01)09521141123454(21)104","zone":"till"}`
		}
		started := time.Now()
		r.post("/v1/sites/umberhithe/"+path+"?wait=1s", body).wantsCode(kit.CodeUnavailable)
		require.Less(t, time.Since(started), 5*time.Second, path)
	}
	st.busy.Store(false)
	r.post("/v1/sites/umberhithe/events?wait=1s", body)
}
