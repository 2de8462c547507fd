package runner

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lintel/engine"
	"lintel/engine/event"
)

// Metrics are what the loop tells Prometheus.
type Metrics struct {
	Reads      *prometheus.CounterVec // by site
	Unplaced   *prometheus.CounterVec // by site and reason
	Entries    *prometheus.CounterVec
	Facts      *prometheus.CounterVec // by site and cause
	Alerts     *prometheus.CounterVec // by site, rule and change
	Deliveries *prometheus.CounterVec // by site and channel: made, not sent
	RuleErrors *prometheus.CounterVec
	Fold       prometheus.Histogram
	Commit     prometheus.Histogram
	Slow       *prometheus.CounterVec // commits of more than a second, by site
	Conflicts  prometheus.Counter
	WentBack   *prometheus.CounterVec // by site

	ClockBehind *prometheus.GaugeVec   // seconds by which the server's clock is behind the site clock
	ClockAhead  prometheus.Gauge       // seconds by which the server's clock is ahead of the store's
	NodeTaken   prometheus.Gauge       // 1 while another process has this one's name
	LookupsLost *prometheus.CounterVec // items that other shops were not asked about, by site
	Aside       *prometheus.GaugeVec   // entries that could not be folded and wait, by site; where the site is worked
}

// NewMetrics makes the metrics and registers them with reg unless it is nil.
func NewMetrics(reg prometheus.Registerer) *Metrics {
	counter := func(name, help string, labels ...string) *prometheus.CounterVec {
		return prometheus.NewCounterVec(prometheus.CounterOpts{Name: name, Help: help}, labels)
	}
	buckets := prometheus.ExponentialBuckets(0.0001, 2, 18) // 0.1 ms to 13 s
	m := &Metrics{
		Reads:      counter("lintel_reads_processed_total", "Tag reads processed.", "site"),
		Unplaced:   counter("lintel_reads_ignored_total", "Reads that were processed but said nothing.", "site", "reason"),
		Entries:    counter("lintel_entries_processed_total", "Journal entries processed.", "site"),
		Facts:      counter("lintel_facts_total", "Facts, by cause.", "site", "cause"),
		Alerts:     counter("lintel_alert_changes_total", "Changes of alerts, by rule.", "site", "rule", "change"),
		Deliveries: counter("lintel_deliveries_made_total", "Deliveries put into the outbox.", "site", "channel"),
		RuleErrors: counter("lintel_rule_errors_total", "Evaluations that failed.", "site"),
		Fold: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "lintel_processing_seconds", Help: "Processing of one commit's entries.", Buckets: buckets,
		}),
		Commit: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "lintel_commit_seconds", Help: "One commit to the store.", Buckets: buckets,
		}),
		Slow:     counter("lintel_commits_slow_total", "Commits that took more than a second; the log has their sizes.", "site"),
		WentBack: counter("lintel_store_went_back_total", "Times that the store had less of a site than was folded already.", "site"),
		LookupsLost: counter("lintel_other_shops_dropped_total",
			"Items that were not looked up at other shops, since too many waited.", "site"),
		Aside: prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "lintel_entries_aside",
			Help: "Entries that could not be processed and wait for an upgrade."}, []string{"site"}),
		Conflicts: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "lintel_commit_conflicts_total", Help: "Commits refused because another worker was first.",
		}),
	}
	m.ClockBehind = prometheus.NewGaugeVec(prometheus.GaugeOpts{
		Name: "lintel_clock_behind_seconds", Help: "By how much the server's clock is behind the site's time, which never goes back.",
	}, []string{"site"})
	m.ClockAhead = prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "lintel_clock_ahead_of_store_seconds", Help: "By how much the server's clock is ahead of the store's.",
	})
	m.NodeTaken = prometheus.NewGauge(prometheus.GaugeOpts{
		Name: "lintel_node_name_taken", Help: "1 while another process on the same store has the name of this one, else 0.",
	})
	if reg != nil {
		reg.MustRegister(m.Reads, m.Unplaced, m.Entries, m.Facts, m.Alerts, m.Deliveries,
			m.RuleErrors, m.Fold, m.Commit, m.Slow, m.Conflicts, m.WentBack, m.ClockBehind, m.ClockAhead, m.NodeTaken, m.Aside, m.LookupsLost)
	}
	return m
}

// known has the counters of failures begin at 0 with the site, so that the first failure is a rise.
func (m *Metrics) known(site string) {
	for _, c := range []*prometheus.CounterVec{m.RuleErrors, m.Slow, m.WentBack, m.LookupsLost} {
		c.WithLabelValues(site)
	}
}

func (m *Metrics) commit(site string, entries int, out *engine.Batch, folding, committing time.Duration) {
	m.Reads.WithLabelValues(site).Add(float64(out.Reads))
	m.Entries.WithLabelValues(site).Add(float64(entries))
	if out.Unplaced > 0 {
		m.Unplaced.WithLabelValues(site, "unplaced").Add(float64(out.Unplaced))
	}
	if out.Weak > 0 {
		m.Unplaced.WithLabelValues(site, "weak").Add(float64(out.Weak))
	}
	if out.RuleErrors > 0 {
		m.RuleErrors.WithLabelValues(site).Add(float64(out.RuleErrors))
	}
	var causes [32]int
	for i := range out.Facts {
		causes[out.Facts[i].Cause&31]++
	}
	for c, n := range causes {
		if n > 0 {
			m.Facts.WithLabelValues(site, event.Cause(c).String()).Add(float64(n))
		}
	}
	for i := range out.Alerts {
		m.Alerts.WithLabelValues(site, out.Alerts[i].Alert.Rule, out.Alerts[i].Type).Inc()
	}
	for i := range out.Deliveries {
		m.Deliveries.WithLabelValues(site, out.Deliveries[i].Channel).Inc()
	}
	m.Fold.Observe(folding.Seconds())
	m.Commit.Observe(committing.Seconds())
}
