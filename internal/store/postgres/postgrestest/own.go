//go:build linux

package postgrestest

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// Own is a PostgreSQL server of a test's own, which nobody else uses, so that it may be stopped under whoever calls it. It is reached
// over a socket in its own folder.
type Own struct {
	programs string // where they are
	folder   string
	settings []string
	as       *syscall.Credential // nil for whoever runs the test
	running  *exec.Cmd
	end      chan struct{} // closed once it has ended
}

// StartOwn starts a server with settings such as max_connections=20, which ends with the test. Where the programs are missing, or
// PostgreSQL isn't to be tested, the test says so.
func StartOwn(t testing.TB, settings ...string) *Own {
	t.Helper()
	Server(t)
	programs := newestPrograms()
	if programs == "" {
		t.Skip("PostgreSQL was not restarted: there are no programs of a server in /usr/lib/postgresql/*/bin")
	}
	o := &Own{programs: programs, settings: settings}
	if os.Geteuid() == 0 { // by whom the server refuses to be run
		var err error
		if o.as, err = credentialOf("postgres"); err != nil {
			t.Skipf("PostgreSQL was not restarted: root can't run it, and there is no other user for it: %v", err)
		}
	}
	o.makeFolder(t)
	initdb := o.command("initdb", "--pgdata="+o.data(), "--username=postgres", "--auth=trust", "--encoding=UTF8", "--locale=C.UTF-8",
		"--no-instructions", "--no-sync")
	if said, err := initdb.CombinedOutput(); err != nil {
		t.Fatalf("initdb: %v: %s", err, said)
	}
	t.Cleanup(func() {
		if o.running != nil {
			o.Stop(t, syscall.SIGQUIT) // nothing is to be kept
		}
	})
	o.Start(t)
	return o
}

// newestPrograms returns the folder of the programs of the newest server that Debian's packages have installed; empty without one.
func newestPrograms() string {
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/postgres") // the pattern is a good one
	version := func(program string) int {
		n, _ := strconv.Atoi(strings.Split(program, "/")[4]) // 0 for what is no version
		return n
	}
	slices.SortFunc(found, func(a, b string) int { return version(b) - version(a) })
	if len(found) == 0 {
		return ""
	}
	return filepath.Dir(found[0])
}

func credentialOf(name string) (*syscall.Credential, error) {
	who, err := user.Lookup(name)
	if err != nil {
		return nil, err
	}
	uid, err := strconv.ParseUint(who.Uid, 10, 32)
	if err != nil {
		return nil, err
	}
	gid, err := strconv.ParseUint(who.Gid, 10, 32)
	return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, err
}

// makeFolder makes a folder for the server. Those of a test can't be entered by another user, and the path of a socket must be short.
func (o *Own) makeFolder(t testing.TB) {
	t.Helper()
	var err error
	if o.folder, err = os.MkdirTemp("", "swallowtail-postgres-"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(o.folder); err != nil {
			t.Error(err)
		}
	})
	if o.as == nil {
		return
	}
	if err := os.Chown(o.folder, int(o.as.Uid), int(o.as.Gid)); err != nil {
		t.Fatal(err)
	}
}

func (o *Own) data() string { return filepath.Join(o.folder, "data") }
func (o *Own) log() string  { return filepath.Join(o.folder, "log") }

// command is one of PostgreSQL's programs, which is killed with its children if the process of the test is gone.
func (o *Own) command(name string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(context.Background(), filepath.Join(o.programs, name), args...) //nolint:gosec // G204: PostgreSQL's own
	cmd.Dir = o.folder
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: o.as, Pdeathsig: syscall.SIGQUIT}
	return cmd
}

// Start starts the server and returns once it lets in. It must not be running.
func (o *Own) Start(t testing.TB) {
	t.Helper()
	log, err := os.OpenFile(o.log(), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close() //nolint:errcheck // the server has its own handle
	args := []string{"-D", o.data(), "-c", "listen_addresses=", "-c", "unix_socket_directories=" + o.folder}
	for _, setting := range o.settings {
		args = append(args, "-c", setting)
	}
	cmd := o.command("postgres", args...)
	cmd.Stdout, cmd.Stderr = log, log
	started, end := make(chan error, 1), make(chan struct{})
	go func() {
		// The signal comes when the thread ends that started the process: see PR_SET_PDEATHSIG in prctl(2).
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		defer close(end)
		err := cmd.Start()
		started <- err
		if err == nil {
			_ = cmd.Wait() // how it ended is seen by who is told to end it
		}
	}()
	if err := <-started; err != nil {
		t.Fatal(err)
	}
	o.running, o.end = cmd, end
	o.awaitReady(t)
}

// awaitReady waits until the server lets in, after it has brought back what a crash left in its log.
func (o *Own) awaitReady(t testing.TB) {
	t.Helper()
	const pause = 10 * time.Millisecond
	for range patience / pause {
		if tell(context.WithoutCancel(t.Context()), o.Address("postgres"), `SELECT 1`) == nil {
			return
		}
		select {
		case <-o.end:
			t.Fatalf("PostgreSQL ended before it was ready: %s", o.said())
		case <-time.After(pause):
		}
	}
	t.Fatalf("PostgreSQL was not ready in time: %s", o.said())
}

// said returns the end of what the server has said.
func (o *Own) said() string {
	text, err := os.ReadFile(o.log())
	if err != nil {
		return err.Error()
	}
	return string(text[max(0, len(text)-2000):])
}

// Stop ends the server and waits for that: with SIGINT in order, though without waiting for anybody, which PostgreSQL calls a fast
// shutdown, and with SIGQUIT at once, as a crash would, so that it has to bring back from its log what it had not written elsewhere.
func (o *Own) Stop(t testing.TB, how syscall.Signal) {
	t.Helper()
	if err := o.running.Process.Signal(how); err != nil {
		t.Fatal(err)
	}
	select {
	case <-o.end:
		o.running = nil
	case <-time.After(patience):
		t.Fatalf("PostgreSQL did not end: %s", o.said())
	}
}

// Address returns the address of one of the server's databases.
func (o *Own) Address(database string) string {
	return fmt.Sprintf("postgres://postgres@/%s?host=%s", database, o.folder)
}

// Database makes a database that holds nothing, and returns its address.
func (o *Own) Database(t testing.TB) string {
	t.Helper()
	name := "swallowtail_test_" + random()
	run(t, o.Address("postgres"), `CREATE DATABASE `+name)
	return o.Address(name)
}

// TakeConnections takes every connection that the server allows, those of others too, which it ends for that, and returns how many
// these are and what gives them back.
func (o *Own) TakeConnections(t testing.TB) (taken int, giveBack func()) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), patience)
	defer cancel()
	var all []*pgx.Conn
	for others := int64(1); others > 0; {
		conn, err := pgx.Connect(ctx, o.Address("postgres"))
		if err == nil {
			all = append(all, conn)
			continue
		}
		if len(all) == 0 || ctx.Err() != nil {
			t.Fatalf("take all connections: %v", err)
		}
		ended, err := all[0].Exec(ctx, `SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'swallowtail'`)
		if err != nil {
			t.Fatal(err)
		}
		others = ended.RowsAffected()
	}
	return len(all), func() {
		for _, conn := range all {
			if err := conn.Close(context.WithoutCancel(t.Context())); err != nil {
				t.Error(err)
			}
		}
	}
}
