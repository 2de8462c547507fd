package api

import "github.com/prometheus/client_golang/prometheus"

type metrics struct {
	requests *prometheus.CounterVec
	seconds  *prometheus.HistogramVec
	accepted *prometheus.CounterVec
	rejected *prometheus.CounterVec
	streams  prometheus.Gauge
	dropped  prometheus.Counter
}

func newMetrics(reg prometheus.Registerer) *metrics {
	m := &metrics{
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "lintel_http_requests_total", Help: "Requests, by route, method and status.",
		}, []string{"route", "method", "code"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "lintel_http_request_seconds", Help: "Time to the end of the answer, by route.", Buckets: prometheus.ExponentialBuckets(0.0005, 2, 16),
		}, []string{"route"}),
		accepted: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "lintel_accepted_total", Help: "Reads and events that went into a journal.", // a repeated request counts once
		}, []string{"site", "kind"}),
		rejected: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "lintel_rejected_total", Help: "Reads and events that were refused, by the class of the reason.",
		}, []string{"site", "kind", "reason"}),
		streams: prometheus.NewGauge(prometheus.GaugeOpts{Name: "lintel_live_streams", Help: "Live streams that are open."}),
		dropped: prometheus.NewCounter(prometheus.CounterOpts{Name: "lintel_live_dropped_total", Help: "Live streams that were ended because their client did not keep up."}),
	}
	reg.MustRegister(m.requests, m.seconds, m.accepted, m.rejected, m.streams, m.dropped)
	return m
}

// batch counts what became of a batch.
func (m *metrics) batch(site, kind string, accepted int, rejected []Rejection) {
	if accepted > 0 {
		m.accepted.WithLabelValues(site, kind).Add(float64(accepted))
	}
	var classes [reasonClasses]int
	for i := range rejected {
		classes[rejected[i].class]++
	}
	for class, n := range classes {
		if n > 0 {
			m.rejected.WithLabelValues(site, kind, reasonNames[class]).Add(float64(n))
		}
	}
}
