package api_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// traffic is what went over the wire in one call, as it went and inflated.
type traffic struct{ sent, sentRaw, got, gotRaw int }

// meter carries calls and weighs the bodies of those that succeed.
type meter struct {
	t     *testing.T
	calls []traffic
}

// RoundTrip implements http.RoundTripper.
func (m *meter) RoundTrip(r *http.Request) (*http.Response, error) {
	sent, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	again := r.Clone(r.Context())
	again.Body = io.NopCloser(bytes.NewReader(sent))
	again.Header.Set("Accept-Encoding", "gzip") // asked for here, so that it is not inflated unseen
	answer, err := http.DefaultTransport.RoundTrip(again)
	if err != nil {
		return nil, err
	}
	got, err := io.ReadAll(answer.Body)
	if err != nil {
		return nil, err
	}
	raw := m.inflated(answer.Header, got)
	if answer.StatusCode == http.StatusOK {
		m.calls = append(m.calls, traffic{len(sent), len(m.inflated(r.Header, sent)), len(got), len(raw)})
	}
	answer.Header.Del("Content-Encoding")
	answer.Body = io.NopCloser(bytes.NewReader(raw))
	return answer, answer.Body.Close()
}

func (m *meter) inflated(h http.Header, body []byte) []byte {
	if h.Get("Content-Encoding") != "gzip" {
		return body
	}
	r, err := gzip.NewReader(bytes.NewReader(body))
	require.NoError(m.t, err)
	raw, err := io.ReadAll(r)
	require.NoError(m.t, err)
	return raw
}

// meteredPhone returns the device side of a new phone in the family, over a real connection that is weighed. Its ids are
// random, as those of a phone are: nothing compresses less.
func (f *family) meteredPhone(t *testing.T, random *rand.ChaCha8) (*client.Device, *meter) {
	t.Helper()
	server := httptest.NewServer(f.handler)
	t.Cleanup(server.Close)
	p, m := f.newPhone("Mama"), &meter{t: t}
	// The test moves the clock past the life of a token; a new one is had without a call.
	renew := func(context.Context, string) (client.Pair, error) { return client.Pair{Access: p.token()}, nil }
	tokens, err := client.OpenTokens(&client.MemoryTokens{Pair: client.Pair{Access: p.token()}}, renew)
	require.NoError(t, err)
	zone, err := time.LoadLocation("America/Halifax")
	require.NoError(t, err)
	device, err := client.Open(client.Config{
		Writer:    client.Writer{Device: p.principal.DeviceID.String(), Caregiver: p.principal.CaregiverID.String()},
		Transport: client.HTTPTransport{Base: server.URL, HTTP: &http.Client{Transport: m}, Tokens: tokens},
		Disk:      &client.MemoryDisk{},
		Now:       func() time.Time { return f.clock.now().In(zone) },
		NewID:     func() string { return uuid.Must(uuid.NewRandomFromReader(random)).String() },
	})
	require.NoError(t, err)
	return device, m
}

// metered is an evening as a family has it: five tries, a snag now and then.
func metered(learner string, at time.Time, r *rand.Rand) client.Evening {
	e := client.Evening{Learner: learner, PractisedAt: at, Timezone: "America/Halifax"}
	for _, position := range []string{"centre", "right", "left", "up", "down"} {
		try := client.Try{Position: position, SizeMM: 6, Outcome: "swallowed", Ease: 1 + r.IntN(5)}
		if r.IntN(5) == 0 {
			try.Outcome, try.Snags = "not_swallowed", []string{"water"}
		}
		e.Tries = append(e.Tries, try)
	}
	return e
}

// TestBytesOnTheWire weighs a fortnight of one caregiver, handed in at once, and one evening.
func TestBytesOnTheWire(t *testing.T) {
	t.Parallel()
	const nights, tries = 14, 5
	f := newHouse(t).newSite("north").newFamily("Otter")
	f.enrol("2027-03-01")
	seed := [32]byte{1}
	random := rand.NewChaCha8(seed)
	device, m := f.meteredPhone(t, random)
	for night := range nights {
		at := start.AddDate(0, 0, night)
		f.clock.set(at.Add(10 * time.Minute))
		_, err := device.RecordEvening(metered(f.learner, at, rand.New(random)))
		require.NoError(t, err)
	}
	sync := func() traffic {
		t.Helper()
		m.calls = nil
		_, err := device.Sync(t.Context())
		require.NoError(t, err)
		require.Empty(t, device.Outbox())
		require.Len(t, m.calls, 1, "one round trip")
		return m.calls[0]
	}
	fortnight := sync()
	f.clock.advance(24 * time.Hour)
	_, err := device.RecordEvening(metered(f.learner, f.clock.now().Add(-10*time.Minute), rand.New(random)))
	require.NoError(t, err)
	evening, nothing := sync(), sync()

	perTry := func(bytes int) int { return bytes / (nights * tries) }
	t.Logf("a fortnight of one caregiver: %+v; for each try %d bytes up, %d raw", fortnight, perTry(fortnight.sent), perTry(fortnight.sentRaw))
	t.Logf("one evening: %+v", evening)
	t.Logf("nothing new: %+v", nothing)
	// The bounds are those that were set beforehand: bytes for a try in a batch, its share of the session included.
	assert.LessOrEqual(t, perTry(fortnight.sentRaw), 450)
	assert.LessOrEqual(t, perTry(fortnight.sent), 90)
}

// BenchmarkFirstSync is the first sync of a phone in a household of two caregivers with a whole fortnight: one round trip.
// It reports how long one in two and one in a hundred take.
func BenchmarkFirstSync(b *testing.B) {
	s := newHouse(b).newSite("north")
	s.clock.set(start.AddDate(0, 0, 13))
	f, mama, _ := s.fortnight(14)
	mama.cursor = nil
	envelope := mama.envelope()
	envelope["limit"] = 500
	l, body := f.line(b, mama.who), encoded(b, envelope)
	var took []time.Duration
	for b.Loop() {
		began := time.Now()
		answer := l.do(http.MethodPost, "/v1/sync", body)
		took = append(took, time.Since(began))
		require.Contains(b, string(answer), `"more":false`, "one round trip")
	}
	slices.Sort(took)
	b.ReportMetric(took[len(took)/2].Seconds()*1000, "p50-ms")
	b.ReportMetric(took[len(took)*99/100].Seconds()*1000, "p99-ms")
}
