package runner

import (
	"bytes"
	"context"
	"log/slog"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	dto "github.com/prometheus/client_model/go"
	"github.com/stretchr/testify/require"

	"lintel/engine"
	"lintel/engine/store"
	"lintel/engine/store/memory"
)

// slowStore takes its time for each commit.
type slowStore struct {
	Store
	commit time.Duration
}

func (s *slowStore) Commit(ctx context.Context, site string, c store.Commit) error {
	time.Sleep(s.commit)
	return s.Store.Commit(ctx, site, c)
}

// lockedLog is a log that can be read while others write to it.
type lockedLog struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func openSlow(t *testing.T, commit time.Duration) (*Runner, *Site, *lockedLog, func()) {
	st := memory.Open()
	err := st.PutDocuments(t.Context(), []store.DocumentPut{{Document: store.Document{Name: engine.LayoutDocument("umberhithe"), Body: []byte(
		`{"site":"umberhithe","name":"Umberhithe Books","time_zone":"UTC","zones":[{"id":"till","name":"Till","kind":"checkout"}]}`)}}})
	require.NoError(t, err)
	log := &lockedLog{}
	r := New(Options{Store: &slowStore{st, commit}, Log: slog.New(slog.NewTextHandler(log, nil))})
	require.NoError(t, r.Start(t.Context()))
	s, err := r.Site(t.Context(), "umberhithe")
	require.NoError(t, err)
	return r, s, log, func() {
		r.Stop()
		require.NoError(t, st.Close())
	}
}

func nothing(*engine.State) error { return nil }

func TestASlowCommitIsLoggedAndCountedAndHoldsUpNoQuestion(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, s, log, end := openSlow(t, 3*time.Second)
		defer end()
		require.NoError(t, s.View(t.Context(), nothing))
		time.Sleep(2 * time.Second) // the commit of the first entry is under way
		started := time.Now()
		require.NoError(t, s.View(t.Context(), nothing))
		require.Zero(t, time.Since(started))
		synctest.Wait()
		require.Contains(t, log.String(), `msg="a commit is slow" site=umberhithe state="under way" entries=2`)
		time.Sleep(5 * time.Second)
		require.Contains(t, log.String(), `state=ended entries=2`)
		require.Contains(t, log.String(), "took=3s")
		var m dto.Metric
		require.NoError(t, r.opt.Metrics.Slow.WithLabelValues("umberhithe").Write(&m))
		require.NotZero(t, m.Counter.GetValue())
	})
}

// Folding a large document takes seconds. A question waits for as long as it has time, and health
// does not wait at all.
func TestAQuestionGivesUpWaitingForAFold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, s, _, end := openSlow(t, 0)
		defer end()
		require.NoError(t, s.View(t.Context(), nothing))
		synctest.Wait()
		folding := make(chan struct{})
		go s.change(func() { <-folding })
		synctest.Wait()
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		started := time.Now()
		require.ErrorIs(t, s.View(ctx, nothing), context.DeadlineExceeded)
		require.Equal(t, time.Second, time.Since(started))
		require.NoError(t, s.Err())
		close(folding)
		require.NoError(t, s.View(t.Context(), nothing))
	})
}
