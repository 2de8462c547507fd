package api

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/deliver"
	"lintel/engine/event"
	"lintel/engine/store"
	"lintel/rules/doc"
)

// Notices about channels are of no site: whoever may see all sites sees them, and can have them
// sent again.
func TestNoticesAmongDeliveries(t *testing.T) {
	r := newRig(t).shop()
	r.alert(1)
	m := event.Delivery{
		ID: "msg__channels-door-team_stopped_1764080047000_ops", Channel: "ops", Type: deliver.TypeStopped,
		Alert: "door-team", Order: 3, At: 1764080047000,
		Status: event.DeliveryDead, Attempts: 10, Reason: "given up after 10 tries: the receiver answered 500 Internal Server Error",
		Data: json.RawMessage(`{"channel":"door-team","say":"The channel door-team was stopped."}`),
	}
	_, err := r.store.SetValues(t.Context(), noticeOf(&m))
	require.NoError(t, err)
	require.Len(t, into[DeliveryList](r.get("/v1/deliveries").wants(200)).Deliveries, 2)
	for q, n := range map[string]int{"channel=ops": 1, "status=dead": 1, "alert=door-team": 0, "site=umberhithe": 1} {
		require.Len(t, into[DeliveryList](r.get("/v1/deliveries?"+q).wants(200)).Deliveries, n, q)
	}
	v := into[DeliveryView](r.get("/v1/deliveries/" + m.ID).wants(200))
	require.Equal(t, []string{"", "", "door-team", "ops", deliver.TypeStopped}, []string{v.Site, v.Alert, v.About, v.Channel, v.Type})
	require.JSONEq(t, string(m.Data), string(v.Data))
	got := into[RetryAnswer](r.do("POST", "/v1/deliveries/"+m.ID+"/retry", "", "Idempotency-Key", "n").wants(200))
	require.Equal(t, m.ID, got.Delivery.ID)
	require.Equal(t, []string{"_channels " + m.ID}, r.sends.retried)

	one, err := kit.MintKey(t.Context(), r.store, "umberhithe-only", []string{kit.ScopeOperate}, []string{"umberhithe"}, "test", time.Now())
	require.NoError(t, err)
	r.api.server.ForgetKeys()
	r.as(one, func(r *rig) {
		require.Len(t, into[DeliveryList](r.get("/v1/deliveries").wants(200)).Deliveries, 1)
		r.get("/v1/deliveries/" + m.ID).wantsCode(codeUnknownDelivery)
		r.get("/v1/deliveries?site=_channels").wantsCode(kit.CodeMissingSite)
		r.post("/v1/channels/door-team/recover", `{"since":"2026-01-01T00:00:00Z"}`).wants(200)
	})
	require.Contains(t, r.sends.ranges[0], "[umberhithe] door-team", "a key for one site sends no notices again")
	r.get("/v1/deliveries?site=_channels").wantsCode(kit.CodeUnknownSite)
}

// noticeOf is a notice as the store has it.
func noticeOf(d *event.Delivery) store.Value {
	return store.Value{Kind: deliver.KindNotice, Key: d.ID, Data: event.AppendDelivery(nil, d)}
}

// A document whose channels could not tell of each other is stored with a warning, in every way of
// storing it.
func TestWhoIsToldOfChannelsIsChecked(t *testing.T) {
	r := newRig(t).shop()
	told := strings.Replace(testChannels, `"format"`, `"about_channels": true, "format"`, 1)
	saved := into[struct{ Warnings []string }](r.put("/v1/channels", told).wants(200))
	require.Len(t, saved.Warnings, 1)
	require.Contains(t, saved.Warnings[0], `nobody is notified when the channel "door-team" itself fails`)
	require.Contains(t, string(r.get("/v1/channels").wants(200).body), `"about_channels":true`)
	require.Contains(t, string(r.get("/v1/channels/diff?from=1&to=2").wants(200).body), `about_channels`)
	require.Empty(t, into[Restored](r.post("/v1/channels/restore", `{"version":1}`).wants(200)).Warnings[1:])
	require.Contains(t, strings.Join(into[Restored](r.post("/v1/channels/restore",
		`{"version":2}`).wants(200)).Warnings, "\n"), "nobody is notified when")
	var p struct {
		Errors doc.Errors `json:"errors"`
	}
	require.NoError(t, json.Unmarshal(r.put("/v1/channels", strings.Replace(told, "about_channels", "about_chanels",
		1)).wantsCode(kit.CodeInvalidDocument).body, &p))
	require.Equal(t, "channels[0].about_chanels", p.Errors[0].Path)
	require.Equal(t, `did you mean "about_channels"?`, p.Errors[0].Hint)
	require.NoError(t, json.Unmarshal(r.put("/v1/channels", strings.Replace(told, `"about_channels": true`,
		`"about_channels": ["ops"]`, 1)).wantsCode(kit.CodeInvalidDocument).body, &p))
	require.Equal(t, "channels[0].about_channels", p.Errors[0].Path)
}
