package main

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// spawnCommand starts a command in a process of its own, which does not outlive the test.
func spawnCommand(t *testing.T, args ...string) *child {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	c := &child{said: &lockedBuffer{}, end: make(chan struct{})}
	c.cmd = exec.CommandContext(context.WithoutCancel(t.Context()), self, args...)
	c.cmd.Env = append(os.Environ(), childVariable+"="+childHeld)
	_, err = c.cmd.StdinPipe() // closed by Wait
	require.NoError(t, err)
	c.cmd.Stderr, c.cmd.WaitDelay = c.said, stopTime
	require.NoError(t, c.cmd.Start())
	go func() {
		c.err = c.cmd.Wait()
		close(c.end)
	}()
	t.Cleanup(func() { c.kill(t) })
	return c
}

// TestKilledDuringRestore kills restores with kill -9 at random moments, under a server that goes on serving: each leaves
// the database as it was or restored, nothing between.
func TestKilledDuringRestore(t *testing.T) {
	t.Parallel()
	rounds := numberFrom(t, "SWALLOWTAIL_TEST_ROUNDS", 8)
	r := moments(t)
	db := filepath.Join(t.TempDir(), "practice.db")
	server := startServe(t, db, nil)
	c := gather(t, db, server.base, 3, 2)
	phones := c.busy()
	for _, p := range phones {
		for range 10 {
			p.recordAlone(t, server.base)
		}
		p.practise(t, server.base)
	}
	file, made := takeBackup(t, db)
	began := time.Now()
	whole := spawnCommand(t, "restore", file, "--db", db)
	whole.await(t)
	require.NoError(t, whole.err, whole.said)
	takes := time.Since(began)

	asItWas, restored := 0, 0
	for range rounds {
		addClinicNamed(t, db, "Since the backup")
		phones[0].forgetAccess(t)
		phones[0].practise(t, server.base)
		before := marksOf(t, db)
		require.Equal(t, 2, before.clinics)
		restoring := spawnCommand(t, "restore", file, "--db", db)
		time.Sleep(upTo(r, takes*5/4))
		restoring.kill(t)
		after := marksOf(t, db)
		checked := execute(t, "check", "--db", db)
		require.NoError(t, checked.err, checked.out)
		if after.epoch == before.epoch {
			asItWas++
			require.Equal(t, before, after)
			require.NoError(t, execute(t, "restore", file, "--db", db).err) // for the next round
			after = marksOf(t, db)
		} else {
			restored++
		}
		require.NotContains(t, []uuid.UUID{before.epoch, made.Epoch}, after.epoch)
		require.Equal(t, marks{after.epoch, 1, made.Entries, before.devices, before.families}, after)
		phones[0].recover(t, server.base, after.epoch)
	}
	t.Logf("%d restores of about %s killed: %d left the database as it was, %d restored", rounds, takes.Round(time.Millisecond), asItWas, restored)
	assert.Equal(t, rounds, uint64(asItWas+restored))
	for _, p := range phones {
		p.forgetAccess(t)
		p.recover(t, server.base, marksOf(t, db).epoch)
	}
	found := report(t, execute(t, "check", "--db", db))
	assert.Equal(t, c.tally().recorded, found.Entries)
	assert.Empty(t, found.Differences)
}
