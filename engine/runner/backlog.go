package runner

import (
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// backlog knows since when entries of a site wait to be processed, also while nothing is processed.
// It knows of those that this node appended or read.
type backlog struct {
	mu             sync.Mutex
	folded, newest uint64 // sequence numbers
	since          int64  // when the oldest entry that waits was received, Unix ms; 0: none waits
}

// arrived notes entries up to seq, the oldest of which was received at a time.
func (b *backlog) arrived(seq uint64, at int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if seq <= b.folded {
		return
	}
	if b.newest = max(b.newest, seq); b.since == 0 {
		b.since = at
	}
}

// forget begins anew: the store has less than it had.
func (b *backlog) forget() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.folded, b.newest, b.since = 0, 0, 0
}

// processed notes that entries up to seq are done, the last of which was received at a time. What
// still waits was received later.
func (b *backlog) processed(seq uint64, at int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.since = at; b.newest <= seq {
		b.newest, b.since = 0, 0
	}
	b.folded = seq
}

// lag returns how long the oldest entry that waits has waited.
func (b *backlog) lag(now time.Time) time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.since == 0 {
		return 0
	}
	return max(0, now.Sub(time.UnixMilli(b.since)))
}

var (
	lagDesc = prometheus.NewDesc("lintel_processing_lag_seconds",
		"Age of the oldest entry that waits to be processed, 0 if none does.", []string{"site"}, nil)
	haltedDesc = prometheus.NewDesc("lintel_site_halted",
		"1 while the site is not being worked, by this node or another, else 0.", []string{"site"}, nil)
	silentDesc = prometheus.NewDesc("lintel_readers_silent",
		"Read points that reported once and have stopped. Left out while the site is busy or being loaded.", []string{"site"}, nil)
)

// Describe and Collect make a Runner a prometheus.Collector of what is true when it is asked.
func (r *Runner) Describe(ch chan<- *prometheus.Desc) {
	ch <- lagDesc
	ch <- haltedDesc
	ch <- silentDesc
}

// Collect never waits for a site.
func (r *Runner) Collect(ch chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, site string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, site)
	}
	for _, s := range r.Sites() {
		gauge(lagDesc, s.backlog.lag(r.opt.Now()).Seconds(), s.id)
		halted := 0.0
		if s.Err() != nil {
			halted = 1
		}
		gauge(haltedDesc, halted, s.id)
		if n, ok := s.silent(); ok {
			gauge(silentDesc, float64(n), s.id)
		}
	}
}

// silent counts the read points that have stopped to report, unless the loop has the state just now.
func (s *Site) silent() (n int, ok bool) {
	if !s.access.TryAcquire(1) {
		return 0, false
	}
	defer s.access.Release(1)
	if s.state == nil {
		return 0, false
	}
	for _, p := range s.state.ReadPoints() {
		if p.Silent {
			n++
		}
	}
	return n, true
}
