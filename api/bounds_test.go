package api

import (
	"context"
	"io"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/store"
)

// A stream that is open when its key is revoked ends within a few seconds.
func TestALiveStreamEndsWithItsKey(t *testing.T) {
	r := newRig(t).shop()
	srv := httptest.NewServer(r.api.Handler())
	defer srv.Close()
	var events <-chan sseEvent
	r.as(r.key("screen", kit.ScopeOperate), func(r *rig) { events, _ = r.listen(srv, "") })
	require.NoError(t, kit.RevokeKey(t.Context(), r.store, "screen", "other", time.Now()))
	started := time.Now()
	require.Contains(t, next(t, events, eventGoodbye).data, "revoked")
	require.Less(t, time.Since(started), 5*time.Second)
}

// So does one whose key ends by itself, or was rotated with an overlap that is over; one with the new key
// goes on.
func TestALiveStreamEndsWithItsKeysTime(t *testing.T) {
	r := newRig(t).shop()
	srv := httptest.NewServer(r.api.Handler())
	defer srv.Close()
	until := time.Now().Add(3 * time.Second)
	ends, err := kit.MintKeyUntil(t.Context(), r.store, "guest", []string{kit.ScopeOperate}, []string{kit.AllSites}, &until, "test", time.Now())
	require.NoError(t, err)
	was := r.key("screen", kit.ScopeOperate)
	is, _, err := kit.RotateKey(t.Context(), r.store, "screen", 3*time.Second, "test", time.Now())
	require.NoError(t, err)
	r.api.server.ForgetKeys()
	started := time.Now()
	var streams []<-chan sseEvent
	var leaves []func()
	for _, key := range []string{ends, was, is} {
		r.as(key, func(r *rig) {
			events, leave := r.listen(srv, "")
			leaves = append(leaves, leave)
			streams = append(streams, events)
		})
	}
	defer func() { // before the server, which waits for its streams
		for _, leave := range leaves {
			leave()
		}
	}()
	for _, events := range streams[:2] {
		require.Contains(t, next(t, events, eventGoodbye).data, "ended at")
	}
	require.Less(t, time.Since(started), 8*time.Second)
	select {
	case e, open := <-streams[2]:
		require.True(t, open, "%v", e)
		require.NotEqual(t, eventGoodbye, e.name)
	case <-time.After(3 * time.Second):
	}
}

// A request whose client is gone puts nothing into the journal.
func TestNothingIsAppendedForAClientThatIsGone(t *testing.T) {
	r := newRig(t).shop()
	_, before, err := r.store.Cursor(t.Context(), "umberhithe")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for path, body := range map[string]string{
		"/v1/sites/umberhithe/reads":  `[{"epc":"` + harbourLight + `","read_point":"handheld-1","zone":"shelf-a"}]`,
		"/v1/sites/umberhithe/events": `{"type":"sold","epc":"` + harbourLight + `"}`,
	} {
		req := httptest.NewRequestWithContext(ctx, "POST", path, strings.NewReader(body))
		req.Header.Set("Authorization", "Bearer "+r.admin)
		require.GreaterOrEqual(t, r.send(req).status, 400)
	}
	_, after, err := r.store.Cursor(t.Context(), "umberhithe")
	require.NoError(t, err)
	require.Equal(t, before, after)
}

// What is read without a time happened when it arrived, however long the store took meanwhile.
func TestReadsWithoutATimeAreOfTheirArrival(t *testing.T) {
	r := newRig(t).shop()
	arrived := r.clock()
	clock := r.api.opt.Now
	r.api.opt.Now = func() time.Time { return clock().Add(3 * time.Second) } // what anybody asks for later
	a := into[BatchAnswer](r.post("/v1/sites/umberhithe/reads?wait=5s", `[{"epc":"`+harbourLight+`","read_point":"tables-1"},
		{"epc":"`+harbourLight+`","read_point":"handheld-1","zone":"shelf-a"}]`).wants(200))
	require.NotEmpty(t, a.Facts)
	require.WithinDuration(t, arrived, a.Facts[0].At, 2*time.Second)
}

// Times that can't be meant are named as they were written.
func TestTimesAreNamedAsTheyWereWritten(t *testing.T) {
	r := newRig(t).shop()
	for written, want := range map[string]string{
		`"0000-01-01T00:00:00Z"`: "time 0000-01-01T00:00:00Z is before 2000",
		`"9999-01-01T00:00:00Z"`: "time 9999-01-01T00:00:00Z is 29",
		`999999999999999`:        "time 999999999999999 is ",
	} {
		p := r.reads(`[{"epc":"` + harbourLight + `","read_point":"tables-1","time":` + written + `}]`).wantsCode(codeNothingAccepted)
		require.Contains(t, p.json()["detail"], want)
	}
}

// Requests that are small on the wire and large when they are decoded are refused before they are.
func TestWhatWouldTakeMuchMemoryIsRefused(t *testing.T) {
	r := newRig(t).shop()
	r.post("/v1/configuration/plan", `{"documents":[`+strings.Repeat("{},", 500_000)+`{}]}`).wantsCode(kit.CodeInvalidBody)
	r.do("POST", "/v1/sites/umberhithe/items.csv?dry_run=true", "epc"+strings.Repeat(",", 1<<20), "Content-Type", mediaCSV).
		wantsCode(kit.CodeInvalidDocument)
	r.do("PUT", "/v1/products?dry_run=true", "gtin,name"+strings.Repeat(",", 1<<20), "Content-Type", mediaCSV).
		wantsCode(kit.CodeInvalidDocument)
	r.post("/epcis/capture?site=umberhithe", `{"@context":[`+strings.Repeat("{},", 100_000)+`{}]}`).wantsCode(codeBatchTooLarge)
	check := into[CheckAnswer](r.do("POST", "/v1/rules/check", "rules: [\n"+strings.Repeat("a,\n", 250_000)+"]", "Content-Type", mediaYAML).wants(200))
	require.False(t, check.OK)
	require.Contains(t, check.Diagnostics[0].Reason, "more than 150000 lines, commas")
	for _, media := range lineTypes {
		r.do("POST", "/v1/sites/umberhithe/reads", `{"epc":"`+harbourLight+`","read_point":"tables-1"}`, "Content-Type", media).wants(202)
	}
}

// A HEAD of a stream says that it is there, and a query that does not parse is none.
func TestQueriesThatDoNotParse(t *testing.T) {
	r := newRig(t).shop()
	for _, query := range []string{"?dry_run", "?dry_run=", "?dry_run=true;x=1", "?dry_run=%25zz", "?dry_run=%zz"} {
		req := httptest.NewRequest("PUT", "/v1/sites/umberhithe/layout", strings.NewReader(strings.Replace(testLayout, "Front tables", "T", 1)))
		req.URL.RawQuery = query[1:]
		req.Header.Set("Authorization", "Bearer "+r.admin)
		r.send(req).wantsCode(kit.CodeInvalidParameter)
	}
	require.Len(t, into[VersionList](r.get("/v1/sites/umberhithe/layout/versions")).Versions, 1, "none of them was stored")
	require.Equal(t, 200, r.do("HEAD", "/v1/sites/umberhithe/live", "").status)
}

// backedUp is a store that has a backup.
type backedUp struct{ store.Store }

func (backedUp) Backup(_ context.Context, w io.Writer) (int64, error) {
	n, err := io.WriteString(w, "all of it")
	return int64(n), err
}

func TestBackup(t *testing.T) {
	r := newRig(t)
	r.get("/v1/backup").wantsCode(codeNoBackup)
	r.get("/v1/backup?x=1").wantsCode(kit.CodeInvalidParameter)
	r = newRig(t, func(o *Options) { o.Store = backedUp{o.Store.(store.Store)} })
	require.Equal(t, "all of it", string(r.get("/v1/backup").wants(200).body))
}
