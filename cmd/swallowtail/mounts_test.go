//go:build linux

package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A test binary that is started with this variable has mounts of its own, and others than those that it names.
const mountsVariable = "SWALLOWTAIL_TEST_MOUNTS"

// insideTime bounds a test that runs with mounts of its own.
const insideTime = 5 * time.Minute

// withOwnMounts runs a test in a process of its own that has mounts of its own, so that nothing stays mounted however the
// test ends. Where the machine does not allow that, the test is skipped.
func withOwnMounts(t *testing.T, test func(t *testing.T)) {
	t.Helper()
	mounts, err := os.Readlink("/proc/self/ns/mnt")
	require.NoError(t, err)
	if others := os.Getenv(mountsVariable); others != "" {
		require.NotEqual(t, others, mounts, "a mount would be among everybody's")
		test(t)
		return
	}
	self, err := os.Executable()
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), insideTime)
	defer cancel()
	inside := exec.CommandContext(ctx, self, "-test.run=^"+t.Name()+"$", "-test.v", "-test.timeout="+insideTime.String())
	inside.Env = append(os.Environ(), mountsVariable+"="+mounts)
	inside.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNS}
	if os.Getuid() != 0 {
		inside.SysProcAttr.Cloneflags |= syscall.CLONE_NEWUSER
		inside.SysProcAttr.UidMappings = []syscall.SysProcIDMap{{HostID: os.Getuid(), Size: 1}}
		inside.SysProcAttr.GidMappings = []syscall.SysProcIDMap{{HostID: os.Getgid(), Size: 1}}
	}
	said, err := inside.CombinedOutput()
	var ended *exec.ExitError
	if err != nil && !errors.As(err, &ended) {
		t.Skipf("NOT TESTED: this machine lets no process have mounts of its own: %v", err)
	}
	require.NoError(t, err, "%s", said)
	if _, why, skipped := strings.Cut(string(said), "NOT TESTED: "); skipped {
		t.Skip("NOT TESTED: " + why)
	}
	t.Logf("%s", said)
}

// disk is a small file system in memory.
type disk struct {
	folder string
	kib    int
}

// newDisk mounts a file system until the test ends.
func newDisk(t *testing.T, kib int) *disk {
	t.Helper()
	if err := syscall.Mount("", "/", "", syscall.MS_REC|syscall.MS_PRIVATE, ""); err != nil {
		t.Skipf("NOT TESTED: this machine lets no process have mounts of its own: %v", err)
	}
	d := &disk{folder: filepath.Join(t.TempDir(), "disk"), kib: kib}
	require.NoError(t, os.Mkdir(d.folder, 0o700))
	if err := syscall.Mount("tmpfs", d.folder, "tmpfs", 0, fmt.Sprintf("size=%dk,mode=0700", kib)); err != nil {
		t.Skipf("NOT TESTED: this machine lets a test mount no file system in memory: %v", err)
	}
	t.Cleanup(func() { require.NoError(t, syscall.Unmount(d.folder, syscall.MNT_DETACH)) })
	return d
}

func (d *disk) ballast() string { return filepath.Join(d.folder, "ballast") }

// free returns how many kibibytes are free.
func (d *disk) free(t *testing.T) int {
	t.Helper()
	var s syscall.Statfs_t
	require.NoError(t, syscall.Statfs(d.folder, &s))
	return int(s.Bavail) * int(s.Bsize) >> 10
}

// fill fills the disk up to some kibibytes, a multiple of its blocks.
func (d *disk) fill(t *testing.T, left int) {
	t.Helper()
	file, err := os.OpenFile(d.ballast(), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	require.NoError(t, err)
	defer func() { require.NoError(t, file.Close()) }()
	if size := int64(d.free(t)-left) << 10; size > 0 {
		require.NoError(t, syscall.Fallocate(int(file.Fd()), 0, 0, size))
	}
	require.Equal(t, left, d.free(t))
}

// clear makes room again.
func (d *disk) clear(t *testing.T) {
	t.Helper()
	require.NoError(t, os.Remove(d.ballast()))
}
