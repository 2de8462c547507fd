package api

import (
	"compress/gzip"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/deliver"
	"lintel/engine/store/boltstore"
)

// What a program of an older format answered, captured and has to tell is there after the upgrade: the store
// is a file that such a program wrote (see the store's own test of it).
func TestAnOlderStoreGoesOn(t *testing.T) {
	f, err := os.Open("../engine/store/testdata/format1.db.gz")
	require.NoError(t, err)
	defer f.Close()
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	b, err := io.ReadAll(z)
	require.NoError(t, err)
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, boltstore.FileName), b, 0o600))
	st, err := boltstore.Open(dir, boltstore.Options{NoSync: true})
	require.NoError(t, err)
	defer st.Close()

	r := newRig(t)
	written := time.Date(2026, 11, 27, 3, 40, 0, 0, time.UTC) // a few minutes after it was
	run := runnerOn(t, st)
	r.store, r.keys = st, map[string]string{}
	r.api = New(Options{Store: st, Runner: run, Log: r.api.log, Now: func() time.Time { return written }})
	r.admin = "lk_yfy1Ua4TI5BF_hr6iceYuNJFTV20pvg3O3J-T7qEjh8" // of that store

	const counts, shelf = "/v1/sites/quayside/counts", `{"zones":["shelf-a"]}`
	rep := r.do("POST", counts, shelf, "Idempotency-Key", "made once").wants(201)
	require.Equal(t, "true", rep.header.Get(headerReplayed))
	require.Equal(t, "/v1/sites/quayside/counts/quayside-count-5", rep.header.Get("Location"))
	r.do("POST", counts, `{"zones":["stockroom"]}`, "Idempotency-Key", "made once").wantsCode(codeIdempotencyMismatch)
	r.do("POST", counts, shelf, "Idempotency-Key", "never ended").wantsCode(codeIdempotencyMismatch) // its fingerprint is another's
	_, err = r.api.answers.claim(t.Context(), "boss never ended", "f2", time.Minute)
	require.Equal(t, codeIdempotencyLost, asProblem(err).code)

	require.Len(t, into[[]CaptureJob](r.get(capturePath).wants(200)), 1)
	r.get(capturePath + "/1c125da864a89fbe8009a2e2ed4929d3").wants(200)
	notices := into[DeliveryList](r.get("/v1/deliveries").wants(200)).Deliveries
	require.Len(t, notices, 1)
	require.Equal(t, []string{deliver.TypeStopped, "chat"}, []string{notices[0].Type, notices[0].About})
}
