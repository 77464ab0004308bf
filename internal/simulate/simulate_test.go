package simulate

import (
	"fmt"
	"log/slog"
	"os"
	"runtime"
	"runtime/debug"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestMain gives the collector little to do: worlds are small and soon forgotten.
func TestMain(m *testing.M) {
	debug.SetGCPercent(2000)
	m.Run() // its result is the test binary's
}

// The tests read these variables:
//
//	SWALLOWTAIL_SIMULATE           how many schedules to play in memory (20,000)
//	SWALLOWTAIL_SIMULATE_POSTGRES  how many to play on PostgreSQL (100), where a server is named
//	SWALLOWTAIL_SIMULATE_COMPARED  how many to play on every store and compare (30), where a server is named
//	SWALLOWTAIL_SIMULATE_SEED      the only schedule to play, with its trace
//	SWALLOWTAIL_SIMULATE_EVERY     leaves out all schedules but every so manyth, and the first
const (
	countVariable         = "SWALLOWTAIL_SIMULATE"
	countPostgresVariable = "SWALLOWTAIL_SIMULATE_POSTGRES"
	countComparedVariable = "SWALLOWTAIL_SIMULATE_COMPARED"
	seedVariable          = "SWALLOWTAIL_SIMULATE_SEED"
	everyVariable         = "SWALLOWTAIL_SIMULATE_EVERY"
)

// How many schedules are played: ordinarily, and under the race detector.
const (
	inMemory, inMemoryRaced = 20_000, 60
	onSQLite, onSQLiteRaced = 500, 10
	onPostgres              = 100
	onEvery                 = 30
)

func numberFrom(t *testing.T, variable string) (n uint64, given bool) {
	t.Helper()
	text := os.Getenv(variable)
	if text == "" {
		return 0, false
	}
	n, err := strconv.ParseUint(text, 10, 63)
	require.NoError(t, err, variable)
	return n, true
}

func newStreet(t testing.TB, engine Engine) *Street {
	t.Helper()
	s, err := NewStreet(engine, t.TempDir(), slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	return s
}

// TestSchedules plays schedules on a store in memory.
func TestSchedules(t *testing.T) {
	t.Parallel()
	count, given := numberFrom(t, countVariable)
	switch {
	case given:
	case raceDetector:
		count = inMemoryRaced
	case testing.Short():
		count = inMemory / 10
	default:
		count = inMemory
	}
	playAll(t, newStreet(t, Memory{}), count)
}

// TestSchedulesOnSQLite plays fewer of them on the store that is used.
func TestSchedulesOnSQLite(t *testing.T) {
	t.Parallel()
	count := uint64(onSQLite)
	if raceDetector {
		count = onSQLiteRaced
	}
	playAll(t, newStreet(t, newSQLiteEngine(t)), count)
}

// TestSchedulesOnPostgres plays them on the other store that is used. A database is a server's, and each is put back to how the house
// was between two schedules.
func TestSchedulesOnPostgres(t *testing.T) {
	t.Parallel()
	count, given := numberFrom(t, countPostgresVariable)
	if !given {
		count = onPostgres
	}
	playAll(t, newStreet(t, newPostgresEngine(t)), count)
}

// playAll plays schedules, as many at a time as there are processors, until one fails.
func playAll(t *testing.T, s *Street, count uint64) {
	t.Helper()
	if seed, given := numberFrom(t, seedVariable); given {
		play(t, s, Schedule{Seed: seed, Trace: t.Output()})
		return
	}
	every, given := numberFrom(t, everyVariable)
	if !given {
		every = 1
	}
	var next, played, operations atomic.Uint64
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for seed := next.Add(every) - every; seed < count && !t.Failed(); seed = next.Add(every) - every {
				operations.Add(uint64(play(t, s, Schedule{Seed: seed}).Operations))
				played.Add(1)
			}
		})
	}
	workers.Wait()
	t.Logf("%d schedules, %d operations", played.Load(), operations.Load())
	assert.True(t, t.Failed() || played.Load() == (count+every-1)/every, "every schedule is played")
}

// play plays one schedule and says how to see a failing one again.
func play(t *testing.T, s *Street, what Schedule) Result {
	r, err := s.Play(t.Context(), what)
	if err != nil {
		t.Errorf("seed %d: %v", what.Seed, err)
	}
	for i, v := range r.Violations {
		if i == 0 {
			t.Errorf("schedule %d fails; to see it: %s=%d go test -v -run '^%s$' ./internal/simulate", what.Seed, seedVariable, what.Seed, t.Name())
		}
		t.Errorf("    %s", v)
	}
	return r
}

// TestTheSameSeedGivesTheSameTrace plays schedules twice, in streets of their own.
func TestTheSameSeedGivesTheSameTrace(t *testing.T) {
	t.Parallel()
	one, other := newStreet(t, Memory{}), newStreet(t, Memory{})
	traces := map[uint64]bool{}
	const seeds = 60
	for seed := range uint64(seeds) {
		first, second := play(t, one, Schedule{Seed: seed}), play(t, other, Schedule{Seed: seed})
		assert.Equal(t, first, second, "%s: seed %d", SameTrace, seed)
		traces[first.Trace] = true
	}
	assert.Len(t, traces, seeds, "other seeds give other traces")
}

// TestEveryActionHappens checks that the schedules are not empty of what they are for.
func TestEveryActionHappens(t *testing.T) {
	t.Parallel()
	s := newStreet(t, Memory{})
	seen := &words{counts: map[string]int{}}
	for seed := range uint64(300) {
		play(t, s, Schedule{Seed: seed, Trace: seen})
	}
	for _, what := range []string{
		"write", "could not write", "clinician", "sync", "carry", "carry twice", "lose", "late", "in step", "broken off", "kill",
		"disk", "wipe", "back up phone", "restore phone", "clock", "revoke", "not known any more", "cut power", "power cut",
		"back up server", "restore server", "time", "heal", "healed", "check",
	} {
		assert.Positive(t, seen.counts[what], what)
	}
	t.Log(seen.counts)
}

// words counts the lines of a trace by what they tell.
type words struct{ counts map[string]int }

func (w *words) Write(line []byte) (int, error) {
	var day, clock string
	var rest string
	if n, _ := fmt.Sscanf(string(line), "%s %s", &day, &clock); n == 2 && len(clock) == len("15:04:05") && len(day) == 2 {
		rest = string(line[len("02 15:04:05 "):])
		for i, r := range rest {
			if r == '[' {
				w.counts[rest[:i-1]]++
				break
			}
		}
	}
	return len(line), nil
}
