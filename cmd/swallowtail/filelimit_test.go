//go:build linux

package main

import (
	"math"
	"path/filepath"
	"syscall"
	"testing"
	"unsafe"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// limitFiles keeps a running server from writing to any file beyond some bytes, as a quota would.
func (c *child) limitFiles(t *testing.T, bytes uint64) {
	t.Helper()
	limit := c.fileLimit(t, nil)
	limit.Cur = min(bytes, limit.Max)
	c.fileLimit(t, &limit)
}

// fileLimit returns the limit, and sets another unless that is nil.
func (c *child) fileLimit(t *testing.T, other *syscall.Rlimit) syscall.Rlimit {
	t.Helper()
	var old syscall.Rlimit
	//nolint:gosec // G103: syscall has this call for a process's own limits only
	_, _, failure := syscall.Syscall6(syscall.SYS_PRLIMIT64, uintptr(c.cmd.Process.Pid), syscall.RLIMIT_FSIZE,
		uintptr(unsafe.Pointer(other)), uintptr(unsafe.Pointer(&old)), 0, 0)
	require.Zero(t, failure, failure.Error())
	return old
}

// TestFilesThatMayNotGrow keeps a server from writing beyond a size of its files, somewhere in the middle of what it
// writes, and from writing anything at all. The signal that comes with it ends no server.
func TestFilesThatMayNotGrow(t *testing.T) {
	t.Parallel()
	const homes, phones, roundsOfAHome = 1, 2, 4
	db := filepath.Join(t.TempDir(), "practice.db")
	server := spawn(t, db)
	base := server.base(t)
	crowd := gather(t, db, base, homes, phones)
	token := crowd.schedulerToken(t, db)
	r := moments(t)
	for round := range numberFrom(t, "SWALLOWTAIL_TEST_ROUNDS", 8) / 2 {
		if round > 0 && round%roundsOfAHome == 0 {
			crowd.moveIn(t, base, homes, phones)
		}
		limit := uint64(0) // at first
		if round > 0 {
			emptyLog(t, db)
			limit = r.Uint64N(400 << 10)
		}
		letNightsClose(t, db)
		server.limitFiles(t, limit)
		crowd.active[0].handInUntilRefused(t, r, base, "/problems/unavailable")
		crowd.active[0].readAll(t, base, token, "/problems/unavailable")
		server.limitFiles(t, math.MaxUint64)
		crowd.active[0].assertNothingHalf(t, base)
		crowd.verify(t, base)
	}
	all := crowd.settle(t, db, base)
	t.Logf("%d entries recorded, %d acknowledged, 0 missing; refused: %v", all.recorded, all.acknowledged, all.refusals)
	assert.Zero(t, all.interrupted, "a call was left without an answer")
}
