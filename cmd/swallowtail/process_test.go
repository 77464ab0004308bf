package main

import (
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The test binary is the program too: started with this variable it does what swallowtail does with the same arguments.
const childVariable = "SWALLOWTAIL_TEST_CHILD"

func TestMain(m *testing.M) {
	if os.Getenv(childVariable) != "" {
		main()
		return
	}
	m.Run() // its result is the test binary's
}

// The tests with child processes read two variables:
//
//	SWALLOWTAIL_TEST_ROUNDS  how often the server is killed (8)
//	SWALLOWTAIL_TEST_SEED    what the moments are drawn from, to repeat a run as nearly as processes allow (the clock)
func numberFrom(t *testing.T, variable string, otherwise uint64) uint64 {
	t.Helper()
	text := os.Getenv(variable)
	if text == "" {
		return otherwise
	}
	n, err := strconv.ParseUint(text, 10, 63)
	require.NoError(t, err, variable)
	return n
}

// moments returns the source of the random moments, and says how to have them again.
func moments(t *testing.T) *rand.Rand {
	t.Helper()
	seed := numberFrom(t, "SWALLOWTAIL_TEST_SEED", uint64(time.Now().UnixNano()))
	t.Logf("SWALLOWTAIL_TEST_SEED=%d", seed)
	return rand.New(rand.NewPCG(seed, 0))
}

func upTo(r *rand.Rand, most time.Duration) time.Duration {
	return time.Duration(r.Int64N(int64(most)))
}

// child is `swallowtail serve` in a process of its own.
type child struct {
	cmd  *exec.Cmd
	out  *announcement
	said *lockedBuffer
	end  chan struct{}
	err  error  // once ended
	told string // the address, once told
}

// spawn starts a server on a database in a process of its own, which does not outlive the test.
func spawn(t *testing.T, db string) *child {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	c := &child{out: newAnnouncement(), said: &lockedBuffer{}, end: make(chan struct{})}
	c.cmd = exec.CommandContext(context.WithoutCancel(t.Context()), self, "serve", "--db", db, "--addr", "127.0.0.1:0")
	c.cmd.Env = append(os.Environ(), childVariable+"=1")
	c.cmd.Stdout, c.cmd.Stderr, c.cmd.WaitDelay = c.out, c.said, stopTime
	require.NoError(t, c.cmd.Start())
	go func() {
		c.err = c.cmd.Wait()
		close(c.end)
	}()
	t.Cleanup(func() { c.kill(t) })
	return c
}

// base returns the address once the server has told it.
func (c *child) base(t *testing.T) string {
	t.Helper()
	if c.told != "" {
		return c.told
	}
	select {
	case c.told = <-c.out.base:
	case <-c.end:
		require.FailNow(t, "the server ended before it told its address", "%v: %s", c.err, c.said)
	case <-time.After(startTime):
		require.FailNow(t, "the server did not tell its address", c.said.String())
	}
	return c.told
}

// kill ends the process as kill -9 does, unless it has ended.
func (c *child) kill(t *testing.T) {
	t.Helper()
	if err := c.cmd.Process.Kill(); err != nil {
		require.ErrorIs(t, err, os.ErrProcessDone)
	}
	c.await(t)
}

// await waits for the end of the process.
func (c *child) await(t *testing.T) {
	t.Helper()
	select {
	case <-c.end:
	case <-time.After(stopTime):
		require.FailNow(t, "the process does not end", c.said.String())
	}
}

func TestASignalEndsTheProcessInOrder(t *testing.T) {
	t.Parallel()
	for _, signal := range []os.Signal{syscall.SIGTERM, os.Interrupt} {
		server := spawn(t, filepath.Join(t.TempDir(), "practice.db"))
		server.base(t)
		require.NoError(t, server.cmd.Process.Signal(signal))
		server.await(t)
		require.NoError(t, server.err, "%s: %s", signal, server.said)
	}
}

func TestARefusalIsAnExitStatus(t *testing.T) {
	t.Parallel()
	self, err := os.Executable()
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), commandTime)
	defer cancel()
	cmd := exec.CommandContext(ctx, self, "swim")
	cmd.Env = append(os.Environ(), childVariable+"=1")
	said, err := cmd.CombinedOutput()
	var exit *exec.ExitError
	require.ErrorAs(t, err, &exit)
	assert.Equal(t, 1, exit.ExitCode())
	assert.Contains(t, string(said), "swallowtail: there is no command \"swim\"\n")
}

// TestKilledWhileItStarts kills servers while they make a database, its schema and its keys.
func TestKilledWhileItStarts(t *testing.T) {
	t.Parallel()
	r := moments(t)
	db := filepath.Join(t.TempDir(), "practice.db")
	for range 6 {
		server := spawn(t, db)
		time.Sleep(upTo(r, 200*time.Millisecond))
		server.kill(t)
	}
	server := spawn(t, db)
	base := server.base(t)
	addClinicBeside(t, db)
	signIn(t, base, clinicEmail)
	require.NoError(t, execute(t, "check", "--db", db).err)
	temporary, err := filepath.Glob(filepath.Join(filepath.Dir(db), ".keys-*"))
	require.NoError(t, err)
	t.Logf("%d temporary key files left behind", len(temporary))
}

// TestKilledDuringUploads kills the server with kill -9 at random moments while phones hand in evening after evening,
// and starts it again on the same database: whatever was acknowledged is there, and the phones end up in step.
func TestKilledDuringUploads(t *testing.T) {
	t.Parallel()
	const leastUploading, mostUploading = 40 * time.Millisecond, 400 * time.Millisecond
	rounds := numberFrom(t, "SWALLOWTAIL_TEST_ROUNDS", 8)
	r := moments(t)
	db := filepath.Join(t.TempDir(), "practice.db")
	server := spawn(t, db)
	crowd := gather(t, db, server.base(t))
	for range rounds {
		crowd.uploadUntil(t, server, leastUploading+upTo(r, mostUploading-leastUploading))
		server = spawn(t, db)
		crowd.verify(t, server.base(t))
	}
	crowd.tell(t, rounds)
	checked := execute(t, "check", "--db", db)
	require.NoError(t, checked.err, checked.out)
	found := report(t, checked)
	assert.Equal(t, len(crowd.households), found.Households)
	assert.Equal(t, crowd.recorded(), found.Entries, "every entry that was recorded is there, once")
}

// uploadUntil lets all the phones hand in evenings for some time, kills the server under them and waits for the phones.
func (c *crowd) uploadUntil(t *testing.T, server *child, uploading time.Duration) {
	t.Helper()
	base := server.base(t)
	ctx, cancel := context.WithTimeout(t.Context(), startTime)
	defer cancel()
	var phones sync.WaitGroup
	failures := make([]error, len(c.phones))
	for i, p := range c.phones {
		phones.Go(func() { failures[i] = p.handInUntilItFails(ctx, base, &c.killing) })
	}
	time.Sleep(uploading)
	c.killing.Store(true)
	server.kill(t)
	phones.Wait()
	c.killing.Store(false)
	require.NoError(t, errors.Join(failures...))
}
