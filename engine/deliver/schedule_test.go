package deliver

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lintel/engine/event"
)

func TestClassifyEveryStatus(t *testing.T) {
	retry := map[int]bool{408: true, 409: true, 425: true, 429: true}
	for code := 100; code <= 599; code++ {
		want := Failed
		switch {
		case code >= 200 && code < 300:
			want = Success
		case code == 410:
			want = Gone
		case code >= 300 && code < 500 && !retry[code]:
			want = Refused
		}
		require.Equal(t, want, Classify(code), "status %d", code)
	}
	require.Equal(t, Failed, Classify(0), "no answer")
}

// The example schedule of Standard Webhooks 1.0, "Deliverability", with its column of elapsed
// times.
func TestDefaultScheduleIsTheStandardsExample(t *testing.T) {
	require.NoError(t, DefaultSchedule().Check())
	want := []string{"0s", "5s", "5m5s", "35m5s", "2h35m5s", "7h35m5s", "17h35m5s", "31h35m5s", "51h35m5s", "75h35m5s"}
	now := time.Unix(1_700_000_000, 0)
	start, d := now, event.Delivery{}
	s := DefaultSchedule()
	for i, elapsed := range want {
		require.Equal(t, elapsed, now.Sub(start).String(), "try %d", i+1)
		require.Equal(t, event.DeliveryPending, d.Status)
		d = s.Next(d, Outcome{Class: Failed, Code: 503, Reason: "r"}, now, 0.5)
		require.Equal(t, i+1, d.Attempts)
		now = time.UnixMilli(d.NextTry)
	}
	require.Equal(t, event.DeliveryDead, d.Status)
	require.Equal(t, "given up after 10 tries: r", d.Reason)
	require.Zero(t, d.NextTry)
}

func TestNext(t *testing.T) {
	now := time.Unix(1_700_000_000, 0)
	s := DefaultSchedule()
	failed := func(n, code int) event.Delivery { return event.Delivery{Attempts: n, Code: code, Reason: "before"} }
	for _, c := range []struct {
		name   string
		d      event.Delivery
		out    Outcome
		status event.DeliveryStatus
		wait   time.Duration
	}{
		{"success", failed(3, 503), Outcome{Class: Success, Code: 204}, event.DeliveryDelivered, 0},
		{"gone at once", failed(0, 0), Outcome{Class: Gone, Code: 410}, event.DeliveryDead, 0},
		{"first failure", failed(0, 0), Outcome{Class: Failed}, event.DeliveryPending, 5 * time.Second},
		{"an expired token", failed(2, 401), Outcome{Class: Refused, Code: 401}, event.DeliveryPending, 30 * time.Minute},
		{"and in the morning", failed(5, 403), Outcome{Class: Refused, Code: 403}, event.DeliveryPending, 10 * time.Hour},
		{"refused to the last", failed(9, 404), Outcome{Class: Refused, Code: 404}, event.DeliveryDead, 0},
		{"last try", failed(9, 503), Outcome{Class: Failed, Code: 503}, event.DeliveryDead, 0},
		{"Retry-After longer", failed(0, 0), Outcome{Class: Failed, Code: 429, RetryAfter: time.Minute},
			event.DeliveryPending, time.Minute},
		{"Retry-After shorter", failed(2, 503), Outcome{Class: Failed, Code: 429, RetryAfter: time.Minute},
			event.DeliveryPending, 30 * time.Minute},
		{"Retry-After hostile", failed(0, 0), Outcome{Class: Failed, Code: 503, RetryAfter: 300 * time.Hour},
			event.DeliveryPending, 5 * time.Minute},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.out.Took = 17 * time.Millisecond
			got := s.Next(c.d, c.out, now, 0.5)
			require.Equal(t, c.status, got.Status)
			require.Equal(t, c.d.Attempts+1, got.Attempts)
			require.Equal(t, now.UnixMilli(), got.LastTry)
			require.EqualValues(t, 17, got.Took)
			require.Equal(t, c.out.Code, got.Code)
			if c.wait == 0 {
				require.Zero(t, got.NextTry)
			} else {
				require.Equal(t, now.Add(c.wait).UnixMilli(), got.NextTry)
			}
		})
	}
}

// A retry is never later than its bound, never earlier than the receiver asked within its bound,
// and the jitter is full and keeps the mean.
func TestNextBounds(t *testing.T) {
	now := time.Unix(1_700_000_000, 0)
	rapid.Check(t, func(t *rapid.T) {
		s := DefaultSchedule()
		code := rapid.IntRange(0, 599).Draw(t, "code")
		d := event.Delivery{Attempts: rapid.IntRange(0, 12).Draw(t, "attempts"), Code: rapid.IntRange(0, 599).Draw(t, "code before")}
		out := Outcome{Class: Classify(code), Code: code, RetryAfter: time.Duration(rapid.Int64Range(0, 1<<60).Draw(t, "retry after"))}
		got := s.Next(d, out, now, rapid.Float64Range(0, 0.999999).Draw(t, "random"))
		switch got.Status {
		case event.DeliveryPending:
			wait := time.UnixMilli(got.NextTry).Sub(now)
			require.GreaterOrEqual(t, wait, min(out.RetryAfter, 5*time.Minute).Truncate(time.Millisecond))
			require.LessOrEqual(t, wait, 48*time.Hour)
		default:
			require.Zero(t, got.NextTry)
		}
		require.NotEqual(t, out.Class == Success, got.Status != event.DeliveryDelivered)
	})
	r := rand.New(rand.NewPCG(1, 2))
	var sum time.Duration
	var tenths [10]int
	const n = 10_000
	for range n {
		j := Jitter(time.Hour, r.Float64())
		sum += j
		tenths[j/(12*time.Minute)]++ // it is uniform over two hours
	}
	require.InDelta(t, time.Hour.Seconds(), (sum / n).Seconds(), 60)
	for i, got := range tenths {
		require.InDelta(t, n/10, got, 150, "tenth %d", i) // five standard deviations
	}
}

func TestParseDelays(t *testing.T) {
	got, err := ParseDelays("0, 5s,5m , 2h")
	require.NoError(t, err)
	require.Equal(t, []time.Duration{0, 5 * time.Second, 5 * time.Minute, 2 * time.Hour}, got)
	for in, want := range map[string]string{
		"":         `delay 1: "" is not a length of time`,
		"0,5":      `delay 2: "5" is not a length of time`,
		"0,-1s":    "delay 2 is -1s: allowed are 0 to 168h0m0s",
		"0,0":      "delay 2 is 0s: only the first may be shorter than 1s",
		"0,10000h": "delay 2 is 10000h0m0s",
	} {
		_, err := ParseDelays(in)
		require.ErrorContains(t, err, want, "%q", in)
	}
}

func TestParseRetryAfter(t *testing.T) {
	now := time.Date(2026, 11, 14, 10, 30, 0, 0, time.UTC)
	for in, want := range map[string]time.Duration{
		"0":                                0,
		"120":                              2 * time.Minute,
		" 60 ":                             time.Minute,
		"99999999999999999999999999":       366 * 24 * time.Hour,
		"Sat, 14 Nov 2026 10:31:00 GMT":    time.Minute,
		"Saturday, 14-Nov-26 10:31:00 GMT": time.Minute, // the obsolete forms that RFC 9110, section 5.6.7, still wants accepted
		"Sat Nov 14 10:31:00 2026":         time.Minute,
		"Sat, 14 Nov 2026 10:29:00 GMT":    0,
	} {
		got, err := ParseRetryAfter(in, now)
		require.NoError(t, err, in)
		require.Equal(t, want, got, in)
	}
	for _, in := range []string{"", " ", "-1", "1.5", "5s", "soon", "tomorrow, please, and with a text that goes on and on and on and on"} {
		_, err := ParseRetryAfter(in, now)
		require.Error(t, err, in)
	}
}

func FuzzRetryAfter(f *testing.F) {
	for _, s := range []string{"0", "120", "-5", "Sat, 14 Nov 2026 10:31:00 GMT", "99999999999999999999", "1e9",
		"Fri, 31 Dec 9999 23:59:59 GMT", "Sat, 01 Jan 0000 00:00:00 GMT"} {
		f.Add(s)
	}
	now := time.Date(2026, 11, 14, 10, 30, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, s string) {
		got, err := ParseRetryAfter(s, now)
		if got < 0 || err != nil && got != 0 {
			t.Fatalf("%q: %v, %v", s, got, err)
		}
		d := DefaultSchedule().Next(event.Delivery{}, Outcome{Class: Failed, Code: http.StatusTooManyRequests, RetryAfter: got}, now, 0.5)
		if wait := time.UnixMilli(d.NextTry).Sub(now); wait < 5*time.Second || wait > 2*time.Hour+5*time.Second {
			t.Fatalf("%q: waits %v", s, wait)
		}
	})
}

func ExampleSchedule_Next() {
	now := time.Date(2026, 11, 14, 10, 30, 0, 0, time.UTC)
	d := event.Delivery{ID: "msg_umberhithe-7-1-1-door-team", Channel: "door-team"}
	for _, code := range []int{503, 503, 204} {
		d = DefaultSchedule().Next(d, Outcome{Class: Classify(code), Code: code}, now, 0.5)
		if d.Status == event.DeliveryPending {
			fmt.Println(code, d.Status, "for", time.UnixMilli(d.NextTry).Sub(now))
			now = time.UnixMilli(d.NextTry)
		} else {
			fmt.Println(code, d.Status)
		}
	}
	// Output:
	// 503 pending for 5s
	// 503 pending for 5m0s
	// 204 delivered
}
