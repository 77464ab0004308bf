package main

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/channel/channeltest"
)

// The test binary is the program too: started with this variable it does what swallowtail does with the same arguments.
// Where the variable is childHeld, it also ends as soon as its standard input does, so that it does not outlive a test
// that could not end it.
const (
	childVariable = "SWALLOWTAIL_TEST_CHILD"
	childHeld     = "held"
)

func TestMain(m *testing.M) {
	if channeltest.Main() {
		return // a mail server, for the test that started it
	}
	if db := os.Getenv(baselineVariable); db != "" {
		go endWithStandardInput()
		if err := serveBare(db); err != nil {
			panic(err) // which the benchmark that started it shows
		}
		return
	}
	switch os.Getenv(childVariable) {
	case "":
		m.Run() // its result is the test binary's
		return
	case childHeld:
		go endWithStandardInput()
	}
	main()
}

func endWithStandardInput() {
	_, err := io.Copy(io.Discard, os.Stdin)
	panic(fmt.Sprintf("the test that holds this process is gone: %v", err))
}

// The tests with child processes read two variables:
//
//	SWALLOWTAIL_TEST_ROUNDS  how often the server is killed; its disk is full half as often (8)
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

// spawn starts a server on a database in a process of its own, which does not outlive the test, with what else is in its environment.
func spawn(t *testing.T, db string, env ...string) *child {
	t.Helper()
	return spawnAt(t, "127.0.0.1:0", db, env...)
}

// spawnAt is spawn at an address of the test's choice.
func spawnAt(t *testing.T, address, db string, env ...string) *child {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	c := &child{out: newAnnouncement(), said: &lockedBuffer{}, end: make(chan struct{})}
	args := withKeys(append([]string{"serve", "--db", db, "--addr", address}, unhurried()...))
	c.cmd = exec.CommandContext(context.WithoutCancel(t.Context()), self, args...)
	c.cmd.Env = append(append(os.Environ(), childVariable+"="+childHeld), env...)
	_, err = c.cmd.StdinPipe() // closed by Wait
	require.NoError(t, err)
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

// refusal runs a command in a process of its own that must refuse, and returns what it said.
func refusal(t *testing.T, args ...string) string {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), commandTime)
	defer cancel()
	cmd := exec.CommandContext(ctx, self, args...)
	cmd.Env = append(os.Environ(), childVariable+"=1")
	said, err := cmd.CombinedOutput()
	var exit *exec.ExitError
	require.ErrorAs(t, err, &exit, "%s", said)
	assert.Equal(t, 1, exit.ExitCode())
	return string(said)
}

func TestARefusalIsAnExitStatus(t *testing.T) {
	t.Parallel()
	assert.Contains(t, refusal(t, "swim"), "swallowtail: there is no command \"swim\"\n")
}
