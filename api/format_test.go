package api

import (
	"bytes"
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/deliver"
	"lintel/engine/store"
	"lintel/engine/store/boltstore"
)

// What a program of an older format answered, captured and has to tell is there after the upgrade:
// the store is a file that such a program wrote (see the store's own test of it).
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
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(time.Date(2026, 11, 27, 3, 40, 0, 0, time.UTC))) // a few minutes after it was written
		goOn(t, dir)
	})
}

func goOn(t *testing.T, dir string) {
	st, err := boltstore.Open(dir, boltstore.Options{NoSync: true})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, st.Close()) })
	r := newRig(t, func(o *Options) { o.Store, o.Runner = st, runnerOn(t, st) })
	r.store = st
	r.admin = "lk_yfy1Ua4TI5BF_hr6iceYuNJFTV20pvg3O3J-T7qEjh8" // of that store

	const counts, shelf = "/v1/sites/quayside/counts", `{"zones":["shelf-a"]}`
	w, made := httptest.NewRecorder(), httptest.NewRequest("POST", counts, strings.NewReader(shelf))
	made.Header = http.Header{
		"Authorization": {"Bearer " + r.admin}, "Idempotency-Key": {"made once"}, "Content-Type": {kit.MediaJSON},
	}
	r.api.Handler().ServeHTTP(w, made) // not by the rig: the answer has the older program's form
	require.Equal(t, 201, w.Code, w.Body)
	require.Equal(t, "true", w.Header().Get(kit.HeaderReplayed))
	require.Equal(t, "/v1/sites/quayside/counts/quayside-count-5", w.Header().Get("Location"))
	require.Contains(t, w.Body.String(), `"id":"quayside-count-5"`)
	r.do("POST", counts, `{"zones":["stockroom"]}`, "Idempotency-Key", "made once").wantsCode(kit.CodeIdempotencyMismatch)
	r.do("POST", counts, shelf, "Idempotency-Key", "never ended").wantsCode(kit.CodeIdempotencyMismatch)
	// The fingerprint of that one was made up; here it has the one of this request.
	var claim store.Value
	require.NoError(t, st.Values(t.Context(), "answer", []string{"boss never ended"}, func(v store.Value) error {
		claim = v
		of := kit.Fingerprint(httptest.NewRequest("POST", counts, nil), []byte(shelf))
		claim.Data = bytes.Replace(v.Data, []byte(`"f2"`), []byte(`"`+of+`"`), 1)
		return nil
	}))
	_, err = st.SetValues(t.Context(), claim)
	require.NoError(t, err)
	r.do("POST", counts, shelf, "Idempotency-Key", "never ended").wantsCode(kit.CodeIdempotencyLost)

	require.Len(t, into[[]CaptureJob](r.get(capturePath).wants(200)), 1)
	r.get(capturePath + "/1c125da864a89fbe8009a2e2ed4929d3").wants(200)
	notices := into[DeliveryList](r.get("/v1/deliveries").wants(200)).Deliveries
	require.Len(t, notices, 1)
	require.Equal(t, []string{deliver.TypeStopped, "chat"}, []string{notices[0].Type, notices[0].About})
}
