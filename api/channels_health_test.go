package api

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/engine/deliver"
)

func TestChannelsShowHowTheyFare(t *testing.T) {
	r := newRig(t).shop()
	at := time.Date(2026, 11, 25, 9, 14, 7, 0, time.UTC)
	one := func() ChannelHealth {
		return into[channelView](r.get("/v1/channels/door-team/health").wants(200)).Health
	}
	require.Equal(t, ChannelHealth{Channel: "door-team", State: "working"}, one())

	r.sends.health = map[string]deliver.Health{"door-team": {FailingSince: at, LastFailure: at.Add(30 * time.Hour), Reason: "the receiver answered 503 Service Unavailable", Warnings: 1}}
	last := at.Add(30 * time.Hour)
	failing := ChannelHealth{
		Channel: "door-team", State: "failing", FailingSince: &at, LastFailure: &last, Reason: "the receiver answered 503 Service Unavailable", Warnings: 1,
	}
	require.Equal(t, failing, one())
	require.Equal(t, []ChannelHealth{failing}, into[ChannelHealthList](r.get("/v1/channels/health").wants(200)).Channels)

	r.sends.health = map[string]deliver.Health{"door-team": {FailingSince: at, Stopped: at, Cause: deliver.StoppedGone, Reason: "the receiver answered 410 Gone", LastFailure: at}}
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
	r.get("/v1/channels/nobody/health").wantsCode(codeUnknownChannel)
	r.post("/v1/channels/nobody/start", "").wantsCode(codeUnknownChannel)

	for _, path := range []string{"/v1/channels/door-team/health", "/v1/channels/health"} {
		r.get(path + "?x=1").wantsCode(codeInvalidParameter)
	}
	r.sends.err = errors.New("the store is away")
	r.get("/v1/channels/health").wantsCode(codeUnavailable)
	r.get("/v1/channels/door-team/health").wantsCode(codeUnavailable)
	r.post("/v1/channels/door-team/start", "").wantsCode(codeUnavailable)
	none := newRig(t, func(o *Options) { o.Dispatcher = nil }).shop()
	none.get("/v1/channels/health").wantsCode(codeUnavailable)
}
