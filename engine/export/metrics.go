package export

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

type csvMetrics struct {
	Runs    *prometheus.CounterVec
	Rows    prometheus.Counter
	Seconds prometheus.Histogram
	Last    prometheus.Gauge
}

func newCSVMetrics(reg prometheus.Registerer) csvMetrics {
	m := csvMetrics{
		Runs: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "lintel_export_runs_total",
			Help: "Exports to CSV files, by result: ok or failed."}, []string{"result"}),
		Rows: prometheus.NewCounter(prometheus.CounterOpts{Name: "lintel_export_rows_total", Help: "Rows written to CSV files."}),
		Seconds: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "lintel_export_seconds", Help: "How long one export to CSV files took.",
			Buckets: prometheus.ExponentialBuckets(0.01, 2, 16),
		}),
		Last: prometheus.NewGauge(prometheus.GaugeOpts{Name: "lintel_export_last_success_timestamp_seconds",
			Help: "When an export to CSV files last succeeded as a whole."}),
	}
	if reg != nil {
		reg.MustRegister(m.Runs, m.Rows, m.Seconds, m.Last)
	}
	return m
}

// run counts one export. m is what it left.
func (c *csvMetrics) run(err error, took time.Duration, m Manifest, now time.Time) {
	c.Seconds.Observe(took.Seconds())
	for _, f := range m.Files {
		if !f.At.Before(m.At) {
			c.Rows.Add(float64(f.Rows))
		}
	}
	if err != nil {
		c.Runs.WithLabelValues("failed").Inc()
		return
	}
	c.Runs.WithLabelValues("ok").Inc()
	c.Last.Set(float64(now.UnixMilli()) / 1000)
}

type sinkMetrics struct {
	Rows     *prometheus.CounterVec
	Failures prometheus.Counter
	Last     prometheus.Gauge
	Sweep    prometheus.Histogram
}

func newSinkMetrics(reg prometheus.Registerer) sinkMetrics {
	m := sinkMetrics{
		Rows: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "lintel_sql_rows_total",
			Help: "Rows given to the SQL database, by table; it writes those that differ."}, []string{"table"}),
		Failures: prometheus.NewCounter(prometheus.CounterOpts{Name: "lintel_sql_failures_total",
			Help: "Rounds of copying into the SQL database that failed."}),
		Last: prometheus.NewGauge(prometheus.GaugeOpts{Name: "lintel_sql_last_success_timestamp_seconds",
			Help: "When a round of copying last succeeded."}),
		Sweep: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "lintel_sql_sweep_seconds", Help: "How long a comparison with the SQL database took.",
			Buckets: prometheus.ExponentialBuckets(0.01, 2, 18),
		}),
	}
	if reg != nil {
		reg.MustRegister(m.Rows, m.Failures, m.Last, m.Sweep)
	}
	return m
}
