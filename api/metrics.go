package api

import "github.com/prometheus/client_golang/prometheus"

type metrics struct {
	accepted *prometheus.CounterVec
	rejected *prometheus.CounterVec
	streams  prometheus.Gauge
	dropped  prometheus.Counter
}

func newMetrics(reg prometheus.Registerer) *metrics {
	m := &metrics{
		accepted: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "lintel_accepted_total", Help: "Reads and events that went into a journal.", // a repeated request counts once
		}, []string{"site", "kind"}),
		rejected: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "lintel_rejected_total", Help: "Reads and events that were refused, by the class of the reason.",
		}, []string{"site", "kind", "reason", "read_point"}),
		streams: prometheus.NewGauge(prometheus.GaugeOpts{Name: "lintel_live_streams", Help: "Live streams that are open."}),
		dropped: prometheus.NewCounter(prometheus.CounterOpts{Name: "lintel_live_dropped_total",
			Help: "Live streams that were ended because their client did not keep up."}),
	}
	reg.MustRegister(m.accepted, m.rejected, m.streams, m.dropped)
	return m
}

// batch counts what became of a batch.
func (m *metrics) batch(site, kind string, accepted int, rejected []Rejection) {
	if accepted > 0 {
		m.accepted.WithLabelValues(site, kind).Add(float64(accepted))
	}
	for i := range rejected {
		m.rejected.WithLabelValues(site, kind, reasonNames[rejected[i].class], rejected[i].point).Inc()
	}
}
