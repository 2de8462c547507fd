package api

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/event"
	"lintel/engine/passages"
	"lintel/engine/store"
)

// passed returns the id of the fact that a book with that serial number passed the door.
func (r *rig) passed(serial int) string {
	for _, f := range into[FactList](r.get("/v1/sites/umberhithe/facts?cause=passed").wants(200)).Facts {
		if f.Passage.Sure && strings.HasSuffix(f.Item, fmt.Sprintf("(21)%d", serial)) {
			return f.ID
		}
	}
	require.Fail(r.t, "no passage", serial)
	return ""
}

func TestPassage(t *testing.T) {
	r := newRig(t).shop()
	alert := r.alert(6789)
	id := r.passed(6789)
	path := "/v1/sites/umberhithe/facts/" + id + "/passage"
	rep := r.get(path).wants(200)
	p := into[passages.Passage](rep)
	require.Equal(t, "street-door", p.Door)
	require.Equal(t, "(01)09521141123454(21)6789", p.Item)
	require.Empty(t, p.Label)
	require.Equal(t, "out", p.Notified.Direction)
	require.True(t, p.Notified.Sure)
	require.Equal(t, passages.Known{Disposition: "sellable_accessible", GTIN: "09521141123454"}, p.Known, "it came to the shelf later")
	require.JSONEq(t, testLayout, string(p.Layout))
	require.Equal(t, []string{"handheld-1", "street-door-in", "street-door-out"}, p.Points)
	require.Len(t, p.Entries, 2)
	require.Equal(t, "shelf-a", p.Entries[0].Reads[0].Zone)
	require.Len(t, p.Entries[1].Reads, 8)

	// It is what the file's reader takes, and is concluded again.
	read, err := passages.NewReader(bytes.NewReader(rep.body)).Next()
	require.NoError(t, err)
	j, err := read.Judge()
	require.NoError(t, err)
	require.True(t, j.Out)
	require.True(t, j.Same)

	// Labels: as asked for, or by what people said of the alert.
	require.Equal(t, "in", into[passages.Passage](r.get(path+"?label=in").wants(200)).Label)
	r.get(path + "?label=gone").wantsCode(kit.CodeInvalidParameter)
	for i, c := range [][2]string{{"genuine", "out"}, {"false", "stayed"}, {"unclear", ""}} {
		outcome, label, serial := c[0], c[1], 7000+i
		closed := r.alert(serial)
		r.post("/v1/alerts/"+closed+"/close", `{"outcome":"`+outcome+`"}`).wants(200)
		path := "/v1/sites/umberhithe/facts/" + r.passed(serial) + "/passage"
		r.until("the outcome on record", func() bool { return strings.Contains(string(r.get("/v1/alerts/"+closed).body), outcome) })
		require.Equal(t, label, into[passages.Passage](r.get(path).wants(200)).Label, outcome)
		require.Empty(t, into[passages.Passage](r.get(path+"?label=").wants(200)).Label)
	}
	r.post("/v1/alerts/"+alert+"/close", `{"outcome":"false"}`).wants(200)

	// A passage keeps the layout of its time.
	r.do("PUT", "/v1/sites/umberhithe/layout", strings.ReplaceAll(testLayout, "Street door", "Front door"), "If-Match", `"1"`).wants(200)
	require.Contains(t, string(into[passages.Passage](r.get(path).wants(200)).Layout), "Street door")

	// What is no passage.
	r.as(r.key("gate", kit.ScopeReads), func(r *rig) { r.get(path).wants(403) })
	r.get("/v1/sites/nowhere/facts/" + id + "/passage").wantsCode(kit.CodeUnknownSite)
	for _, none := range []string{"1-0", "x", "9223372036854775807-0"} {
		r.get("/v1/sites/umberhithe/facts/" + none + "/passage").wantsCode(codeUnknownFact)
	}
	arrived := into[FactList](r.get("/v1/sites/umberhithe/facts?cause=arrived").wants(200)).Facts[0].ID
	require.Contains(t, string(r.get("/v1/sites/umberhithe/facts/"+arrived+"/passage").wantsCode(codeNoPassage).body),
		"is of cause arrived, which is no passage")
	trim := func(to uint64) {
		require.NoError(t, r.store.Trim(t.Context(), "umberhithe", store.Trim{Journal: store.Seq(to)}))
	}
	trim(1)
	require.Contains(t, string(r.get(path).wantsCode(codeNoPassage).body), "are no longer in the journal")
	_, newest, err := r.store.Cursor(t.Context(), "umberhithe")
	require.NoError(t, err)
	trim(uint64(newest))
	r.get(path).wantsCode(codeNoPassage)
}

// Of a journal that is trimmed, a time is whole if an entry from before it is left.
func TestEntriesBetween(t *testing.T) {
	r := newRig(t).shop()
	start := r.clock().UnixMilli()
	const n = 100
	r.ahead.Add(n * 10 * int64(time.Second)) // what a clock behind the site's appends has another time
	for i := range n {
		e := event.Entry{Kind: event.EntryTick, At: start + int64(i)*10_000}
		_, err := r.run.Append(t.Context(), "umberhithe", &e, "", "")
		require.NoError(t, err)
	}
	_, newest, err := r.store.Cursor(t.Context(), "umberhithe")
	require.NoError(t, err)
	r.until("all are folded", func() bool { c, _, err := r.store.Cursor(t.Context(), "umberhithe"); return err == nil && c >= newest })
	first := uint64(newest) - n + 1 // the entry at start
	look := func(from, to int64) (seqs []uint64, whole bool) {
		whole, err := r.api.entriesBetween(t.Context(), "umberhithe", start+from, start+to, func(e *event.Entry) error {
			seqs = append(seqs, e.Seq)
			return nil
		})
		require.NoError(t, err)
		return seqs, whole
	}
	seqs, whole := look(300_000, 400_000)
	require.True(t, whole)
	require.Equal(t, first+27, seqs[0], "30 s before")
	require.Equal(t, first+46, seqs[len(seqs)-1], "60 s after")
	for _, c := range []struct {
		gone  uint64 // entries from start on
		whole bool
	}{{10, true}, {26, true}, {27, true}, {29, true}, {30, false}, {60, false}} {
		require.NoError(t, r.store.Trim(t.Context(), "umberhithe", store.Trim{Journal: store.Seq(first + c.gone - 1)}))
		_, whole := look(300_000, 400_000)
		require.Equal(t, c.whole, whole, "%d are gone", c.gone)
	}
}
