package main

import (
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const (
	leastUploading, mostUploading = 40 * time.Millisecond, 400 * time.Millisecond
	// roundsOfAHome is after how many rounds other households take over. A phone keeps its household's whole record in one
	// file, so with the same ones for hundreds of rounds it would be those that are tested, and no family's.
	roundsOfAHome = 15
	mostStarting  = 200 * time.Millisecond
)

// TestKilledWhileItStarts kills servers while they make a database, its schema and its keys: the database then is fit for
// use all the same.
func TestKilledWhileItStarts(t *testing.T) {
	t.Parallel()
	r := moments(t)
	left := 0
	for range 1 + numberFrom(t, "SWALLOWTAIL_TEST_ROUNDS", 8)/8 {
		db := filepath.Join(t.TempDir(), "practice.db")
		for range 5 {
			killedWhileItStarts(t, r, db)
		}
		server := spawn(t, db)
		base := server.base(t)
		addClinicBeside(t, db)
		signIn(t, base, clinicEmail)
		server.kill(t)
		require.NoError(t, execute(t, "check", "--db", db).err)
		temporary, err := filepath.Glob(filepath.Join(filepath.Dir(db), ".keys-*"))
		require.NoError(t, err)
		left += len(temporary)
	}
	t.Logf("%d temporary key files left behind", left)
}

func killedWhileItStarts(t *testing.T, r *rand.Rand, db string) {
	t.Helper()
	server := spawn(t, db)
	time.Sleep(upTo(r, mostStarting))
	server.kill(t)
}

// TestKilledDuringUploads kills the server with kill -9 at random moments while phones, which are killed as well, hand in
// evening after evening, and starts it again on the same database: whatever was acknowledged is there, and the phones end
// up in step.
func TestKilledDuringUploads(t *testing.T) {
	t.Parallel()
	const homes, phones = 3, 2
	rounds := numberFrom(t, "SWALLOWTAIL_TEST_ROUNDS", 8)
	r := moments(t)
	db := filepath.Join(t.TempDir(), "practice.db")
	server := spawn(t, db)
	crowd := gather(t, db, server.base(t), homes, phones)
	for round := range rounds {
		if round > 0 && round%roundsOfAHome == 0 {
			crowd.moveIn(t, server.base(t), homes, phones)
		}
		crowd.uploadUntil(t, r, server, leastUploading+upTo(r, mostUploading-leastUploading))
		if r.IntN(4) == 0 {
			killedWhileItStarts(t, r, db)
		}
		server = spawn(t, db)
		crowd.verify(t, server.base(t))
	}
	all := crowd.settle(t, db, server.base(t))
	t.Logf("%d rounds, %d phones, %d at a time: %d entries recorded, %d acknowledged, 0 missing; %d calls cut off, "+
		"%d entries durable before their answer was lost, %d times a phone was killed; half of the calls took %s at most, "+
		"99 of 100 %s, the slowest %s", rounds, all.phones, homes*phones, all.recorded, all.acknowledged, all.interrupted,
		all.repeated, all.killed, all.within(0.5), all.within(0.99), all.within(1))
	assert.Positive(t, all.interrupted, "no kill came while a call was under way")
	assert.Positive(t, all.killed, "no phone was killed")
}
