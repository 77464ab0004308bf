package api_test

import (
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/labstack/echo/v4"
	"github.com/stretchr/testify/require"

	"swallowtail/api"
)

// BenchmarkGuard is what finding out who asks, whether they may and whether they do so too often adds to a request, for each
// role: the token's signature, the look into the store whether it still holds, the table of rights, and the limits. The bounds
// are so wide that nobody meets them.
func BenchmarkGuard(b *testing.B) {
	w := newWorld(b)
	wide := api.Rate{PerSecond: 1e9, Burst: 1e9}
	guard, err := api.GuardOf(api.Config{
		Service: w.service, Keys: w.keys, Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Now: w.clock.now,
		Limits: api.Limits{Address: wide, Guess: wide, Caller: wide},
	})
	require.NoError(b, err)
	reached := 0
	e := echo.New()
	for name, test := range map[string]struct {
		as        who
		operation string
	}{
		"device": {w.papa.who, "getOwnHousehold"}, "clinician": {w.clinician, "getRoster"}, "lead": {w.lead, "getCohort"},
		"scheduler": {w.scheduler, "listOverdue"},
	} {
		guarded := guard(test.operation, func(echo.Context) error {
			reached++
			return nil
		})
		request := httptest.NewRequestWithContext(b.Context(), http.MethodGet, "/", nil)
		request.Header.Set("Authorization", "Bearer "+test.as.token())
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			reached = 0
			for b.Loop() {
				c := e.NewContext(request, nil)
				c.SetResponse(echo.NewResponse(httptest.NewRecorder(), e))
				require.NoError(b, guarded(c))
			}
			require.Positive(b, reached)
		})
	}
}
