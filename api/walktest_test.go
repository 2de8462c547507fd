package api

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/store"
)

// walked is a shop whose door heard a book carried out and in, at a time that is over; the walks as
// they are posted.
func walked(t *testing.T) (*rig, string) {
	r := newRig(t).shop()
	start := r.clock().Add(-20 * time.Second).Truncate(time.Second)
	for w := range 2 {
		for i := range 8 {
			at := start.Add(time.Duration(5*w)*time.Second + time.Duration(300*(i+1))*time.Millisecond).UnixMilli()
			inner, outer := -50-3*i, -71+3*i
			if w == 1 {
				inner, outer = outer, inner
			}
			r.reads(fmt.Sprintf(`[{"epc":%q,"read_point":"street-door-in","rssi":%d,"time":%d},{"epc":%q,"read_point":"street-door-out","rssi":%d,"time":%d},{"epc":"3036451FD40C0E4000001A86","read_point":"street-door-in","rssi":-74.5,"time":%d}]`,
				harbourLight, inner, at, harbourLight, outer, at, at)).wants(202)
		}
	}
	walk := func(second int, what string) string {
		return fmt.Sprintf(`{"from":%q,"to":%q,"what":%q}`,
			start.Add(time.Duration(second)*time.Second).Format(time.RFC3339),
			start.Add(time.Duration(second+4)*time.Second).Format(time.RFC3339), what)
	}
	return r, fmt.Sprintf(`"tags":[%q],"walks":[%s,%s]`, harbourLight, walk(0, "out"), walk(5, "in"))
}

func TestWalkTest(t *testing.T) {
	r, walks := walked(t)
	const path = "/v1/sites/umberhithe/doors/street-door/walktest"
	a := into[WalkTestAnswer](r.post(path, "{"+walks+"}").wants(200))
	require.Equal(t, "street-door", a.Door)
	require.Equal(t, 2, a.Passages)
	require.Equal(t, 2, a.Heard)
	require.Equal(t, 8, a.Walks[0].Tags[0].Inner.Reads)
	require.Equal(t, -50.0, *a.Walks[0].Tags[0].Inner.Peak)
	require.Equal(t, 30.0, *a.Parts)
	require.Equal(t, 1, a.Nearby)
	require.Equal(t, 16, a.Others[0].Reads)
	require.Equal(t, -74.0, *a.Proposal.MinRSSI)
	require.NotEmpty(t, a.Proposal.SureWithin)
	require.Nil(t, a.Stored)

	// Stored, by the same way as any layout: a version with its author, the rest of it as it was.
	a = into[WalkTestAnswer](r.post(path+"?note=walked", "{"+walks+`,"store":true}`).wants(200))
	require.Equal(t, 2, a.Stored.Version)
	require.Equal(t, "boss", a.Stored.By)
	require.Equal(t, "walked", a.Stored.Note)
	var doc layoutDocument
	require.NoError(t, json.Unmarshal(r.get("/v1/sites/umberhithe/layout").wants(200).body, &doc))
	var before layoutDocument
	require.NoError(t, json.Unmarshal([]byte(testLayout), &before))
	require.Equal(t, a.Proposal.SureWithin, doc.Zones[4].SureWithin)
	for i, p := range doc.ReadPoints {
		want := before.ReadPoints[i]
		if want.Role == "portal" {
			want.MinRSSI = -74
		}
		require.Equal(t, want, p)
	}
	require.Equal(t, 2, into[VersionList](r.get("/v1/sites/umberhithe/layout/versions").wants(200)).Versions[0].Version)

	r.as(r.key("gate", kit.ScopeReads), func(r *rig) { r.post(path, "{"+walks+"}").wants(403) })
	r.post("/v1/sites/umberhithe/doors/stret-door/walktest", "{"+walks+"}").wantsCode(codeUnknownZone)
	require.Contains(t, string(r.post("/v1/sites/umberhithe/doors/shelf-a/walktest",
		"{"+walks+"}").wantsCode(kit.CodeInvalidBody).body), "is no door")
	for _, bad := range []string{`{}`, `{"tags":["` + harbourLight + `"],"walks":[]}`, `{"tags":["` + harbourLight +
		`"],"walks":[{"what":"out"}]}`,
		`{"tags":["` + harbourLight + `"],"walks":[{"from":"yesterday"}]}`, `{"tags":[],"walk":[]}`,
		`{"tags":["` + harbourLight + `"],"walks":[{"from":"2026-01-01T00:00:00Z","to":"2026-01-01T00:20:00Z","what":"out"}]}`} {
		r.post(path, bad).wantsCode(kit.CodeInvalidBody)
	}
	r.post(path, `{"tags":["zz"],"walks":[]}`).wantsCode(codeInvalidIdentity)
	r.post("/v1/sites/nowhere/doors/street-door/walktest", "{"+walks+"}").wantsCode(kit.CodeUnknownSite)
	r.post(path+"?note="+strings.Repeat("x", 201), "{"+walks+`,"store":true}`).wantsCode(kit.CodeInvalidParameter)
	r.bodyFaults("POST", path, kit.MediaJSON, true)
	r.post(path, "{").wantsCode(kit.CodeInvalidJSON)
	r.do("POST", path, "{"+walks+"}", "Idempotency-Key", `"`).wantsCode(kit.CodeInvalidIdempotencyKey)
	r.do("POST", path, "{"+walks+"}", "Idempotency-Key", "w").wants(200)
	r.do("POST", path, "{"+walks+`,"store":true}`, "Idempotency-Key", "w").wantsCode(kit.CodeIdempotencyMismatch)

	// A time of which the journal has nothing is no error: nothing was heard.
	old := into[WalkTestAnswer](r.post(path, `{"tags":["`+harbourLight+
		`"],"walks":[{"from":"2020-01-01T00:00:00Z","to":"2020-01-01T00:00:05Z","what":"out"}]}`).wants(200))
	require.Zero(t, old.Heard)
	require.Nil(t, old.Rhythm)

	// Another node has just stored a layout without the door: it is not put back.
	without := strings.ReplaceAll(strings.ReplaceAll(testLayout, "street-door", "yard-door"), "Street door", "Yard door")
	_, err := store.PutDocument(t.Context(), r.store, store.Document{Name: "layout/umberhithe", At: r.clock(), By: "other",
		Body: []byte(without)}, 2)
	require.NoError(t, err)
	r.post(path, "{"+walks+`,"store":true}`).wantsCode(kit.CodeVersionMismatch)
}
