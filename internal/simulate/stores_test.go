package simulate

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api"
	"swallowtail/api/apitest"
	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/store/postgres/postgrestest"
)

// heard is one answer of a server.
type heard struct {
	what   string
	answer []byte
}

// recording is all that came of a schedule on one store.
type recording struct {
	store   string
	answers []heard
	result  Result
}

// TestEveryStoreAnswersASchedule plays the same schedules on every store, with the same clock, ids and secrets. Whatever a server answers,
// and whatever can be read over HTTP of the clinic that has been healed, must be the same to the byte.
func TestEveryStoreAnswersASchedule(t *testing.T) {
	t.Parallel()
	postgrestest.Server(t)
	count, given := numberFrom(t, countComparedVariable)
	if !given {
		count = onEvery
	}
	streets := []struct {
		store string
		*Street
	}{
		{"memory", newStreet(t, Memory{})},
		{"SQLite", newStreet(t, newFreshSQLiteEngine(t))},
		{"PostgreSQL", newStreet(t, newPostgresEngine(t))},
	}
	description, err := apitest.Describe()
	require.NoError(t, err)
	tally := &tally{counts: map[string]int{}}
	var next atomic.Uint64
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for seed := next.Add(1) - 1; seed < count && !t.Failed(); seed = next.Add(1) - 1 {
				var first recording
				for _, s := range streets {
					r := record(t, s.store, s.Street, seed, description)
					if first.store == "" {
						first = r
						tally.add(r)
						continue
					}
					if d := difference(first, r); d != "" {
						t.Errorf("seed %d: %s", seed, d)
					}
				}
			}
		})
	}
	workers.Wait()
	for _, what := range []string{"sync", "sync refused", "addClinicEntries", "getNights", "GET /v1/roster", "GET /v1/audit"} {
		assert.Positive(t, tally.counts[what], what)
	}
	t.Logf("%d schedules, %d answers compared: %v", count, tally.all, tally.counts)
}

// tally counts what was compared.
type tally struct {
	mu     sync.Mutex
	all    int
	counts map[string]int
}

func (y *tally) add(r recording) {
	y.mu.Lock()
	defer y.mu.Unlock()
	for _, h := range r.answers {
		what, _, _ := strings.Cut(h.what, "?")
		if strings.HasPrefix(what, "GET ") {
			segments := strings.Split(what, "/")
			for i := range segments {
				if uuid.Validate(segments[i]) == nil {
					segments[i] = "…"
				}
			}
			what = strings.Join(segments, "/")
		}
		y.counts[what]++
		y.all++
	}
}

// newFreshSQLiteEngine has each schedule begin with a trail of its own.
func newFreshSQLiteEngine(t *testing.T) *sqliteEngine {
	t.Helper()
	e := newSQLiteEngine(t)
	e.fresh = true
	return e
}

// difference says where two recordings of a schedule part; empty where they are one.
func difference(want, got recording) string {
	for i := range min(len(want.answers), len(got.answers)) {
		w, g := want.answers[i], got.answers[i]
		if w.what != g.what {
			return fmt.Sprintf("answer %d of %s is to %s, not to %s as of %s", i, got.store, g.what, w.what, want.store)
		}
		if !bytes.Equal(w.answer, g.answer) {
			d := apitest.Difference(apitest.Answer{Body: w.answer}, apitest.Answer{Body: g.answer})
			return fmt.Sprintf("%s, answer %d, is answered by %s otherwise than by %s: %s", w.what, i, got.store, want.store, d)
		}
	}
	switch {
	case len(want.answers) == 0:
		return "nothing was answered"
	case len(want.answers) != len(got.answers):
		return fmt.Sprintf("%s gives %d answers, %s %d", got.store, len(got.answers), want.store, len(want.answers))
	case want.result.Trace != got.result.Trace || want.result.Operations != got.result.Operations:
		return fmt.Sprintf("what happens on %s is not what happens on %s", got.store, want.store)
	}
	return ""
}

// record plays a schedule, and reads in the end whatever can be read.
func record(t *testing.T, store string, s *Street, seed uint64, d apitest.Description) recording {
	r := recording{store: store}
	r.result = play(t, s, Schedule{
		Seed: seed,
		Hear: func(what string, answer []byte) { r.answers = append(r.answers, heard{what, slices.Clone(answer)}) },
		after: func(w *World) {
			e, err := newEnd(w)
			if err != nil {
				t.Errorf("seed %d on %s: %v", seed, store, err)
				return
			}
			e.read(d)
		},
	})
	return r
}

// end is the HTTP side of a healed world's server.
type end struct {
	world   *World
	handler http.Handler
}

func newEnd(w *World) (*end, error) {
	handler, err := api.New(api.Config{
		Service: w.server.service, Keys: w.street.keys, Log: slog.New(slog.DiscardHandler), Now: func() time.Time { return w.now },
	})
	return &end{world: w, handler: handler}, err
}

// read has a lead, a scheduler and a device read all there is. After a rollback the trail is left out: of what an older state does to it
// each storage has its own.
func (e *end) read(d apitest.Description) {
	w := e.world
	c := w.house.clinician.ClinicID
	lead, err := w.server.service.AddMember(w.ctx, clinic.NewMember{
		Clinic: c, Email: "lead@clinic.example", Name: "Invented", Role: access.RoleLead, Password: "seven slow snails",
	}, w.now)
	session := w.server.made.next()
	if err == nil {
		err = w.server.store.InTx(w.ctx, func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddRefreshToken(ctx, clinic.RefreshToken{Hash: session[:], Family: session, Member: lead.ID})
		})
	}
	var scheduler string
	if err == nil {
		scheduler, err = w.server.service.IssueServiceToken(w.ctx, c, access.RoleScheduler, 24*time.Hour, w.now)
	}
	if err != nil {
		w.broken("let somebody in to read: %v", err)
		return
	}
	d.Readings(apitest.Callers{
		Lead:      e.reads(e.token(access.Principal{Role: access.RoleLead, ClinicID: c, ClinicianID: lead.ID, Session: session})),
		Scheduler: e.reads(scheduler),
		Device:    e.reads(e.token(w.reader.principal)),
		NoTrail:   w.ledger.rollbacks > 0,
	}, began.Add(20*time.Hour).Format(time.RFC3339))
}

func (e *end) token(of access.Principal) string {
	token, err := e.world.street.keys.Issue(of, access.AccessTTL, e.world.now, "reader")
	if err != nil {
		e.world.broken("make a token: %v", err)
	}
	return token
}

// reads asks as somebody, and hands on all of the answer.
func (e *end) reads(token string) func(path string) []byte {
	return func(path string) []byte {
		r := httptest.NewRequestWithContext(e.world.ctx, http.MethodGet, path, nil)
		r.Header.Set("Authorization", "Bearer "+token)
		a := apitest.Ask(e.handler, r, nil)
		e.world.heard("GET "+path, fmt.Appendf(nil, "%d %v\n%s", a.Status, a.Header, a.Body))
		return a.Body
	}
}

// TestADifferenceBetweenStoresIsSeen bends one answer of a recording.
func TestADifferenceBetweenStoresIsSeen(t *testing.T) {
	t.Parallel()
	of := func(answers ...heard) recording {
		return recording{store: "one", answers: answers, result: Result{Trace: 7}}
	}
	a, b := heard{"sync", []byte("an evening")}, heard{"getNights", []byte("a night")}
	assert.Empty(t, difference(of(a, b), of(a, b)))
	assert.Contains(t, difference(of(), of()), "nothing was answered")
	assert.Contains(t, difference(of(a, b), of(a)), "1 answers")
	assert.Contains(t, difference(of(a, b), of(b, a)), "answer 0")
	assert.Contains(t, difference(of(a, b), of(a, heard{"getNights", []byte("a nighT")})), "octet 6")
	other := of(a, b)
	other.result.Trace = 8
	assert.Contains(t, difference(of(a, b), other), "what happens")
}
