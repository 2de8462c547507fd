package deliver

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"lintel/engine/event"

	"lintel/rules/hours"
)

// Schedule says when a delivery that failed is tried again, and when it is given up.
type Schedule struct {
	// Delays are those before the first try, the second and so on; their number is how often a
	// delivery is tried.
	Delays []time.Duration
	// RetryAfterMost is for how long at most a receiver's Retry-After puts a message off. One bad
	// answer of a proxy must not hold back an urgent message for hours.
	RetryAfterMost time.Duration
}

// DefaultSchedule is the example of Standard Webhooks 1.0 ("Deliverability"): ten tries over 75
// hours and 35 minutes. It holds for refused requests too: an access token that expired on Friday
// evening is renewed on Monday.
func DefaultSchedule() Schedule {
	return Schedule{
		Delays: []time.Duration{
			0, 5 * time.Second, 5 * time.Minute, 30 * time.Minute, 2 * time.Hour, 5 * time.Hour,
			10 * time.Hour, 14 * time.Hour, 20 * time.Hour, 24 * time.Hour,
		},
		RetryAfterMost: 5 * time.Minute,
	}
}

const (
	maxTries = 50
	maxDelay = 7 * 24 * time.Hour
)

// ParseDelays reads delays with commas between, like "0, 5s, 5m, 30m".
func ParseDelays(s string) ([]time.Duration, error) {
	var delays []time.Duration
	for i, text := range strings.Split(s, ",") {
		d, err := hours.ParsePeriod(text)
		if err != nil {
			return nil, fmt.Errorf("delay %d: %w: write them like 0, 5s, 5m, 2h", i+1, err)
		}
		delays = append(delays, d)
	}
	return delays, checkDelays(delays)
}

func checkDelays(delays []time.Duration) error {
	if len(delays) == 0 || len(delays) > maxTries {
		return fmt.Errorf("a schedule has 1 to %d delays, this one has %d", maxTries, len(delays))
	}
	for i, d := range delays {
		switch {
		case d < 0 || d > maxDelay:
			return fmt.Errorf("delay %d is %v: allowed are 0 to %v", i+1, d, maxDelay)
		case i > 0 && d < time.Second:
			return fmt.Errorf("delay %d is %v: only the first may be shorter than 1s, or a receiver in trouble "+
				"gets all tries at once", i+1, d)
		}
	}
	return nil
}

// Check says what is wrong with the schedule, or nil.
func (s Schedule) Check() error {
	if err := checkDelays(s.Delays); err != nil {
		return err
	}
	if s.RetryAfterMost < 0 || s.RetryAfterMost > maxDelay {
		return fmt.Errorf("Retry-After may put a message off for 0 to %v, not %v", maxDelay, s.RetryAfterMost)
	}
	return nil
}

// Class is what an answer means for the delivery.
type Class uint8

// The classes of answers.
const (
	Success Class = iota // delivered
	Failed               // may go better later: the whole schedule
	Refused              // the request, its credentials or the address are wrong: the whole schedule, for a person to fix that
	Gone                 // the receiver wants no more of them, ever: stop the channel
)

func (c Class) String() string {
	return [...]string{"success", "failed", "refused", "gone"}[c]
}

// Classify tells what an HTTP status means; 0 stands for no answer at all. 2xx is success. 3xx is
// never followed, and since it comes of a wrong address, it counts as refused. 410 stops the
// channel. 408, 409, 425, 429 and 5xx are failures that pass, and so is what is no final status.
// The other 4xx are refused.
func Classify(status int) Class {
	switch {
	case status >= 200 && status <= 299:
		return Success
	case status == http.StatusGone:
		return Gone
	case status == http.StatusRequestTimeout, status == http.StatusConflict, status == http.StatusTooEarly,
		status == http.StatusTooManyRequests:
		return Failed
	case status >= 300 && status <= 499:
		return Refused
	}
	return Failed
}

// Jitter spreads a delay by full jitter, so that what failed together does not come back together:
// it is uniform from nothing to twice the delay, for random in [0, 1). So the mean of many is the
// schedule's own delay, no two senders stay in step, and a try now and then comes early: the tries
// after it are further apart again.
func Jitter(delay time.Duration, random float64) time.Duration {
	return time.Duration(2 * random * float64(delay))
}

// Next applies what came of a try to a delivery: its status, attempts, times, code and reason. It
// depends on its arguments alone. random is in [0, 1).
func (s Schedule) Next(d event.Delivery, out Outcome, now time.Time, random float64) event.Delivery {
	d.Attempts++
	d.LastTry, d.Took, d.Code, d.Reason = now.UnixMilli(), out.Took.Milliseconds(), out.Code, out.Reason
	d.NextTry = 0
	switch out.Class {
	case Success:
		d.Status, d.Reason = event.DeliveryDelivered, ""
		return d
	case Gone:
		d.Status = event.DeliveryDead
		return d
	}
	d.Status = event.DeliveryPending
	if d.Attempts >= len(s.Delays) {
		d.Status = event.DeliveryDead
		d.Reason = fmt.Sprintf("given up after %d tries: %s", d.Attempts, d.Reason)
		return d
	}
	own := s.Delays[d.Attempts]
	wait := Jitter(own, random)
	if out.RetryAfter > wait {
		wait = max(wait, min(out.RetryAfter, s.RetryAfterMost))
	}
	d.NextTry = now.Add(wait).UnixMilli()
	return d
}

var errRetryAfter = errors.New("not a Retry-After")

// ParseRetryAfter reads the header Retry-After (RFC 9110, section 10.2.3): seconds, or a date,
// which counts from now. A date in the past is 0.
func ParseRetryAfter(value string, now time.Time) (time.Duration, error) {
	value = strings.TrimSpace(value)
	if value == "" || len(value) > 64 {
		return 0, errRetryAfter
	}
	if strings.Trim(value, "0123456789") == "" {
		const most = 366 * 24 * 60 * 60 // more than any schedule waits; what is longer is as good as that
		n, err := strconv.ParseUint(value, 10, 32)
		if err != nil || n > most {
			n = most
		}
		return time.Duration(n) * time.Second, nil
	}
	t, err := http.ParseTime(value)
	if err != nil {
		return 0, errRetryAfter
	}
	return max(0, t.Sub(now)), nil
}
