package main

import (
	"context"
	"errors"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestOneHouseholdAtTwoServers has the phones of one household hand in evenings at the same time, each to two servers on
// one database in turn; then one of the servers is killed under them and another takes its place, again and again.
func TestOneHouseholdAtTwoServers(t *testing.T) {
	t.Parallel()
	atTwoServers(t, filepath.Join(t.TempDir(), "practice.db"))
}

func atTwoServers(t *testing.T, db string) {
	t.Helper()
	const phones, evenings, roundsOfAHome = 5, 5, 5
	r := moments(t)
	servers := []*child{spawn(t, db), spawn(t, db)}
	bases := []string{servers[0].base(t), servers[1].base(t)}
	crowd := gather(t, db, bases[0], 1, phones)
	kills := 1 + numberFrom(t, "SWALLOWTAIL_TEST_ROUNDS", 8)/4
	for round := range kills {
		if round > 0 && round%roundsOfAHome == 0 {
			crowd.moveIn(t, bases[0], 1, phones)
		}
		doomed := round % 2
		crowd.handIn(t, evenings, bases, func() {
			time.Sleep(leastUploading + upTo(r, 4*leastUploading))
			crowd.away.Store(true)
			servers[doomed].kill(t)
		})
		crowd.away.Store(false)
		servers[doomed] = spawn(t, db)
		bases[doomed] = servers[doomed].base(t)
		crowd.verify(t, bases...)
	}
	all := crowd.settle(t, db, bases...)
	t.Logf("%d kills, %d phones: %d entries recorded, %d acknowledged, 0 missing; %d calls cut off, %d entries durable before their "+
		"answer was lost; refused: %v; half of the calls took %s at most, 99 of 100 %s, the slowest %s", kills, all.phones,
		all.recorded, all.acknowledged, all.interrupted, all.repeated, all.refusals, all.within(0.5), all.within(0.99), all.within(1))
	if kills >= 8 { // of a few, all may come while the other server is asked
		assert.Positive(t, all.interrupted, "no kill came while a call was under way")
	}
}

// handIn lets all the busy phones hand in evenings at the same time, half of them to one server first and half to the
// other, while something else is done.
func (c *crowd) handIn(t *testing.T, evenings int, bases []string, meanwhile func()) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), startTime)
	defer cancel()
	failures := make([]error, len(c.busy()))
	var phones sync.WaitGroup
	for i, p := range c.busy() {
		phones.Go(func() {
			failures[i] = p.handIn(ctx, evenings, bases[i%len(bases)], bases[(i+1)%len(bases)])
		})
	}
	meanwhile()
	phones.Wait()
	require.NoError(t, errors.Join(failures...))
}
