package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"syscall"
	"time"
)

// loadedServer is `swallowtail serve` in a process of its own, which is called as fast as can be.
type loadedServer struct {
	base string
	cmd  *exec.Cmd
	log  string
	end  chan struct{}
	err  error // once ended
}

const (
	serverStart = time.Minute
	serverStop  = drainTime + 15*time.Second
)

// startLoaded starts a server with its usual settings but for one: all calls come from one address here, so those are not bounded.
// What it says goes into a log.
func (c *call) startLoaded(ctx context.Context, o *loadOptions, log string) (*loadedServer, error) {
	args := []string{"serve", "--addr", "127.0.0.1:0", "--rate-address", "0"}
	if o.admin != "" {
		args = append(args, "--admin-addr", o.admin)
	}
	if *c.keys != "" {
		args = append(args, "--keys", *c.keys)
	}
	return startServer(ctx, o.db, log, args...)
}

// startServer starts this program as a server of a database, and returns once it has told its address.
func startServer(ctx context.Context, db, log string, args ...string) (*loadedServer, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, fmt.Errorf("find this program: %w", err)
	}
	said, err := os.Create(log) //nolint:gosec // G304: in a folder made for it
	if err != nil {
		return nil, fmt.Errorf("make the server's log: %w", err)
	}
	defer func() { _ = said.Close() }()                                                                                         // the server has its own handle
	s := &loadedServer{cmd: exec.CommandContext(context.WithoutCancel(ctx), self, args...), log: log, end: make(chan struct{})} //nolint:gosec // G204: this program itself
	// A database's address may hold a password, and arguments show in the list of processes.
	s.cmd.Env, s.cmd.Stderr = append(withoutSettings(os.Environ()), variableOf("db")+"="+db), said
	out, outErr := s.cmd.StdoutPipe()
	_, inErr := s.cmd.StdinPipe() // closed by Wait
	if err := errors.Join(outErr, inErr); err != nil {
		return nil, fmt.Errorf("start a server: %w", err)
	}
	hold := leash(s.cmd)
	told, started := make(chan string, 1), make(chan error, 1)
	go func() {
		defer hold()()
		err := s.cmd.Start()
		started <- err
		if err != nil {
			return
		}
		line, _ := bufio.NewReader(out).ReadString('\n') // an end without an address is noticed below
		told <- strings.TrimSpace(line)
		s.err = s.cmd.Wait()
		close(s.end)
	}()
	if err := <-started; err != nil {
		return nil, fmt.Errorf("start a server: %w", err)
	}
	select {
	case line := <-told:
		if _, base, found := strings.Cut(line, "Swallowtail serves at "); found {
			s.base = base
			return s, nil
		}
		err = errors.New("the server did not start")
	case <-time.After(serverStart):
		err = errors.New("the server took too long to start")
	case <-ctx.Done():
		err = ctx.Err()
	}
	return nil, errors.Join(err, s.stop())
}

// withoutSettings leaves out of an environment what would set a flag of the server, which is to be measured as it usually is.
func withoutSettings(environ []string) []string {
	set := flag.NewFlagSet("", flag.ContinueOnError)
	(&edges{}).flags(set)
	left := slices.Clone(environ)
	leave := func(name string) {
		left = slices.DeleteFunc(left, func(variable string) bool { return strings.HasPrefix(variable, variableOf(name)+"=") })
	}
	set.VisitAll(func(f *flag.Flag) { leave(f.Name) })
	leave("keys")
	return left
}

// stop ends the server as an operator does, and waits for it. One that does not end is killed, which is an error, as is one that had
// ended before for another reason; then the end of its log is shown.
func (s *loadedServer) stop() error {
	err := s.cmd.Process.Signal(syscall.SIGTERM)
	if errors.Is(err, os.ErrProcessDone) {
		err = nil
	}
	select {
	case <-s.end:
		err = errors.Join(err, s.err)
	case <-time.After(serverStop):
		err = errors.Join(errors.New("it did not end when it was told to"), s.cmd.Process.Kill())
		<-s.end
	}
	if err == nil {
		return nil
	}
	return fmt.Errorf("the server: %w: %s", err, lastOf(s.log))
}

// lastOf returns the end of a log, without its lines about requests.
func lastOf(log string) string {
	content, err := os.ReadFile(log) //nolint:gosec // G304: made here
	if err != nil {
		return err.Error()
	}
	lines := slices.DeleteFunc(strings.Split(strings.TrimSpace(string(content)), "\n"), func(line string) bool {
		return strings.Contains(line, "msg=request ")
	})
	return strings.Join(lines[max(0, len(lines)-5):], "; ")
}
