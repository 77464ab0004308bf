package main

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// The bounds of everything that a test waits for.
const (
	commandTime = time.Minute
	startTime   = 3 * time.Minute // of a server, on a busy machine and under the race detector
	stopTime    = drainTime + 10*time.Second
)

const (
	leadEmail    = "lead@example.org"
	clinicEmail  = "clinician@example.org"
	somePassword = "four quiet herons wade"
)

// invocation is one command as somebody types it.
type invocation struct {
	env   map[string]string
	stdin string
	args  []string
}

// told is what a command said, to programs and to people, and how it ended.
type told struct {
	out, said string
	err       error
}

// execute runs a command in this process, bounded in time.
func (i invocation) execute(t *testing.T) told {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), commandTime)
	defer cancel()
	var out, said bytes.Buffer
	err := run(ctx, withKeys(i.args), i.getenv, streams{in: strings.NewReader(i.stdin), out: &out, err: &said})
	return told{out: out.String(), said: said.String(), err: err}
}

func (i invocation) getenv(name string) string { return i.env[name] }

// execute runs a command that needs neither environment nor input.
func execute(t *testing.T, args ...string) told {
	t.Helper()
	return invocation{args: args}.execute(t)
}

// made returns the member of the one JSON document that a command printed.
func (o told) made(t *testing.T, member string) string {
	t.Helper()
	require.NoError(t, o.err, o.said)
	var document map[string]string
	require.NoError(t, json.Unmarshal([]byte(o.out), &document), "standard output is one JSON document: %q", o.out)
	require.NotEmpty(t, document[member])
	return document[member]
}

// lockedBuffer takes what several goroutines write.
type lockedBuffer struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}

// announcement takes a server's standard output and hands on the address in its first line.
type announcement struct {
	lockedBuffer
	once sync.Once
	base chan string
}

func newAnnouncement() *announcement { return &announcement{base: make(chan string, 1)} }

func (a *announcement) Write(p []byte) (int, error) {
	n, err := a.lockedBuffer.Write(p)
	line, _, whole := strings.Cut(a.String(), "\n")
	if _, base, found := strings.Cut(line, "Swallowtail serves at "); whole && found {
		a.once.Do(func() { a.base <- base })
	}
	return n, err
}

// serving is a server that runs in this process, started as `swallowtail serve` or otherwise.
type serving struct {
	base string
	out  *announcement
	said *lockedBuffer
	stop context.CancelFunc
	done chan struct{}
	err  error // once done
}

// unhurried are the flags of a server that lets phones hand in as fast as a machine can, which no person does.
func unhurried() []string {
	return []string{"--rate-address", "0", "--rate-caller", "0", "--rate-sign-in", "0"}
}

// startServe runs `swallowtail serve` on a database, at an address of the system's choice unless the environment names
// one, until the test ends.
func startServe(t *testing.T, db string, env map[string]string, flags ...string) *serving {
	t.Helper()
	args := withKeys(append(append([]string{"serve", "--db", db}, unhurried()...), flags...))
	if env == nil {
		args = append(args, "--addr", "127.0.0.1:0")
	}
	return startServing(t, func(ctx context.Context, s streams) error {
		return run(ctx, args, invocation{env: env}.getenv, s)
	})
}

// startServing runs a server until the test ends, and returns once it has told its address.
func startServing(t *testing.T, serve func(ctx context.Context, s streams) error) *serving {
	t.Helper()
	ctx, stop := context.WithCancel(context.WithoutCancel(t.Context()))
	s := &serving{out: newAnnouncement(), said: &lockedBuffer{}, stop: stop, done: make(chan struct{})}
	go func() {
		defer close(s.done)
		s.err = serve(ctx, streams{in: strings.NewReader(""), out: s.out, err: s.said})
	}()
	t.Cleanup(func() { require.NoError(t, s.end()) })
	select {
	case s.base = <-s.out.base:
	case <-s.done:
		require.NoError(t, s.err, s.said)
		require.FailNow(t, "the server ended before it told its address")
	case <-time.After(startTime):
		require.FailNow(t, "the server did not tell its address", s.said.String())
	}
	return s
}

// end stops the server, as SIGTERM does, and returns how it ended.
func (s *serving) end() error {
	s.stop()
	select {
	case <-s.done:
		return s.err
	case <-time.After(stopTime):
		return fmt.Errorf("the server still runs %s after it was stopped", stopTime)
	}
}

// caller makes calls without a token.
func caller(base string) client.API {
	return client.API{Base: base, HTTP: &http.Client{Timeout: commandTime}}
}

// as returns the same caller with a token.
func as(a client.API, token string) client.API {
	a.Token = token
	return a
}

// signIn returns what a clinician may call.
func signIn(t *testing.T, base, email string) client.API {
	t.Helper()
	pair, err := caller(base).SignIn(t.Context(), email, somePassword, "")
	require.NoError(t, err)
	return as(caller(base), pair.Access)
}

// addClinicBeside adds a clinic and one clinician with the commands, beside whatever server runs, and returns its id.
func addClinicBeside(t *testing.T, db string) string {
	t.Helper()
	clinic := execute(t, "clinic", "add", "--db", db, "--name", "Heron Lane (invented)",
		"--timezone", "America/Halifax", "--second-factor", "none").made(t, "id")
	invocation{stdin: somePassword + "\n", args: []string{
		"clinician", "add", "--db", db, "--clinic", clinic, "--email", clinicEmail, "--name", "Clinician",
		"--password-stdin",
	}}.execute(t).made(t, "id")
	return clinic
}

// addHousehold opens a household and returns its id.
func addHousehold(t *testing.T, clinician client.API, label string) string {
	t.Helper()
	id, err := clinician.CreateHousehold(t.Context(), label)
	require.NoError(t, err)
	return id
}

// addLearner adds a learner, screened, on a programme, and returns the ids of the learner and of the enrolment.
func addLearner(t *testing.T, clinician client.API, household, nickname, birthMonth string, on client.NewEnrolment) (learner, enrolment string) {
	t.Helper()
	learner, err := clinician.CreateLearner(t.Context(), household, nickname, birthMonth)
	require.NoError(t, err)
	answers := map[string]bool{}
	for _, question := range client.ScreeningQuestions() {
		answers[question] = false
	}
	require.NoError(t, clinician.Screen(t.Context(), learner, client.Screening{Answers: answers, Decision: "go"}))
	made, err := clinician.Enrol(t.Context(), learner, on)
	require.NoError(t, err)
	return learner, made.ID
}

// enrolPhone lets a device into a household: of the caregiver given by id, or of a new one.
func enrolPhone(t *testing.T, clinician client.API, household, caregiver, name, device string) client.EnrolledDevice {
	t.Helper()
	invite, err := clinician.CreateInvite(t.Context(), household, caregiver)
	require.NoError(t, err)
	enrolled, err := caller(clinician.Base).EnrolDevice(t.Context(), client.DeviceEnrolment{
		InviteCode: invite.InviteCode, Caregiver: client.DeviceCaregiver{ID: caregiver, Name: name},
		Device: client.DeviceKind{Name: device, Platform: "test"},
	})
	require.NoError(t, err)
	return enrolled
}

// everyEntry returns all the entries about a learner, as the clinic's list has them.
func everyEntry(t *testing.T, clinician client.API, learner string) []client.Change {
	t.Helper()
	var all []client.Change
	page := client.Page{Limit: 500}
	for range 200 {
		got, err := clinician.Entries(t.Context(), learner, page)
		require.NoError(t, err)
		all = append(all, got.Entries...)
		if got.Cursor == "" {
			return all
		}
		page.Cursor = got.Cursor
	}
	require.FailNow(t, "the list of entries does not end")
	return nil
}
