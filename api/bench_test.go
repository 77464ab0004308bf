package api_test

import (
	"bytes"
	"io"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Benchmarks of the whole HTTP stack over loopback, client included, on a database that commits durably. The clock stands
// still, so that nobody's token expires.

// line is a caller on a real connection.
type line struct {
	b      *testing.B
	server *httptest.Server
	token  string
}

func (f *family) line(b *testing.B, as who) line {
	b.Helper()
	server := httptest.NewServer(f.handler)
	b.Cleanup(server.Close)
	return line{b: b, server: server, token: as.token()}
}

func (l line) do(method, path string, body []byte) []byte {
	request, err := http.NewRequestWithContext(l.b.Context(), method, l.server.URL+path, bytes.NewReader(body))
	require.NoError(l.b, err)
	request.Header.Set("Authorization", "Bearer "+l.token)
	request.Header.Set("Content-Type", "application/json")
	response, err := l.server.Client().Do(request)
	require.NoError(l.b, err)
	defer response.Body.Close()
	answer, err := io.ReadAll(response.Body)
	require.NoError(l.b, err)
	require.Equal(l.b, http.StatusOK, response.StatusCode, "%s", answer)
	return answer
}

// fortnight is a family of two caregivers who have both recorded the first nights of a programme.
func (s *site) fortnight(nights int) (f *family, mama, papa *phone) {
	s.t.Helper()
	f = s.newFamily("Otter")
	f.enrol("2027-03-01")
	mama, papa = f.newPhone("Mama"), f.newPhone("Papa")
	for night := range nights {
		at := start.AddDate(0, 0, night)
		mama.accepted(mama.evening(at)...)
		papa.accepted(papa.evening(at.Add(10 * time.Minute))...)
	}
	return f, mama, papa
}

// BenchmarkPushEvening hands in one session and five tries, and gets them back, in a household in mid-programme. Each push
// is another evening, the eighth to the fourteenth of either caregiver; then comes the next household.
func BenchmarkPushEvening(b *testing.B) {
	s := newHouse(b).newSite("north")
	s.clock.set(start.AddDate(0, 0, 13))
	b.ReportAllocs()
	var l line
	var bodies [][]byte
	for b.Loop() {
		if len(bodies) == 0 {
			b.StopTimer()
			f, _, papa := s.fortnight(7)
			l = f.line(b, papa.who)
			for night := 7; night < 14; night++ {
				bodies = append(bodies, encoded(b, papa.envelope(papa.evening(start.AddDate(0, 0, night).Add(10*time.Minute))...)))
			}
			b.StartTimer()
		}
		l.do(http.MethodPost, "/v1/sync", bodies[0])
		bodies = bodies[1:]
	}
}

// BenchmarkPullFortnight is the first pull of a whole fortnight of two caregivers: 168 entries and 14 nights.
func BenchmarkPullFortnight(b *testing.B) {
	s := newHouse(b).newSite("north")
	s.clock.set(start.AddDate(0, 0, 13))
	f, mama, _ := s.fortnight(14)
	mama.cursor = nil
	l, body := f.line(b, mama.who), encoded(b, mama.envelope())
	b.ReportAllocs()
	for b.Loop() {
		b.SetBytes(int64(len(l.do(http.MethodPost, "/v1/sync", body))))
	}
}

// BenchmarkSummary is a clinician's look at that fortnight, once more after another.
func BenchmarkSummary(b *testing.B) {
	s := newHouse(b).newSite("north")
	s.clock.set(start.AddDate(0, 0, 13))
	f, _, _ := s.fortnight(14)
	l := f.line(b, f.clinician)
	b.ReportAllocs()
	for b.Loop() {
		l.do(http.MethodGet, f.path("summary"), nil)
	}
}
