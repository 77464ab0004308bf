package client_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

const (
	learner = "00000000-0000-4000-8000-0000000000a1"
	halifax = "America/Halifax"
)

var (
	mother      = client.Writer{Device: "00000000-0000-4000-8000-0000000000d1", Caregiver: "00000000-0000-4000-8000-0000000000e1"}
	motherTwice = client.Writer{Device: "00000000-0000-4000-8000-0000000000d2", Caregiver: mother.Caregiver}
	father      = client.Writer{Device: "00000000-0000-4000-8000-0000000000d3", Caregiver: "00000000-0000-4000-8000-0000000000e3"}

	errLost  = errors.New("connection lost")
	errPower = errors.New("power failed")
)

// tester is a *testing.T or a *rapid.T.
type tester interface {
	require.TestingT
	Helper()
}

// phone is a device with everything around it, and a memory of what was recorded on it.
type phone struct {
	*client.Device
	t        tester
	writer   client.Writer
	server   *server
	disk     *watchedDisk
	faults   []fault // what happens to the next calls
	recorded map[string]client.Entry
	minutes  int // its clock
	made     int // ids
}

// GoString keeps failures of property tests readable.
func (p *phone) GoString() string { return p.writer.Device[34:] }

func newPhone(t tester, s *server, w client.Writer) *phone {
	t.Helper()
	p := &phone{t: t, writer: w, server: s, recorded: map[string]client.Entry{}}
	p.disk = &watchedDisk{phone: p, failAt: -1}
	p.restart()
	return p
}

// restart drops the device and opens it again from its disk.
func (p *phone) restart() {
	p.t.Helper()
	device, err := client.Open(client.Config{
		Writer: p.writer, Transport: line{p}, Disk: p.disk, Now: p.now, NewID: p.newID, PageLimit: 4, MaxRounds: 200,
	})
	require.NoError(p.t, err)
	p.Device = device
}

func (p *phone) now() time.Time {
	p.minutes++
	zone := time.FixedZone("", -4*60*60)
	return time.Date(2027, 3, 1, 19, 0, 0, 120_000_000, zone).Add(time.Duration(p.minutes) * time.Minute)
}

func (p *phone) newID() string {
	p.made++
	return fmt.Sprintf("00000000-0000-7000-8000-%s%010d", p.writer.Device[34:], p.made)
}

// keep remembers what was recorded without an error.
func (p *phone) keep(err error, entries ...client.Entry) {
	p.t.Helper()
	require.NoError(p.t, err)
	for _, e := range entries {
		p.recorded[e.ID] = e
	}
}

func (p *phone) evening(night int) client.Written {
	p.t.Helper()
	written, err := p.RecordEvening(eveningOf(night))
	p.keep(err, written.Entries...)
	return written
}

func eveningOf(night int) client.Evening {
	return client.Evening{
		Learner: learner, PractisedAt: time.Date(2027, 3, night, 19, 38, 0, 0, time.FixedZone("", -4*60*60)), Timezone: halifax,
		Tries: []client.Try{
			{Position: "centre", Outcome: "swallowed", Ease: 3, SizeMM: 6},
			{Position: "left", Outcome: "not_swallowed", Ease: 1, Snags: []string{"water"}},
			{Position: "left", Outcome: "swallowed", Ease: 4, Note: "<second> & better"},
		},
	}
}

func (p *phone) inStep() client.Report {
	p.t.Helper()
	report, err := p.Device.Sync(context.Background())
	require.NoError(p.t, err)
	return report
}

type transportFunc func(ctx context.Context, request client.Request) (client.Response, error)

func (f transportFunc) Sync(ctx context.Context, request client.Request) (client.Response, error) {
	return f(ctx, request)
}

// useTransport opens another device on the phone's disk, as a restart does, with a line of the test's own.
func (p *phone) useTransport(t *testing.T, transport client.Transport) *client.Device {
	t.Helper()
	device, err := client.Open(client.Config{
		Writer: p.writer, Transport: transport, Disk: p.disk, Now: p.now, NewID: p.newID, PageLimit: 4, MaxRounds: 200,
	})
	require.NoError(t, err)
	return device
}

func randomID() string { return uuid.NewString() }

// fault is what happens to one call.
type fault int

const (
	none            fault = iota
	lostCall              // the server never gets it
	lostAnswer            // the server deals with it, the answer is lost
	doubled               // the server gets it twice, the second answer arrives
	doubledFirst          // the server gets it twice, the first answer arrives
	overtakenBefore       // another Sync of the device is faster than the call
	overtakenAfter        // another Sync of the device is faster than the answer
	busy                  // the server cannot now
	faults                // how many there are
)

// line carries a phone's calls to the server, with the faults the phone has in store.
type line struct{ *phone }

var _ client.Transport = line{}

func (p line) Sync(ctx context.Context, request client.Request) (client.Response, error) {
	next := none
	if len(p.faults) > 0 {
		next, p.faults = p.faults[0], p.faults[1:]
	}
	switch next {
	case lostCall:
		return client.Response{}, errLost
	case busy:
		return client.Response{}, &client.Problem{Type: "/problems/unavailable", Status: 503, RetryAfter: 7 * time.Second}
	case overtakenBefore:
		p.overtake(ctx)
	case doubledFirst:
		answer, err := p.server.sync(p.writer, request)
		_, second := p.server.sync(p.writer, request)
		require.Equal(p.t, err == nil, second == nil)
		return answer, err
	case doubled:
		_, first := p.server.sync(p.writer, request)
		require.NotErrorIs(p.t, first, errLost)
	}
	answer, err := p.server.sync(p.writer, request)
	switch next {
	case lostAnswer:
		return client.Response{}, errLost
	case overtakenAfter:
		p.overtake(ctx)
	}
	return answer, err
}

// overtake runs another Sync of the same device while a call is under way.
func (p *phone) overtake(ctx context.Context) {
	_, err := p.Device.Sync(ctx)
	if err != nil {
		require.True(p.t, expected(err), "%v", err)
	}
}

// expected tells whether an error is one of the faults that the tests cause.
func expected(err error) bool {
	problem := client.AsProblem(err)
	return errors.Is(err, errLost) || errors.Is(err, errPower) || (problem != nil && problem.ComeBackLater())
}

// watchedDisk keeps the state as a file would, as text, and holds every Save to the rules: nothing that was recorded
// goes missing, the outbox shrinks only by sight in the feed, and a cursor goes back only when the pull starts over.
type watchedDisk struct {
	phone   *phone
	text    []byte
	known   client.State // what the device goes on from: what it loaded, or saved without an error
	saves   int
	failAt  int  // the Save at which the power fails; -1 is never
	written bool // whether that Save is on the disk all the same
}

var _ client.Disk = (*watchedDisk)(nil)

func (d *watchedDisk) Load() (client.State, error) {
	d.known = client.State{}
	if d.text == nil {
		return d.known, nil
	}
	err := json.Unmarshal(d.text, &d.known)
	return d.known, err
}

func (d *watchedDisk) Save(s client.State) error {
	text := encode(s)
	d.watch(d.known, s)
	d.saves++
	if d.saves-1 == d.failAt {
		if d.written {
			d.text = text
		}
		return errPower
	}
	d.text, d.known = text, s
	return nil
}

func (d *watchedDisk) watch(before, after client.State) {
	t := d.phone.t
	holds := map[string]bool{}
	waits := map[int64]bool{}
	for _, item := range after.Outbox {
		holds[item.Entry.ID], waits[item.Seq] = true, true
	}
	for _, e := range after.HandedIn {
		holds[e.ID] = true
	}
	for id, known := range after.Entries {
		holds[id] = holds[id] || !known.Former
	}
	for id := range d.phone.recorded {
		require.True(t, holds[id], "entry %s went missing", id)
	}
	for _, item := range before.Outbox {
		if waits[item.Seq] || len(after.HandedIn) > len(before.HandedIn) {
			continue
		}
		known, seen := after.Entries[item.Entry.ID]
		require.True(t, seen && known.Rev > 0, "entry %s left the outbox unseen", item.Entry.ID)
		known.Entry.Stamp, item.Entry.Stamp = nil, nil
		require.Equal(t, item.Entry, known.Entry)
	}
	if before.Generation == after.Generation {
		require.GreaterOrEqual(t, revisionOf(after.Cursor), revisionOf(before.Cursor), "the cursor went back")
	}
}

// assertOneFile checks that a folder holds one file, and that it is its owner's alone.
func assertOneFile(t *testing.T, folder string) {
	t.Helper()
	files, err := os.ReadDir(folder)
	require.NoError(t, err)
	require.Len(t, files, 1)
	info, err := files[0].Info()
	require.NoError(t, err)
	require.Equal(t, fs.FileMode(0o600), info.Mode())
}
