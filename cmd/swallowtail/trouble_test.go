package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// handInUntilRefused records evenings and hands them in, several at a time, until the server refuses some. It returns the
// refusal.
func (p *handset) handInUntilRefused(ctx context.Context, r *rand.Rand, base string) (*client.Problem, error) {
	device, err := p.open(base)
	if err != nil {
		return nil, err
	}
	const most = 300
	for range most {
		for range 1 + r.IntN(3)*r.IntN(3) {
			if err := p.recordEvening(device); err != nil {
				return nil, err
			}
		}
		_, err := device.Sync(ctx)
		if problem := client.AsProblem(err); problem != nil {
			return problem, nil
		}
		if err != nil {
			return nil, err
		}
	}
	return nil, fmt.Errorf("the server has taken %d uploads and refused none", most)
}

// handInUntilRefused lets the phones do so at the same time. Each must be told the problem and when to come back.
func (h *home) handInUntilRefused(t *testing.T, r *rand.Rand, base, problem string) {
	t.Helper()
	refusals, failures := make([]*client.Problem, len(h.phones)), make([]error, len(h.phones))
	var phones sync.WaitGroup
	for i, p := range h.phones {
		own := rand.New(rand.NewPCG(r.Uint64(), 0))
		phones.Go(func() { refusals[i], failures[i] = p.handInUntilRefused(t.Context(), own, base) })
	}
	phones.Wait()
	require.NoError(t, errors.Join(failures...))
	for _, refusal := range refusals {
		assertRefused(t, refusal, problem)
	}
}

func assertRefused(t *testing.T, refusal *client.Problem, problem string) {
	t.Helper()
	require.NotNil(t, refusal)
	require.Equal(t, problem, refusal.Type, refusal)
	assert.True(t, refusal.ComeBackLater())
	assert.Positive(t, refusal.RetryAfter)
}

// assertNothingHalf looks, once the server can write again, at what has become of calls that were refused: nothing of them is
// there, and the phones keep it.
func (h *home) assertNothingHalf(t *testing.T, base string) {
	t.Helper()
	listed := byID(h.list(t, base))
	for _, p := range h.phones {
		p.verify(t, listed)
		device, err := p.open(base)
		require.NoError(t, err)
		waiting := device.Outbox()
		require.NotEmpty(t, waiting)
		for _, e := range waiting {
			if _, acknowledged := p.revs[e.ID]; !acknowledged {
				require.NotContains(t, listed, e.ID, "of a call that was refused something was kept")
			}
		}
		for id := range p.recorded {
			require.True(t, listed[id].ID == id || holds(waiting, id), "what was recorded is lost: %s", id)
		}
	}
}

func holds(entries []client.Entry, id string) bool {
	for _, e := range entries {
		if e.ID == id {
			return true
		}
	}
	return false
}

// readAll asks for everything that can be read by those who are signed in already. Nothing is read that can't be put on the
// audit trail: each reading is refused with the problem, or answered where there was room left for its row.
func (h *home) readAll(t *testing.T, base, schedulerToken, problem string) {
	t.Helper()
	clinician := as(caller(base), h.clinician.Token)
	pair, err := h.phones[0].tokens().LoadTokens()
	require.NoError(t, err)
	phone, scheduler := as(caller(base), pair.Access), as(caller(base), schedulerToken)
	for _, open := range []string{"/healthz", "/readyz"} {
		require.NoError(t, caller(base).Call(t.Context(), http.MethodGet, open, nil, nil))
	}
	learner := "/v1/learners/" + h.learner
	for _, ask := range []struct {
		client.API
		path string
	}{
		{clinician, "/v1/roster"},
		{clinician, "/v1/roster?order=missed&flag=unheard"},
		{clinician, "/v1/households/" + h.household},
		{clinician, learner + "/summary"},
		{clinician, learner + "/nights"},
		{clinician, learner + "/entries"},
		{phone, "/v1/household"},
		{phone, learner + "/summary"},
		{scheduler, "/v1/reminders/overdue"},
	} {
		if err := ask.Call(t.Context(), http.MethodGet, ask.path, nil, nil); err != nil {
			assertRefused(t, client.AsProblem(err), problem)
		}
	}
}

// letNightsClose makes what is kept of every learner's fold hold no longer, as the passing of a night does.
func letNightsClose(t *testing.T, db string) {
	t.Helper()
	tamper(t, db, `UPDATE projection SET until = 1, reminders_until = 1`)
}

// schedulerToken returns a token for a scheduler of the clinic.
func (c *crowd) schedulerToken(t *testing.T, db string) string {
	t.Helper()
	return execute(t, "token", "issue", "--db", db, "--clinic", c.clinic, "--ttl", "1h").made(t, "token")
}

// writeLittle has the clinician write something small.
func (h *home) writeLittle(ctx context.Context, base string) error {
	_, err := as(caller(base), h.clinician.Token).CreatePlan(ctx, "Ours", client.PlanParameters{})
	return err
}

// breakOffUntil makes calls and breaks them off, each at another moment and later ones later, since a busy machine is
// slow, until something has come of it.
func (h *home) breakOffUntil(t *testing.T, base string, seen func() bool) {
	t.Helper()
	const most, moments, step = 5000, 100, 30 * time.Microsecond
	for i := 0; !seen(); i++ {
		require.Less(t, i, most, "no call was broken off at the right moment")
		ctx, cancel := context.WithTimeout(t.Context(), time.Duration(i%moments*(1+i/moments))*step)
		_ = h.writeLittle(ctx, base) // whatever comes of it
		cancel()
	}
}
