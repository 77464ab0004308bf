package load

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// server plays a server that keeps entries by their learner, and misbehaves as told.
type server struct {
	mu      sync.Mutex
	entries map[string][]string // ids, by learner's token
	calls   int
	// before may answer a call in the server's place, after it has been carried out.
	after func(call int, w http.ResponseWriter) (done bool)
}

func (s *server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.calls++
	var request client.Request
	if err := json.NewDecoder(r.Body).Decode(&request); err != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	who := r.Header.Get("Authorization")
	answer := map[string]any{"cursor": fmt.Sprint(s.calls), "more": false}
	results, changes := []any{}, []any{}
	for _, e := range request.Entries {
		status := client.Accepted
		for _, id := range s.entries[who] {
			if id == e.ID {
				status = client.Duplicate
			}
		}
		if status == client.Accepted {
			s.entries[who] = append(s.entries[who], e.ID)
		}
		results = append(results, map[string]any{"id": e.ID, "status": status})
	}
	for _, id := range s.entries[who] {
		changes = append(changes, map[string]any{"id": id})
	}
	answer["results"], answer["changes"] = results, changes
	if s.after != nil && s.after(s.calls, w) {
		return
	}
	_ = json.NewEncoder(w).Encode(answer) // the other end notices
}

// against returns families who call a server.
func against(t *testing.T, s *server, families int) *Load {
	t.Helper()
	s.entries = map[string][]string{}
	h := httptest.NewServer(s)
	t.Cleanup(h.Close)
	c := Config{
		Base: h.URL, First: time.Date(2027, 3, 1, 0, 0, 0, 0, time.UTC), Connections: 2, Duration: time.Minute,
		Now:   time.Now, //nolint:forbidigo // real calls take real time
		NewID: uuid.New, Seed: 7,
	}
	for range families {
		id := uuid.NewString()
		c.Families = append(c.Families, Family{Learner: id, Pair: client.Pair{Access: id}})
	}
	l, err := New(c)
	require.NoError(t, err)
	return l
}

func TestFamiliesHandInTheirEveningsOneAfterAnother(t *testing.T) {
	t.Parallel()
	s := &server{}
	l := against(t, s, 3)
	m, err := l.Evening(t.Context(), 1000)
	require.NoError(t, err)
	assert.Equal(t, 3*Evenings, m.Evenings)
	assert.Len(t, m.Latencies, 3*Evenings)
	assert.Empty(t, m.Errors)
	assert.InDelta(t, 6.5, m.History, 1e-9)
	assert.Equal(t, 2, m.Connections)
	assert.Equal(t, Verified{Families: 3, Acknowledged: 3 * Evenings * EntriesOfEvening}, l.Verify(t.Context()))
}

func TestTheFirstEveningIsOneOfEveryFamily(t *testing.T) {
	t.Parallel()
	l := against(t, &server{}, 3)
	m, err := l.FirstEvening(t.Context(), 1000)
	require.NoError(t, err)
	assert.Equal(t, 3, m.Evenings)
	assert.Zero(t, m.History)
	m, err = l.Evening(t.Context(), 4)
	require.NoError(t, err)
	assert.Equal(t, 4, m.Evenings)
	assert.InDelta(t, 1.25, m.History, 1e-9, "three with one before them, and one with two")
	m, err = l.Evening(t.Context(), 1000)
	require.NoError(t, err)
	assert.Equal(t, 3*Evenings-7, m.Evenings)
	assert.Equal(t, Verified{Families: 3, Acknowledged: 3 * Evenings * EntriesOfEvening}, l.Verify(t.Context()))
	m, err = l.FirstEvening(t.Context(), 1000)
	require.NoError(t, err)
	assert.Zero(t, m.Evenings, "none is left")
}

func TestAnEndedLoadBeginsNoCall(t *testing.T) {
	t.Parallel()
	s := &server{}
	l := against(t, s, 3)
	ctx, cancel := context.WithCancel(t.Context())
	s.after = func(call int, _ http.ResponseWriter) bool {
		if call == 2 {
			cancel()
		}
		return false
	}
	m, err := l.Evening(ctx, 1000)
	require.NoError(t, err)
	assert.Equal(t, m.Evenings, s.calls, "what has begun is seen to its end")
	assert.LessOrEqual(t, s.calls, 3, "a call on the other line may have begun meanwhile")
	assert.Empty(t, m.Errors)
}

// TestNothingIsLostByTryingAgain: an answer that is lost and a server that is busy cost a retry, and count once.
func TestNothingIsLostByTryingAgain(t *testing.T) {
	t.Parallel()
	s := &server{}
	l := against(t, s, 2)
	l.Connections = 1
	s.after = func(call int, w http.ResponseWriter) bool {
		switch call {
		case 2:
			panic(http.ErrAbortHandler) // it was carried out, but nobody was told
		case 4:
			w.WriteHeader(http.StatusServiceUnavailable)
			return true
		}
		return false
	}
	m, err := l.Evening(t.Context(), 6)
	require.NoError(t, err)
	assert.Equal(t, 6, m.Evenings)
	assert.Equal(t, map[string]int{"no answer": 1, "503 about:blank": 1}, m.Again)
	assert.Equal(t, 2, m.Retries())
	assert.Greater(t, m.Waited, m.Quantile(1), "who was asked to come later waited longer than any answer took")
	assert.GreaterOrEqual(t, m.Waited, firstWait)
	assert.GreaterOrEqual(t, m.Stalled, firstWait, "on one line nobody is answered meanwhile")
	assert.LessOrEqual(t, m.Stalled, m.Took)
	assert.Empty(t, m.Errors)
	assert.Equal(t, Verified{Families: 2, Acknowledged: 6 * EntriesOfEvening}, l.Verify(t.Context()))
}

// TestALineTurnsToAnotherServer when its own is gone, and stays there.
func TestALineTurnsToAnotherServer(t *testing.T) {
	t.Parallel()
	s := &server{}
	l := against(t, s, 2)
	gone := httptest.NewServer(http.NotFoundHandler())
	gone.Close()
	l.Base, l.Others = gone.URL, []string{l.Base}
	m, err := l.Evening(t.Context(), 10)
	require.NoError(t, err)
	assert.Equal(t, 10, m.Evenings)
	assert.Equal(t, 10, l.Acknowledged())
	assert.Empty(t, m.Errors)
	assert.Equal(t, map[string]int{"no answer": 1}, m.Again, "of two lines one began with the server that is gone")
}

func TestALongestGap(t *testing.T) {
	t.Parallel()
	at := func(ms ...int) (all []time.Time) {
		for _, n := range ms {
			all = append(all, time.UnixMilli(int64(n)))
		}
		return all
	}
	for name, c := range map[string]struct {
		instants []time.Time
		want     time.Duration
	}{
		"nothing":          {nil, 100 * time.Millisecond},
		"in the middle":    {at(90, 10, 50), 40 * time.Millisecond},
		"before the first": {at(60, 80), 60 * time.Millisecond},
		"after the last":   {at(10, 10, 20), 80 * time.Millisecond},
	} {
		assert.Equal(t, c.want, longestGap(at(0)[0], at(100)[0], c.instants), name)
	}
}

func TestWhatIsMissingIsFound(t *testing.T) {
	t.Parallel()
	s := &server{}
	l := against(t, s, 2)
	_, err := l.Evening(t.Context(), 4)
	require.NoError(t, err)
	for who, ids := range s.entries {
		s.entries[who] = ids[2:]
		break
	}
	assert.Equal(t, Verified{Families: 2, Acknowledged: 4 * EntriesOfEvening, Missing: 2}, l.Verify(t.Context()))
}

func TestARefusalIsAnErrorAndNothingIsAcknowledged(t *testing.T) {
	t.Parallel()
	s := &server{after: func(_ int, w http.ResponseWriter) bool {
		w.Header().Set("Content-Type", "application/problem+json")
		w.WriteHeader(http.StatusUnprocessableEntity)
		_, _ = fmt.Fprint(w, `{"type":"/problems/invalid-input","title":"no","status":422}`)
		return true
	}}
	l := against(t, s, 2)
	m, err := l.Evening(t.Context(), 4)
	require.NoError(t, err)
	assert.Equal(t, map[string]int{"422 /problems/invalid-input": 4}, m.Errors)
	assert.Equal(t, 4, m.Failed())
	assert.Zero(t, m.Evenings)
	assert.Empty(t, m.Latencies)
	assert.Zero(t, l.Verify(t.Context()), "nothing was acknowledged, so there is nothing to look for")

	s.after = func(_ int, w http.ResponseWriter) bool {
		_, _ = fmt.Fprint(w, `{"results":[],"cursor":"x"}`)
		return true
	}
	m, err = l.Evening(t.Context(), 4)
	require.NoError(t, err)
	assert.Equal(t, map[string]int{"an answer that was not to be expected": 4}, m.Errors)
}

func TestWaiting(t *testing.T) {
	t.Parallel()
	busy := func(status int, after time.Duration) error {
		return fmt.Errorf("call: %w", &client.Problem{Status: status, RetryAfter: after})
	}
	for name, c := range map[string]struct {
		err     error
		attempt int
		wait    time.Duration
		again   bool
	}{
		"the server says how long":          {busy(http.StatusTooManyRequests, 7*time.Second), 0, 7 * time.Second, true},
		"it says less than the next wait":   {busy(http.StatusServiceUnavailable, time.Second), 6, 3200 * time.Millisecond, true},
		"it says how long on 503":           {busy(http.StatusServiceUnavailable, 9*time.Second), 1, 9 * time.Second, true},
		"it says for ever":                  {busy(http.StatusTooManyRequests, time.Hour), 0, time.Minute, true},
		"no answer":                         {errors.New("connection reset"), 3, 400 * time.Millisecond, true},
		"no answer for the last time":       {errors.New("connection reset"), attempts - 1, 12800 * time.Millisecond, false},
		"busy for the last time":            {busy(http.StatusTooManyRequests, time.Second), attempts - 1, 12800 * time.Millisecond, false},
		"a refusal":                         {busy(http.StatusForbidden, 0), 0, firstWait, false},
		"a server that fails":               {busy(http.StatusInternalServerError, 0), 0, firstWait, false},
		"an answer that can't be made head": {errAnswer, 0, firstWait, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			wait, again := waitAfter(c.err, c.attempt)
			assert.Equal(t, c.wait, wait)
			assert.Equal(t, c.again, again)
		})
	}
}

// TestAnEveningIsWhatTheAppSends holds the body that is put together by hand to the client's own form.
func TestAnEveningIsWhatTheAppSends(t *testing.T) {
	t.Parallel()
	l := against(t, &server{}, 1)
	home, err := time.LoadLocation("America/Halifax")
	require.NoError(t, err)
	l.writer.first = time.Date(2027, 3, 1, 0, 0, 0, 0, home)
	u, err := l.writer.evenings(l.phones[0], 13, 1) // on the fourteenth, when clocks are set forward there
	require.NoError(t, err)
	cursor := "abc_-9"
	l.phones[0].cursor = &cursor
	sent := time.Date(2027, 3, 15, 7, 0, 0, 0, home)
	var got client.Request
	require.NoError(t, json.Unmarshal(l.phones[0].body(&u, sent, nil), &got))
	require.Len(t, got.Entries, EntriesOfEvening)
	want := client.Request{Schema: client.Schema, Cursor: &cursor, SentAt: "2027-03-15T07:00:00.000-03:00", Limit: 500, Entries: got.Entries}
	assert.Equal(t, want, got)
	var session client.SessionBody
	require.NoError(t, json.Unmarshal(got.Entries[0].Body, &session))
	assert.Equal(t, "2027-03-14 19", session.PractisedAt.Format("2006-01-02 15"))
	assert.Equal(t, "America/Halifax", session.Timezone)
	tried := map[string]int{}
	for _, e := range got.Entries[1:] {
		var try client.TryBody
		require.NoError(t, json.Unmarshal(e.Body, &try))
		assert.Equal(t, got.Entries[0].ID, try.Session)
		tried[try.Position]++
	}
	assert.Equal(t, map[string]int{"centre": 1, "right": 1, "left": 1, "up": 1, "down": 1}, tried)

	require.NoError(t, json.Unmarshal((&phone{}).body(nil, sent, nil), &got))
	assert.Nil(t, got.Cursor)
	assert.Empty(t, got.Entries)
}

func TestQuantilesAreExact(t *testing.T) {
	t.Parallel()
	m := Measured{}
	assert.Zero(t, m.Quantile(0.5))
	for i := range 1000 {
		m.Latencies = append(m.Latencies, time.Duration(i+1))
	}
	for q, want := range map[float64]time.Duration{0.5: 500, 0.99: 990, 0.999: 999, 1: 1000, 0.0001: 1} {
		assert.Equal(t, want, m.Quantile(q), q)
	}
	m.Latencies = m.Latencies[:3]
	assert.Equal(t, time.Duration(2), m.Quantile(0.5))
	assert.Equal(t, time.Duration(3), m.Quantile(0.99))
}
