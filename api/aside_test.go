package api

import (
	"fmt"
	"log/slog"
	"net/http"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lintel/api/kit"
	"lintel/engine/event"
	"lintel/engine/runner"
	"lintel/engine/store"
)

// foldedBy starts a server whose runner calls a function before each entry is folded.
func foldedBy(t *testing.T, before func(*event.Entry)) *rig {
	return newRig(t, func(o *Options) {
		r := runner.New(runner.Options{Store: o.Store.(runner.Store), Log: slog.New(slog.DiscardHandler), Node: "other", BeforeFold: before})
		t.Cleanup(r.Stop)
		o.Runner = r
	})
}

func TestEntriesThatWereSetAsideAreShownAndTriedAgain(t *testing.T) {
	bad := atomic.Bool{}
	bad.Store(true)
	r := foldedBy(t, func(e *event.Entry) {
		if len(e.Reads) > 0 && bad.Load() {
			panic("poison")
		}
	}).shop()
	r.reads(`[{"epc":"` + harbourLight + `","read_point":"handheld-1","zone":"shelf-a"}]`).wants(202)
	const path = "/v1/sites/umberhithe/aside"
	list := func() []AsideView { return into[AsideList](r.get(path).wants(200)).Entries }
	r.until("an entry aside", func() bool { return len(list()) == 1 })
	require.Contains(t, list()[0].Reason, "panicked: poison")
	bad.Store(false)
	for _, none := range []string{"999", "x"} {
		r.post(path+"/"+none+"/retry", "").wantsCode(codeNotAside)
	}
	r.get(path + "?x=1").wantsCode(kit.CodeInvalidParameter)
	r.get("/v1/sites/nowhere/aside").wantsCode(kit.CodeUnknownSite)
	r.post("/v1/sites/nowhere/aside/1/retry", "").wantsCode(kit.CodeUnknownSite)
	r.keyFaults(fmt.Sprint(path, "/", list()[0].Sequence, "/retry"), "", 202)
	r.until("the retry", func() bool { return list()[0].Retried != 0 })
	require.Greater(t, list()[0].Retried, list()[0].Sequence)
	r.until("the item", func() bool { return r.get("/v1/sites/umberhithe/items/"+harbourLight).status == http.StatusOK })
	r.post(fmt.Sprint(path, "/", list()[0].Sequence, "/retry"), "").wantsCode(codeNotAside)

	// What is damaged can't be tried, and keeps no question from being answered.
	done, err := r.store.Append(t.Context(), "umberhithe", store.NewEntry{Data: []byte("\x95\x01\x01")})
	require.NoError(t, err)
	r.until("the damaged entry", func() bool { return len(list()) == 2 })
	r.post(fmt.Sprint(path, "/", done[0].Seq, "/retry"), "").wantsCode(codeUnreadable)
	read := 0
	_, err = r.api.entriesBetween(t.Context(), "umberhithe", 0, r.clock().UnixMilli(), func(*event.Entry) error { read++; return nil })
	require.NoError(t, err)
	require.GreaterOrEqual(t, read, 4)
}

// While an entry is processed for long the server is ready, takes reads and stores rules.
func TestALongFoldHoldsUpNeitherReadinessNorRules(t *testing.T) {
	long := make(chan struct{})
	end := sync.OnceFunc(func() { close(long) })
	r := foldedBy(t, func(e *event.Entry) {
		if len(e.Reads) > 0 {
			<-long
		}
	}).shop()
	t.Cleanup(end) // before the runner is stopped
	r.reads(`[{"epc":"` + harbourLight + `","read_point":"handheld-1","zone":"shelf-a"}]`).wants(202)
	time.Sleep(50 * time.Millisecond)
	started := time.Now()
	r.get("/readyz").wants(200)
	saved := into[RulesSaved](r.put("/v1/rules?allow_removal=true", "rules: [{name: quiet, when: item.paid}]\n").wants(200))
	require.False(t, saved.InEffect)
	r.post("/v1/rules/check", "rules: [{name: quiet, when: item.paid}]\n").wants(200)
	r.get("/v1/sites").wants(200)
	require.Less(t, time.Since(started), 10*time.Second)
	end()
	r.until("the rules", func() bool { return r.get("/v1/sites/umberhithe/items/"+harbourLight).status == http.StatusOK })
}

func TestRulesThatTakeTooLongTogetherAreNotStored(t *testing.T) {
	text := "rules:\n"
	for i := range 500 {
		text += fmt.Sprintf("- {name: r-%d, when: 'any(1..1000, -9000 + # == at.hour or # + 7000 == passage.reads or # + 9000 == at.minute)'}\n", i)
	}
	r := newRig(t).shop()
	checked := into[CheckAnswer](r.post("/v1/rules/check", text).wants(200))
	require.False(t, checked.OK)
	last := checked.Diagnostics[len(checked.Diagnostics)-1]
	require.Contains(t, last.Reason, "at most 50 ms are allowed")
	require.Contains(t, string(r.put("/v1/rules", text).wantsCode(kit.CodeInvalidDocument).body), "the dearest are r-0")
}
