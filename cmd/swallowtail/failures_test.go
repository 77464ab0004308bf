//go:build linux

package main

import (
	"io"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/load"
	"swallowtail/internal/store/postgres/postgrestest"
)

// disaster is something that happens again and again in the midst of a rush.
type disaster struct {
	name    string
	servers int
	pool    string // what the servers' address of the database has besides
	// evenings is how many are handed in before the first, between two and after the last: more where it takes longer.
	evenings int
	strike   func(t *testing.T, own *postgrestest.Own, r *storm, round int)
}

// disasters are what PostgreSQL, a server or an administrator may do to those who hand in.
func disasters() []disaster {
	return []disaster{
		{name: "one of two servers is killed", servers: 2, evenings: 30, strike: func(t *testing.T, _ *postgrestest.Own, r *storm, round int) {
			t.Helper()
			r.replace(t, round%len(r.servers))
		}},
		{name: "PostgreSQL is restarted", servers: 1, evenings: 30, strike: func(t *testing.T, own *postgrestest.Own, _ *storm, _ int) {
			t.Helper()
			own.Stop(t, syscall.SIGINT)
			own.Start(t)
		}},
		{name: "PostgreSQL crashes", servers: 2, evenings: 30, strike: func(t *testing.T, own *postgrestest.Own, _ *storm, _ int) {
			t.Helper()
			own.Stop(t, syscall.SIGQUIT)
			own.Start(t)
		}},
		// Of two connections for all who call, too. To take every connection takes as long as some hundred evenings.
		{name: "others have every connection", servers: 1, pool: "&pool_max_conns=2", evenings: 400, strike: func(t *testing.T, own *postgrestest.Own, _ *storm, _ int) {
			t.Helper()
			taken, giveBack := own.TakeConnections(t)
			time.Sleep(leastUploading)
			giveBack()
			require.Greater(t, taken, 2)
		}},
	}
}

// TestDisastersInARushOnPostgres has families hand in as fast as they can, while something terrible happens half as often as
// SWALLOWTAIL_TEST_ROUNDS says, each time in the midst of it. Nothing that was acknowledged may be missing, and all that anybody has to
// do is to call again.
func TestDisastersInARushOnPostgres(t *testing.T) {
	t.Parallel()
	own := postgrestest.StartOwn(t, "max_connections=50")
	rounds := (1 + int(numberFrom(t, "SWALLOWTAIL_TEST_ROUNDS", 4))) / 2
	for _, d := range disasters() {
		t.Run(d.name, func(t *testing.T) {
			r := newStorm(t, own, &d, d.evenings*(rounds+1))
			m := r.play(t, func() {
				for round := range rounds {
					r.await(t, d.evenings*(round+1))
					d.strike(t, own, r, round)
				}
			})
			v := r.load.Verify(t.Context())
			t.Logf("%d times %s: %d entries acknowledged, %d missing; %d calls given up, %d made again: %v; half of the calls took %s, "+
				"99 of 100 %s at most; the longest that anybody waited for one was %s, the longest time without any answer %s",
				rounds, d.name, v.Acknowledged, v.Missing, m.Failed(), m.Retries(), m.Again, rounded(m.Quantile(0.5)), rounded(m.Quantile(0.99)),
				rounded(m.Waited), rounded(m.Stalled))
			assert.Empty(t, m.Errors)
			assert.Positive(t, m.Retries(), "nobody noticed")
			assert.Equal(t, r.uploads, m.Evenings)
			assert.Equal(t, load.Verified{Families: v.Families, Acknowledged: r.uploads * load.EntriesOfEvening}, v)
			checked := execute(t, "check", "--db", r.db)
			require.NoError(t, checked.err, checked.out)
			assert.Equal(t, v.Acknowledged, report(t, checked).Entries, "every entry is there once")
		})
	}
}

func rounded(d time.Duration) time.Duration { return d.Round(time.Millisecond) }

// storm is families who hand in all at once, and the servers that they call.
type storm struct {
	db      string
	servers []*child
	load    *load.Load
	uploads int
	ended   chan struct{}
}

// newStorm fills a database with families enough for so many uploads, and starts servers on it.
func newStorm(t *testing.T, own *postgrestest.Own, d *disaster, uploads int) *storm {
	t.Helper()
	const callers = 24
	keys := filepath.Join(t.TempDir(), "practice.keys")
	r := &storm{db: own.Database(t) + d.pool, uploads: uploads, ended: make(chan struct{})}
	keyFiles.Store(r.db, keys)
	c := &call{streams: streams{err: io.Discard}, keys: &keys}
	families := max(callers, (uploads+load.Evenings-1)/load.Evenings)
	clinic, err := c.fillLoaded(t.Context(), &loadOptions{db: r.db, households: families, scenario: scenarioEvening}, time.Now())
	require.NoError(t, err)
	config := load.Config{
		Families: clinic.families, First: clinic.first, Connections: callers, Duration: mostDuration, Now: time.Now, NewID: newID, Seed: 1,
	}
	for range d.servers {
		r.servers = append(r.servers, spawn(t, r.db))
	}
	config.Base = r.servers[0].base(t)
	for _, other := range r.servers[1:] {
		config.Others = append(config.Others, other.base(t))
	}
	r.load, err = load.New(config)
	require.NoError(t, err)
	return r
}

// play has the families hand in while something else is done.
func (r *storm) play(t *testing.T, meanwhile func()) (m load.Measured) {
	t.Helper()
	var err error
	go func() {
		defer close(r.ended)
		m, err = r.load.Evening(t.Context(), r.uploads)
	}()
	meanwhile()
	<-r.ended
	require.NoError(t, err)
	return m
}

// await waits until so many evenings have been acknowledged.
func (r *storm) await(t *testing.T, evenings int) {
	t.Helper()
	for r.load.Acknowledged() < evenings {
		select {
		case <-r.ended:
			require.FailNow(t, "the rush is over", "%d evenings were acknowledged", r.load.Acknowledged())
		case <-time.After(time.Millisecond):
		}
	}
}

// replace kills a server, and starts another in its place.
func (r *storm) replace(t *testing.T, nth int) {
	t.Helper()
	base := r.servers[nth].base(t)
	r.servers[nth].kill(t)
	r.servers[nth] = spawnAt(t, strings.TrimPrefix(base, "http://"), r.db)
	require.Equal(t, base, r.servers[nth].base(t))
}
