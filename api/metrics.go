package api

import (
	"net/http"
	"strconv"

	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"
)

// Metrics count what is asked of the server and how it is answered. Their labels are of closed sets, written in the sources and
// the description: nothing that a caller sends is in one. A nil *Metrics counts nothing.
type Metrics struct {
	requests *prometheus.HistogramVec
	refusals *prometheus.CounterVec
	limited  *prometheus.CounterVec
	underWay prometheus.Gauge
	streams  prometheus.Gauge
}

// NewMetrics returns metrics that are registered. It panics if there are such already.
func NewMetrics(in prometheus.Registerer) *Metrics {
	m := &Metrics{
		requests: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "swallowtail_request_duration_seconds", Help: "How long requests took, but for streams, by route, method and status.",
			Buckets: []float64{0.001, 0.005, 0.02, 0.1, 0.5, 2, 10},
		}, []string{"route", "method", "status"}),
		refusals: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "swallowtail_refusals_total", Help: "Requests that were answered with a problem, by the problem.",
		}, []string{"problem"}),
		limited: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "swallowtail_rate_limited_total", Help: "Requests that came too often, by the bound that they met.",
		}, []string{"bound"}),
		underWay: prometheus.NewGauge(prometheus.GaugeOpts{
			Name: "swallowtail_requests_under_way", Help: "Requests that are being answered, streams included.",
		}),
		streams: prometheus.NewGauge(prometheus.GaugeOpts{
			Name: "swallowtail_listeners", Help: "Devices that listen for news.",
		}),
	}
	in.MustRegister(m.requests, m.refusals, m.limited, m.underWay, m.streams)
	return m
}

// elsewhere is the label of what the description does not know.
const elsewhere = "other"

// measured measures requests. It stands outside of what turns errors into answers.
func (s *server) measured(next echo.HandlerFunc) echo.HandlerFunc {
	if s.Metrics == nil {
		return next
	}
	return func(c echo.Context) error {
		began := s.exact()
		s.Metrics.underWay.Inc()
		defer s.Metrics.underWay.Dec()
		if c.Path() == streamPath {
			s.Metrics.streams.Inc()
			defer s.Metrics.streams.Dec()
			return next(c)
		}
		err := next(c)
		route, method := s.labels(c)
		s.Metrics.requests.WithLabelValues(route, method, strconv.Itoa(c.Response().Status)).
			Observe(s.exact().Sub(began).Seconds())
		return err
	}
}

// labels returns the route and the method of a request, as far as they are known.
func (s *server) labels(c echo.Context) (route, method string) {
	if route = c.Path(); !s.paths[route] {
		route = elsewhere
	}
	return route, methodOf(c.Request())
}

// methodOf returns the method of a request if it is one that has a meaning: any word may be sent as one (RFC 9110, section 9.1).
func methodOf(r *http.Request) string {
	switch r.Method {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions:
		return r.Method
	}
	return elsewhere
}

func (m *Metrics) refused(problem string) {
	if m != nil {
		m.refusals.WithLabelValues(problem).Inc()
	}
}

func (m *Metrics) tooOften(bound string) {
	if m != nil {
		m.limited.WithLabelValues(bound).Inc()
	}
}
