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
	"lintel/rules/doc"
)

func TestPreviewOfAMessage(t *testing.T) {
	r := newRig(t).shop()
	const path = "/v1/channels/preview"
	const chat = `{"name":"chat","url":"https://chat.example.test/x","format":"template","escape":"angle","values":{"token":"TOPSECRET"},
"template":{"text":"{data.alert.say}","token":"{values.token}"}}`
	p := into[MessagePreview](r.post(path, chat).wants(200))
	require.Equal(t, MessagePreview{MediaType: "application/json", Sample: true,
		Body: `{"text":"\"The Harbour Light\" passed the street door unpaid","token":"***"}`}, p)

	// What is wrong has its place in the text that was sent.
	wrong := r.post(path, strings.Replace(chat, "data.alert.say", "data.say", 1)).wantsCode(kit.CodeInvalidDocument)
	var problem struct{ Errors []doc.Diagnostic }
	require.NoError(t, json.Unmarshal(wrong.body, &problem))
	require.Len(t, problem.Errors, 1)
	require.Equal(t, []any{2, 20, "did you mean {data.alert.say}?"}, []any{problem.Errors[0].Line,
		problem.Errors[0].Column, problem.Errors[0].Hint})
	require.NotContains(t, string(wrong.body), "TOPSECRET")
	r.post(path, `{"name":"x"`).wantsCode(kit.CodeInvalidDocument)
	r.post(path, `[]`).wantsCode(kit.CodeInvalidDocument)
	r.bodyFaults("POST", path, "application/json", true)
	r.post(path, strings.Repeat(" ", deliver.MaxChannelsBytes)+chat).wantsCode(kit.CodeBodyTooLarge)

	// A message that was sent, for who may see it; masks keep what they stand for.
	r.alert(1)
	d := into[DeliveryList](r.get("/v1/deliveries").wants(200)).Deliveries[0]
	require.Equal(t, "The Harbour Light passed Street door unpaid", d.Say)
	masked := `{"name":"door-team","url":"https://chat.example.test/***","secrets":["` + maskOf(t, r) + `"]}`
	p = into[MessagePreview](r.post(path+"?delivery="+d.ID, masked).wants(200))
	require.False(t, p.Sample)
	require.Contains(t, p.Body, "The Harbour Light passed Street door unpaid")
	r.post(path+"?delivery=msg_umberhithe-none", chat).wantsCode(codeUnknownDelivery)
	writer, err := kit.MintKey(t.Context(), r.store, "writer", []string{kit.ScopeAuthor}, []string{kit.AllSites}, "test", time.Now())
	require.NoError(t, err)
	r.api.server.ForgetKeys()
	r.as(writer, func(r *rig) {
		r.post(path, chat).wants(200)
		r.post(path+"?delivery="+d.ID, chat).wantsCode(kit.CodeMissingScope)
	})
	require.Empty(t, r.sends.tested, "nothing is sent")
}

func maskOf(t *testing.T, r *rig) string {
	var v struct {
		Channels []struct{ Secrets []struct{ Secret string } }
	}
	require.NoError(t, json.Unmarshal(r.get("/v1/channels").wants(200).body, &v))
	return v.Channels[0].Secrets[0].Secret
}

func TestHealthCountsWhatWaits(t *testing.T) {
	r := newRig(t).shop()
	r.alert(1)
	one := func() []int {
		h := into[ChannelView](r.get("/v1/channels/door-team/health").wants(200)).Health
		require.Equal(t, h, into[ChannelHealthList](r.get("/v1/channels/health").wants(200)).Channels[0])
		return []int{h.Waiting, h.GivenUp}
	}
	require.Equal(t, []int{1, 0}, one())
	d := event.Delivery{ID: "msg__channels-x", Channel: "door-team", Type: deliver.TypeStopped, Alert: "ops", At: 1,
		Status: event.DeliveryDead}
	_, err := r.store.SetValues(t.Context(), noticeOf(&d))
	require.NoError(t, err)
	require.Equal(t, []int{1, 1}, one())
	pier, err := kit.MintKey(t.Context(), r.store, "pier", []string{kit.ScopeView}, []string{"pier"}, "test", time.Now())
	require.NoError(t, err)
	r.api.server.ForgetKeys()
	r.as(pier, func(r *rig) { require.Equal(t, []int{0, 0}, one(), "of other shops it says nothing") })
}
