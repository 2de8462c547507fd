package store

import "time"

// Retention decides by which time history may be deleted, so that a clock that is ahead for a moment
// deletes the history of a day at most: by the present, but at most a day later than the newest that
// was known and the time that really passed since allow. While the clock is further ahead than that,
// another day is allowed each hour. The zero value is ready; it is not safe for concurrent use.
type Retention struct {
	trust   time.Time // the latest time that the clock is believed to have reached
	at      time.Time // when, by the real clock
	granted time.Time // when a day more was allowed last
}

const (
	aheadAllowed = 24 * time.Hour // by how much more than passed history may be deleted in one go
	allowedEvery = time.Hour      // how often then
)

// Begin notes what is known of the time at the first call: now by the clock, and the newest that is on
// record, which may be zero. Later calls do nothing.
func (r *Retention) Begin(now, newest time.Time) {
	if !r.at.IsZero() {
		return
	}
	r.trust, r.at = now, time.Now()
	if !newest.IsZero() && newest.Before(now) {
		r.trust = newest
	}
}

// AsOf returns the time by which history may be deleted, and whether the clock is too far ahead of it
// to be believed. Now is the time by the clock, which runs at speed against the real one.
func (r *Retention) AsOf(now time.Time, speed float64) (asOf time.Time, heldBack bool) {
	real := time.Now()
	r.trust, r.at = r.trust.Add(time.Duration(float64(real.Sub(r.at))*speed)), real
	heldBack = now.After(r.trust.Add(aheadAllowed))
	switch {
	case !heldBack:
		r.trust = now
	case r.granted.IsZero() || real.Sub(r.granted) >= allowedEvery:
		r.trust, r.granted = r.trust.Add(aheadAllowed), real
	}
	return r.trust, heldBack
}
