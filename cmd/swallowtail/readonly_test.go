//go:build linux

package main

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// writable makes the disk read-only, or writable again. It can't be done while a file on it is open for writing.
func (d *disk) writable(t *testing.T, writable bool) {
	t.Helper()
	flags := uintptr(syscall.MS_REMOUNT | syscall.MS_RDONLY)
	if writable {
		flags = syscall.MS_REMOUNT
	}
	require.NoError(t, syscall.Mount("tmpfs", d.folder, "tmpfs", flags, ""))
}

// cover lays a read-only view of the disk over it: what is opened from now on can't be written to.
func (d *disk) cover(t *testing.T) {
	t.Helper()
	require.NoError(t, syscall.Mount(d.folder, d.folder, "", syscall.MS_BIND, ""))
	require.NoError(t, syscall.Mount("", d.folder, "", syscall.MS_REMOUNT|syscall.MS_BIND|syscall.MS_RDONLY, ""))
}

// uncover takes it away again, from what has files open in it too.
func (d *disk) uncover(t *testing.T) {
	t.Helper()
	require.NoError(t, syscall.Unmount(d.folder, syscall.MNT_DETACH))
}

// TestStartOnAReadOnlyDisk: a server that can't start says why.
func TestStartOnAReadOnlyDisk(t *testing.T) {
	t.Parallel()
	withOwnMounts(t, func(t *testing.T) {
		disk := newDisk(t, 4<<10)
		db := filepath.Join(disk.folder, "practice.db")
		refused := func(why string) {
			t.Helper()
			for _, command := range []string{"serve --addr 127.0.0.1:0", "migrate"} {
				said := refusal(t, append(strings.Fields(command), "--db", db)...)
				assert.Contains(t, said, "swallowtail: open database: ")
				assert.Contains(t, said, ": read-only file system", why)
			}
		}
		disk.writable(t, false)
		refused("without a database")

		disk.writable(t, true)
		server := spawn(t, db)
		server.base(t)
		addClinicBeside(t, db)
		server.kill(t)
		disk.writable(t, false)
		refused("with the log that a killed server has left")

		disk.writable(t, true)
		emptyLog(t, db)
		other := filepath.Join(t.TempDir(), "practice.db")
		content, err := os.ReadFile(db)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(other, content, 0o600)) //nolint:gosec // G703: in a folder of the test's own
		disk.writable(t, false)
		require.NoError(t, syscall.Mount(other, db, "", syscall.MS_BIND, ""))
		refused("with a database that could be written to, in a folder that can't")

		require.NoError(t, syscall.Unmount(db, 0))
		disk.writable(t, true)
		signIn(t, spawn(t, db).base(t), clinicEmail)
	})
}

// TestDiskThatBecomesReadOnly takes the right to write from a running server and gives it back. No disk becomes read-only
// by itself while files on it are open for writing, so both halves of it are done here: nothing that is opened can be
// written to, and no file that is open can.
func TestDiskThatBecomesReadOnly(t *testing.T) {
	t.Parallel()
	withOwnMounts(t, func(t *testing.T) {
		disk := newDisk(t, 16<<10)
		db := filepath.Join(disk.folder, "practice.db")
		server := spawn(t, db)
		base := server.base(t)
		crowd := gather(t, db, base, 1, 2)
		token := crowd.schedulerToken(t, db)
		home := crowd.active[0]
		crowd.verify(t, base)
		letNightsClose(t, db)

		disk.cover(t)
		server.limitFiles(t, 0)
		r := moments(t)
		home.handInUntilRefused(t, r, base, "/problems/unavailable")
		home.readAll(t, base, token, "/problems/unavailable")

		disk.uncover(t)
		server.limitFiles(t, math.MaxUint64)
		require.Eventually(t, func() bool { return home.writeLittle(t.Context(), base) == nil }, startTime, time.Millisecond,
			"the server takes up its work by itself")
		home.assertNothingHalf(t, base)
		crowd.verify(t, base)
		all := crowd.settle(t, db, base)
		assert.Zero(t, all.interrupted, "a call was left without an answer")
	})
}
