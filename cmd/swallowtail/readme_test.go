package main

import (
	"context"
	"errors"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// checkout is the repository's root, seen from this package.
const checkout = "../.."

// sessionTime bounds the first session, with a build that may have to start from nothing.
const sessionTime = 5 * time.Minute

// expected marks a line of the first session that tells what the line before it prints.
const expected = "# → "

// TestTheFirstSessionRunsAsPasted runs the README's first session in a copy of the checkout, as a newcomer with Go, bash
// and curl would. Only the port is another, so that whatever uses the one in the README is left alone.
func TestTheFirstSessionRunsAsPasted(t *testing.T) {
	t.Parallel()
	for _, tool := range []string{"bash", "curl", "go"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("NOT TESTED: the README's first session needs %s, which this machine has not", tool)
		}
	}
	readme, err := os.ReadFile(filepath.Join(checkout, "README.md"))
	require.NoError(t, err)
	session := firstSession(t, string(readme))
	want := expectations(session)
	require.NotEmpty(t, want, "the first session tells nowhere what it prints, in lines that start with %q", expected)
	session, address := elsewhere(t, session)
	out := paste(t, session)
	assertInOrder(t, want, out)
	assertEnds(t, address)
}

// firstSession returns the first sh block below the heading "A first session".
func firstSession(t *testing.T, readme string) string {
	t.Helper()
	_, below, found := strings.Cut(readme, "\n## A first session\n")
	require.True(t, found, `the README has no heading "## A first session"`)
	below, _, _ = strings.Cut(below, "\n## ")
	_, block, found := strings.Cut(below, "\n```sh\n")
	require.True(t, found, "below its heading the first session has no block that starts with ```sh")
	block, _, found = strings.Cut(block, "\n```\n")
	require.True(t, found, "the block of the first session has no end")
	return block + "\n"
}

// expectations returns what the session says it prints, in order.
func expectations(session string) []string {
	var want []string
	for line := range strings.Lines(session) {
		if text, is := strings.CutPrefix(line, expected); is {
			want = append(want, strings.TrimSpace(text))
		}
	}
	return want
}

var localAddress = regexp.MustCompile(`127\.0\.0\.1:\d+`)

// elsewhere puts a free port in the place of the session's own, and returns the address.
func elsewhere(t *testing.T, session string) (moved, address string) {
	t.Helper()
	addresses := localAddress.FindAllString(session, -1)
	slices.Sort(addresses)
	require.Len(t, slices.Compact(addresses), 1, "the session is to use one address on this machine")
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	address = listener.Addr().String()
	require.NoError(t, listener.Close())
	return localAddress.ReplaceAllString(session, address), address
}

// paste runs the session in a copy of the checkout, to its end, and returns what it printed.
func paste(t *testing.T, session string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), sessionTime)
	defer cancel()
	cmd := exec.CommandContext(ctx, "bash", "-euo", "pipefail", "-c", session)
	cmd.Dir = copyCheckout(t)
	cmd.Env = append(withoutFlags(os.Environ()), "TMPDIR="+t.TempDir())
	// A group of its own, so that a session that breaks off leaves no server behind.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.WaitDelay = stopTime
	var out, said lockedBuffer
	cmd.Stdout, cmd.Stderr = &out, &said
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { endGroup(t, cmd.Process.Pid) })
	require.NoError(t, cmd.Wait(), "it printed:\n%s\nand said:\n%s", &out, &said)
	return out.String()
}

// endGroup kills what is left of the process group that a test started.
func endGroup(t *testing.T, group int) {
	t.Helper()
	if err := syscall.Kill(-group, syscall.SIGKILL); err != nil {
		require.ErrorIs(t, err, syscall.ESRCH)
	}
}

// withoutFlags leaves out the environment's own settings of swallowtail.
func withoutFlags(environment []string) []string {
	return slices.DeleteFunc(environment, func(variable string) bool { return strings.HasPrefix(variable, "SWALLOWTAIL_") })
}

// copyCheckout copies what a clone has of the checkout, and returns the folder.
func copyCheckout(t *testing.T) string {
	t.Helper()
	folder := t.TempDir()
	copied, err := os.OpenRoot(folder)
	require.NoError(t, err)
	defer func() { require.NoError(t, copied.Close()) }()
	source := os.DirFS(checkout)
	err = fs.WalkDir(source, ".", func(path string, entry fs.DirEntry, err error) error {
		hidden := strings.HasPrefix(path, ".") || strings.Contains(path, "/.")
		switch {
		case err != nil || path == ".":
			return err
		case entry.IsDir() && (hidden || entry.Name() == "node_modules"):
			return fs.SkipDir
		case entry.IsDir():
			return copied.Mkdir(path, 0o755)
		case hidden || !entry.Type().IsRegular():
			return nil
		}
		text, err := fs.ReadFile(source, path)
		return errors.Join(err, copied.WriteFile(path, text, 0o644))
	})
	require.NoError(t, err)
	return folder
}

// assertInOrder checks that each text is in a line of its own, one after the other.
func assertInOrder(t *testing.T, want []string, out string) {
	t.Helper()
	lines := strings.Split(out, "\n")
	for _, text := range want {
		at := slices.IndexFunc(lines, func(line string) bool { return strings.Contains(line, text) })
		if !assert.GreaterOrEqual(t, at, 0, "%q is not printed, or not in its place:\n%s", text, out) {
			return
		}
		lines = lines[at+1:]
	}
}

// assertEnds checks that the session's server goes as the session tells it to.
func assertEnds(t *testing.T, address string) {
	t.Helper()
	assert.Eventually(t, func() bool {
		conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", address)
		if err == nil {
			_ = conn.Close()
		}
		return err != nil
	}, stopTime, 20*time.Millisecond, "the session leaves its server running")
}
