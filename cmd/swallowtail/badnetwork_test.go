package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// patience is how long a phone waits for an answer.
const patience = time.Second

// TestBadNetwork lets the phones of one household hand in evenings over networks that do everything to their calls that
// networks do, in whatever order. They end up in step, and nothing is lost or doubled; nor when all that was ever sent
// arrives once more.
func TestBadNetwork(t *testing.T) {
	t.Parallel()
	const phones = 4
	r := moments(t)
	db := filepath.Join(t.TempDir(), "practice.db")
	server := startServe(t, db, nil)
	crowd := gather(t, db, server.base, 1, phones)
	crowd.away.Store(true)
	ctx, cancel := context.WithTimeout(t.Context(), startTime)
	defer cancel()
	var work sync.WaitGroup
	networks, failures := make([]*network, phones), make([]error, phones)
	for i, p := range crowd.busy() {
		networks[i] = newNetwork(t, rand.New(rand.NewPCG(r.Uint64(), 0)), server.base, shuffledTroubles(t, r))
		p.http = &http.Client{Timeout: patience, Transport: &http.Transport{DisableKeepAlives: true}}
		work.Go(func() {
			for networks[i].left() > 0 && failures[i] == nil {
				failures[i] = p.handIn(ctx, 1, networks[i].base)
			}
		})
	}
	work.Wait()
	crowd.away.Store(false)
	for _, p := range crowd.busy() {
		p.http = nil
	}
	require.NoError(t, errors.Join(failures...))
	crowd.verify(t, server.base)

	before := crowd.active[0].list(t, server.base)
	for _, n := range networks {
		n.close()
		n.sendAllAgain(t)
	}
	assert.Equal(t, before, crowd.active[0].list(t, server.base))
	all := crowd.settle(t, db, server.base)
	met := map[trouble]int{}
	for _, n := range networks {
		for f, times := range n.met {
			met[f] += times
		}
		assert.Empty(t, n.failures)
	}
	t.Logf("%d phones: %d entries recorded, %d acknowledged, 0 missing; met %v; %d entries durable before their answer was lost",
		all.phones, all.recorded, all.acknowledged, met, all.repeated)
	for _, f := range everyTrouble() {
		assert.GreaterOrEqual(t, met[f], phones, f)
	}
	assert.Positive(t, all.repeated)
}

// shuffledTroubles is every trouble, once or more often, and some calls that meet none, in random order.
func shuffledTroubles(t *testing.T, r *rand.Rand) []trouble {
	t.Helper()
	var troubles []trouble
	for range 1 + numberFrom(t, "SWALLOWTAIL_TEST_ROUNDS", 8)/16 {
		troubles = append(append(troubles, everyTrouble()...), noTrouble, noTrouble)
	}
	r.Shuffle(len(troubles), func(i, j int) { troubles[i], troubles[j] = troubles[j], troubles[i] })
	return troubles
}

// sendAllAgain sends every request once more, whole, in random order.
func (n *network) sendAllAgain(t *testing.T) {
	t.Helper()
	for _, i := range n.r.Perm(len(n.requests)) {
		raw := n.exchange(t.Context(), n.requests[i], write)
		answer, err := http.ReadResponse(bufio.NewReader(bytes.NewReader(raw)), nil)
		require.NoError(t, err)
		require.NoError(t, answer.Body.Close())
		require.Equal(t, http.StatusOK, answer.StatusCode)
	}
}
