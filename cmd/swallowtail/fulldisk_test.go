//go:build linux

package main

import (
	"database/sql"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestFullDisk fills the disk under a running server again and again, with a little room left, so that it runs out in the
// middle of a transaction, at the end of one or while the log is moved into the database: the server says so, keeps
// nothing half, tells nothing that it can't put on the audit trail, and takes up its work when there is room again.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	withOwnMounts(t, func(t *testing.T) {
		const (
			homes, phones, roundsOfAHome = 1, 2, 4
			logMoves                     = 1000 * 4120 >> 10 // kibibytes of log after which SQLite moves it into the database
		)
		disk := newDisk(t, 16<<10)
		db := filepath.Join(disk.folder, "practice.db")
		server := spawn(t, db)
		base := server.base(t)
		crowd := gather(t, db, base, homes, phones)
		token := crowd.schedulerToken(t, db)
		r := moments(t)
		for round := range numberFrom(t, "SWALLOWTAIL_TEST_ROUNDS", 8) / 2 {
			if round > 0 && round%roundsOfAHome == 0 {
				crowd.moveIn(t, base, homes, phones)
			}
			emptyLog(t, db)
			letNightsClose(t, db)
			room := 4 * r.IntN(100)
			switch round % roundsOfAHome {
			case 0:
				room = 0
			case 1:
				growLog(t, db, logMoves-r.IntN(100))
				room = 4 * r.IntN(20) // less than the database needs then, or little more
			}
			disk.fill(t, room)
			crowd.active[0].handInUntilRefused(t, r, base, "/problems/out-of-space")
			crowd.active[0].readAll(t, base, token, "/problems/out-of-space")
			disk.clear(t)
			crowd.active[0].assertNothingHalf(t, base)
			crowd.verify(t, base)
		}
		all := crowd.settle(t, db, base)
		t.Logf("%d entries recorded, %d acknowledged, 0 missing; refused: %v", all.recorded, all.acknowledged, all.refusals)
		assert.Zero(t, all.interrupted, "a call was left without an answer")
	})
}

// emptyLog moves what stands in the log into the database, so that the log has to grow again.
func emptyLog(t *testing.T, db string) {
	t.Helper()
	file, err := sql.Open("sqlite", db+"?_busy_timeout=10000")
	require.NoError(t, err)
	defer func() { require.NoError(t, file.Close()) }()
	var busy, frames, moved int
	require.NoError(t, file.QueryRowContext(t.Context(), `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &frames, &moved))
	require.Zero(t, busy)
}

// growLog lets the log grow to some kibibytes without the database needing more room for it.
func growLog(t *testing.T, db string, kib int) {
	t.Helper()
	file, err := sql.Open("sqlite", db+"?_busy_timeout=10000&_pragma=wal_autocheckpoint(0)")
	require.NoError(t, err)
	defer func() { require.NoError(t, file.Close()) }()
	for range kib { // a page each time, at least
		_, err = file.ExecContext(t.Context(), `UPDATE projection SET until = until + 1`)
		require.NoError(t, err)
		info, err := os.Stat(db + "-wal")
		require.NoError(t, err)
		if info.Size()>>10 >= int64(kib) {
			return
		}
	}
	require.FailNow(t, "the log does not grow")
}

// TestStartOnAFullDisk: a server that can't start says why.
func TestStartOnAFullDisk(t *testing.T) {
	t.Parallel()
	withOwnMounts(t, func(t *testing.T) {
		disk := newDisk(t, 4<<10)
		db := filepath.Join(disk.folder, "practice.db")
		for _, room := range []int{0, 4, 16, 100} {
			disk.fill(t, room)
			said := refusal(t, "serve", "--db", db, "--addr", "127.0.0.1:0")
			assert.Regexp(t, "no space left on device|run out of space", said)
			disk.clear(t)
		}
		server := spawn(t, db) // what the refused ones have left behind is in nobody's way
		server.base(t)
		addClinicBeside(t, db)
		server.kill(t)
		disk.fill(t, 0)
		server = spawn(t, db) // one that was killed has left all that it needs for reading
		signedIn, err := caller(server.base(t)).SignIn(t.Context(), clinicEmail, somePassword, "")
		require.ErrorContains(t, err, "/problems/out-of-space", signedIn)
		disk.clear(t)
		signIn(t, server.base(t), clinicEmail)
	})
}

// TestAPhoneWithoutRoom fills the disk of a phone: what was recorded before is kept and handed in, what can't be recorded
// is said so, and the phone goes on when there is room again.
func TestAPhoneWithoutRoom(t *testing.T) {
	t.Parallel()
	withOwnMounts(t, func(t *testing.T) {
		disk := newDisk(t, 1<<10)
		db := filepath.Join(t.TempDir(), "practice.db")
		server := startServe(t, db, nil)
		crowd := gather(t, db, server.base, 1, 2)
		enrolled := enrolPhone(t, crowd.active[0].clinician, crowd.active[0].household, "", "Gran", "full phone")
		phone := newHandset(t, disk.folder, enrolled, crowd.active[0].learner)
		crowd.active[0].phones = append(crowd.active[0].phones, phone)
		device, err := phone.open(server.base)
		require.NoError(t, err)
		require.NoError(t, phone.recordEvening(device))

		disk.fill(t, 0)
		kept := device.Outbox()
		_, err = device.Excuse(phone.learner, "2027-03-02", "ill")
		require.ErrorIs(t, err, syscall.ENOSPC)
		_, err = device.Sync(t.Context())
		require.ErrorIs(t, err, syscall.ENOSPC)
		assert.Len(t, phone.revs, len(kept), "the server has them")
		assert.Equal(t, kept, device.Outbox(), "the phone has not seen them")
		again, err := phone.open(server.base)
		require.NoError(t, err)
		assert.Equal(t, kept, again.Outbox())

		disk.clear(t)
		require.NoError(t, phone.recordEvening(device))
		crowd.verify(t, server.base)
		crowd.settle(t, db, server.base)
	})
}
