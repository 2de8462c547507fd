package api

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/deliver"
)

func TestChannelsShowHowTheyFare(t *testing.T) {
	r := newRig(t).shop()
	at := time.Date(2026, 11, 25, 9, 14, 7, 0, time.UTC)
	one := func() ChannelHealth {
		return into[ChannelView](r.get("/v1/channels/door-team/health").wants(200)).Health
	}
	require.Equal(t, ChannelHealth{Channel: "door-team", State: "working"}, one())

	r.sends.health = map[string]deliver.Health{"door-team": {FailingSince: at, LastFailure: at.Add(30 * time.Hour),
		Reason: "the receiver answered 503 Service Unavailable", Warnings: 1}}
	last := at.Add(30 * time.Hour)
	failing := ChannelHealth{
		Channel: "door-team", State: "failing", FailingSince: &at, LastFailure: &last,
		Reason: "the receiver answered 503 Service Unavailable", Warnings: 1,
	}
	require.Equal(t, failing, one())
	require.Equal(t, []ChannelHealth{failing}, into[ChannelHealthList](r.get("/v1/channels/health").wants(200)).Channels)

	r.sends.health = map[string]deliver.Health{"door-team": {FailingSince: at, Stopped: at, Cause: deliver.StoppedGone,
		Reason: "the receiver answered 410 Gone", LastFailure: at}}
	v := one()
	require.Equal(t, []string{"stopped", "gone", "the receiver answered 410 Gone"}, []string{v.State, v.Cause, v.Reason})
	require.Equal(t, at, *v.Stopped)
	rep := r.get("/v1/channels/door-team/health")
	require.NotContains(t, string(rep.body), "TOPSECRET")
	require.Contains(t, string(rep.body), "https://chat.example.test/***")

	r.do("POST", "/v1/channels/door-team/start", "", "Idempotency-Key", "s1").wants(200)
	r.do("POST", "/v1/channels/door-team/start", "", "Idempotency-Key", "s1").wants(200)
	require.Equal(t, []string{"door-team"}, r.sends.started, "an Idempotency-Key starts once")
	require.Contains(t, r.log.String(), "a channel was started by hand")
	r.keyedFaults("/v1/channels/door-team/start")
	r.get("/v1/channels/nobody/health").wantsCode(codeUnknownChannel)
	r.post("/v1/channels/nobody/start", "").wantsCode(codeUnknownChannel)

	for _, path := range []string{"/v1/channels/door-team/health", "/v1/channels/health"} {
		r.get(path + "?x=1").wantsCode(kit.CodeInvalidParameter)
	}
	r.sends.err = errors.New("the store is away")
	r.get("/v1/channels/health").wantsCode(kit.CodeUnavailable)
	r.get("/v1/channels/door-team/health").wantsCode(kit.CodeUnavailable)
	r.post("/v1/channels/door-team/start", "").wantsCode(kit.CodeUnavailable)
	none := newRig(t, func(o *Options) { o.Dispatcher = nil }).shop()
	none.get("/v1/channels/health").wantsCode(kit.CodeUnavailable)
}

func TestRecoverChannel(t *testing.T) {
	now := time.Date(2026, 11, 25, 9, 14, 7, 0, time.UTC)
	r := newRig(t, func(o *Options) { o.Now = func() time.Time { return now } }).shop()
	const path = "/v1/channels/door-team/recover"
	a := into[RecoverAnswer](r.post(path, `{"since":"2026-11-24T00:00:00+01:00","until":"2026-11-25T00:00:00Z"}`).wants(200))
	require.Equal(t, 1000, a.Queued)
	require.True(t, a.HasMore)
	require.Equal(t, time.Date(2026, 11, 23, 23, 0, 0, 0, time.UTC), *a.First)
	r.post(path+"?site=umberhithe", `{"since":"2026-11-24T00:00:00Z"}`).wants(200)
	require.Equal(t, []string{
		"[umberhithe _channels] door-team 2026-11-23T23:00:00Z 2026-11-25T00:00:00Z",
		"[umberhithe] door-team 2026-11-24T00:00:00Z 2026-11-25T09:14:07Z",
	}, r.sends.ranges)
	require.Contains(t, r.log.String(), "dead deliveries are sent again")

	r.post(path, `{}`).wantsCode(kit.CodeInvalidBody)
	r.post(path, `{"since":"yesterday"}`).wantsCode(kit.CodeInvalidBody)
	r.post(path, `{"since":"2026-11-26T00:00:00Z"}`).wantsCode(kit.CodeInvalidBody)
	r.post(path, `{"since":"2026-11-24T00:00:00Z","until":"2026-11-24T00:00:00Z"}`).wantsCode(kit.CodeInvalidBody)
	r.post(path, `{"since":"2026-11-24T00:00:00Z","chanel":"x"}`).wantsCode(kit.CodeInvalidBody)
	r.post(path, `{`).wantsCode(kit.CodeInvalidJSON)
	r.post(path, `{"since":"`+strings.Repeat("x", 2<<20)+`"}`).wantsCode(kit.CodeBodyTooLarge)
	r.do("POST", path, `{}`, "Content-Type", "text/plain").wantsCode(kit.CodeUnsupportedType)
	r.do("POST", path, `{}`, "Content-Encoding", "br").wantsCode(kit.CodeUnsupportedEncoding)
	r.do("POST", path, `{}`, "Content-Encoding", "gzip").wantsCode(kit.CodeInvalidEncoding)
	r.post(path+"?site=nowhere", `{"since":"2026-11-24T00:00:00Z"}`).wantsCode(kit.CodeUnknownSite)
	r.post("/v1/channels/nobody/recover", `{"since":"2026-11-24T00:00:00Z"}`).wantsCode(codeUnknownChannel)
	for _, do := range []string{"recover", "start"} {
		p := "/v1/channels/door-team/" + do
		body := map[string]string{"recover": `{"since":"2026-11-24T00:00:00Z"}`}[do]
		r.do("POST", p, body, "Idempotency-Key", `"`).wantsCode(kit.CodeInvalidIdempotencyKey)
		r.do("POST", p, body, "Idempotency-Key", do).wants(200)
		r.do("POST", p, `{"since":"2026-11-20T00:00:00Z"}`, "Idempotency-Key", do).wantsCode(kit.CodeIdempotencyMismatch)
		r.post(p+"?x=1", body).wantsCode(kit.CodeInvalidParameter)
	}

	r.sends.health = map[string]deliver.Health{"door-team": {Stopped: now, Cause: deliver.StoppedFailing}}
	r.post(path, `{"since":"2026-11-24T00:00:00Z"}`).wantsCode(codeChannelStopped)
	r.sends.health = nil
	r.put("/v1/channels", strings.Replace(testChannels, `"format"`, `"disabled": true, "format"`, 1)).wants(200)
	r.post(path, `{"since":"2026-11-24T00:00:00Z"}`).wantsCode(codeChannelStopped)

	pier, err := kit.MintKey(t.Context(), r.store, "pier-only", []string{kit.ScopeOperate}, []string{"pier"}, "test", time.Now())
	require.NoError(t, err)
	r.api.server.ForgetKeys()
	r.as(pier, func(r *rig) {
		r.post(path+"?site=umberhithe", `{"since":"2026-11-24T00:00:00Z"}`).wantsCode(kit.CodeMissingSite)
	})
}
