package api_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api"
)

// TestWhatIsCounted counts answers by route and status, refusals by problem and bound, and nothing by what was sent.
func TestWhatIsCounted(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	registry := prometheus.NewPedanticRegistry()
	w.edged(api.Config{Metrics: api.NewMetrics(registry), Limits: api.Limits{Guess: api.Rate{PerSecond: 1, Burst: 1}}})
	w.clinician.get(w.family.path("summary")).ok(http.StatusOK)
	w.clinician.get(w.family.path("summary")).ok(http.StatusOK)
	w.nobody("x" + secret).get("/v1/roster").ok(http.StatusUnauthorized)
	w.nobody("x" + secret).get("/v1/roster").ok(http.StatusTooManyRequests)
	w.do(call{method: http.MethodGet, path: "/" + secret, elsewhere: true}).ok(http.StatusNotFound)
	w.do(call{method: strings.ToUpper(secret), path: "/healthz", elsewhere: true}).ok(http.StatusMethodNotAllowed)
	w.papa.get(streamPath).ok(http.StatusOK)

	counted := map[string]uint64{}
	families, err := registry.Gather()
	require.NoError(t, err)
	for _, family := range families {
		if family.GetName() != "swallowtail_request_duration_seconds" {
			continue
		}
		for _, metric := range family.GetMetric() {
			var labels []string
			for _, label := range metric.GetLabel() {
				labels = append(labels, label.GetValue()) // sorted by name
			}
			counted[strings.Join(labels, " ")] = metric.GetHistogram().GetSampleCount()
		}
	}
	assert.Equal(t, map[string]uint64{
		"GET /v1/learners/:learner/summary 200": 2, "GET /v1/roster 401": 1, "GET /v1/roster 429": 1,
		"GET other 404": 1, "other /healthz 405": 1,
	}, counted)
	require.NoError(t, testutil.GatherAndCompare(registry, strings.NewReader(`
# HELP swallowtail_rate_limited_total Requests that came too often, by the bound that they met.
# TYPE swallowtail_rate_limited_total counter
swallowtail_rate_limited_total{bound="guess"} 1
# HELP swallowtail_refusals_total Requests that were answered with a problem, by the problem.
# TYPE swallowtail_refusals_total counter
swallowtail_refusals_total{problem="method-not-allowed"} 1
swallowtail_refusals_total{problem="not-found"} 1
swallowtail_refusals_total{problem="rate-limited"} 1
swallowtail_refusals_total{problem="token-invalid"} 1
# HELP swallowtail_listeners Devices that listen for news.
# TYPE swallowtail_listeners gauge
swallowtail_listeners 0
# HELP swallowtail_requests_under_way Requests that are being answered, streams included.
# TYPE swallowtail_requests_under_way gauge
swallowtail_requests_under_way 0
`), "swallowtail_rate_limited_total", "swallowtail_refusals_total", "swallowtail_listeners", "swallowtail_requests_under_way"))
}
