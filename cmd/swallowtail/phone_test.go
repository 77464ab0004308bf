package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// openFilePhone opens a device on its files in a folder, the tokens of its enrolment among them.
func openFilePhone(t *testing.T, base, folder string, enrolled client.EnrolledDevice) *client.Device {
	t.Helper()
	device, err := newHandset(t, folder, enrolled, "").open(base)
	require.NoError(t, err)
	return device
}

// handset is a phone, and what the test remembers of it beside its own files.
type handset struct {
	folder   string
	writer   client.Writer
	learner  string
	http     *http.Client            // nil for the one that every caller has
	evenings int                     // begun to be recorded
	recorded map[string]client.Entry // by id
	unsure   []client.Entry          // of an evening at whose recording the phone was killed
	fate     *fate                   // of the device opened last
	killed   int
	ledger
}

// newHandset keeps the tokens of an enrolment in the phone's folder.
func newHandset(t *testing.T, folder string, enrolled client.EnrolledDevice, learner string) *handset {
	t.Helper()
	p := &handset{
		folder: folder, writer: enrolled.Writer(), learner: learner, recorded: map[string]client.Entry{},
		ledger: ledger{revs: map[string]int64{}, refusals: map[int]int{}, away: new(atomic.Bool)},
	}
	require.NoError(t, p.tokens().SaveTokens(enrolled.Pair))
	return p
}

func (p *handset) tokens() client.FileTokens {
	return client.FileTokens{Path: filepath.Join(p.folder, "tokens.json")}
}

// caller is what the phone makes its calls with.
func (p *handset) caller(base string) client.API {
	api := caller(base)
	if p.http != nil {
		api.HTTP = p.http
	}
	return api
}

// open opens the device from its files, as a phone does that was switched off or killed: of an evening that was being
// recorded then, all is there or nothing.
func (p *handset) open(bases ...string) (*client.Device, error) {
	tokens, err := client.OpenTokens(p.tokens(), p.caller(bases[0]).Refresh)
	if err != nil {
		return nil, err
	}
	inTurn := make([]client.Transport, len(bases))
	for i, base := range bases {
		inTurn[i] = client.HTTPTransport{Base: base, HTTP: p.caller(base).HTTP, Tokens: tokens}
	}
	p.fate = &fate{}
	device, err := client.Open(client.Config{
		Writer: p.writer, Transport: mortalTransport{&noted{inTurn: inTurn, ledger: &p.ledger}, p.fate},
		Disk: mortalDisk{client.FileDisk{Path: filepath.Join(p.folder, "state.json")}, p.fate},
		Now:  time.Now, NewID: uuid.NewString,
	})
	if err != nil {
		return nil, err
	}
	return device, p.makeSure(device)
}

// makeSure finds out what a phone that was killed had recorded.
func (p *handset) makeSure(device *client.Device) error {
	waiting := map[string]bool{}
	for _, e := range device.Outbox() {
		waiting[e.ID] = true
	}
	kept := 0
	for _, e := range p.unsure {
		if waiting[e.ID] {
			kept++
		}
	}
	if kept != 0 && kept != len(p.unsure) {
		return fmt.Errorf("of %d entries that were recorded in one change %d are kept", len(p.unsure), kept)
	}
	if kept > 0 {
		p.remember(p.unsure)
	}
	p.unsure = nil
	return nil
}

func (p *handset) remember(entries []client.Entry) {
	for _, e := range entries {
		p.recorded[e.ID] = e
	}
}

// firstEvening is long enough ago that there is an evening for each that a phone records.
const firstEvening = 4 * 365 * 24 * time.Hour

// recordEvening records the next evening: a session and two tries.
func (p *handset) recordEvening(device *client.Device) error {
	at := time.Now().Add(-firstEvening).Add(time.Duration(p.evenings) * 24 * time.Hour).UTC()
	p.evenings++
	written, err := device.RecordEvening(client.Evening{
		Learner: p.learner, PractisedAt: at, Timezone: "Etc/UTC",
		Tries: []client.Try{
			{Position: "left", Outcome: "swallowed", Ease: 1 + p.evenings%5},
			{Position: "right", Outcome: "not_swallowed", Ease: 2, Snags: []string{"water"}},
		},
	})
	if errors.Is(err, errKilled) {
		p.unsure = written.Entries
		return err
	}
	p.remember(written.Entries)
	return err
}

// ledger is what servers have answered for to one phone.
type ledger struct {
	revs        map[string]int64 // acknowledged entries
	repeated    int              // entries the server had already, whose first acknowledgement was lost
	interrupted int              // calls under way that ended without an answer
	refusals    map[int]int      // by status
	took        []time.Duration  // by each call that was answered
	mixed       []string         // acknowledgements that contradict each other
	away        *atomic.Bool     // whether the server is out of reach by the test's doing
}

// note takes an answer into the ledger.
func (l *ledger) note(results []client.Result) {
	for _, r := range results {
		before, known := l.revs[r.ID]
		switch {
		case r.Status != client.Accepted && r.Status != client.Duplicate:
			l.mixed = append(l.mixed, fmt.Sprintf("entry %s is answered %s", r.ID, r.Status))
		case known && before != r.Rev:
			l.mixed = append(l.mixed, fmt.Sprintf("entry %s is answered with revision %d, then %d", r.ID, before, r.Rev))
		case !known && r.Status == client.Duplicate:
			l.repeated++
		}
		l.revs[r.ID] = r.Rev
	}
}

// noted carries calls to one or several servers in turn and notes what they answer for.
type noted struct {
	inTurn []client.Transport
	calls  int
	*ledger
}

func (n *noted) Sync(ctx context.Context, request client.Request) (client.Response, error) {
	began, before := time.Now(), n.away.Load()
	answer, err := n.inTurn[n.calls%len(n.inTurn)].Sync(ctx, request)
	n.calls++
	switch problem := client.AsProblem(err); {
	case problem != nil:
		n.refusals[problem.Status]++
	case err != nil && ctx.Err() == nil && !before:
		n.interrupted++
	case err == nil:
		n.note(answer.Results)
		n.took = append(n.took, time.Since(began))
	}
	return answer, err
}

// errKilled is how everything ends on a phone that is killed.
var errKilled = errors.New("the phone was killed")

// death is where a phone is killed.
type death int

const (
	nowhere    death = iota
	beforeSave       // at one of its next saves, which comes to nothing
	afterSave        // at one of its next saves, once it is durable
	duringCall
	afterCall // with the answer at hand, which is lost
)

// fate is how a phone ends, if it does. A phone that was killed does nothing more until it is opened again.
type fate struct {
	death
	saves int           // up to the one at which it is killed
	calls time.Duration // into the call
	over  bool
}

// decide has one evening of four end with the phone killed.
func (f *fate) decide(r *rand.Rand) {
	if r.IntN(4) > 0 {
		return
	}
	*f = fate{death: death(1 + r.IntN(4)), saves: 1 + r.IntN(2), calls: upTo(r, 15*time.Millisecond)}
}

func (f *fate) strike() error {
	f.over = true
	return errKilled
}

type mortalDisk struct {
	client.Disk
	*fate
}

func (d mortalDisk) Save(s client.State) error {
	if d.over {
		return errKilled
	}
	if d.death != beforeSave && d.death != afterSave {
		return d.Disk.Save(s)
	}
	if d.saves--; d.saves > 0 {
		return d.Disk.Save(s)
	}
	if d.death == afterSave {
		if err := d.Disk.Save(s); err != nil {
			return err
		}
	}
	return d.strike()
}

type mortalTransport struct {
	client.Transport
	*fate
}

func (m mortalTransport) Sync(ctx context.Context, request client.Request) (client.Response, error) {
	if m.over {
		return client.Response{}, errKilled
	}
	switch m.death {
	case duringCall:
		dying, stop := context.WithTimeout(ctx, m.calls)
		defer stop()
		answer, err := m.Transport.Sync(dying, request)
		if err != nil && dying.Err() != nil && ctx.Err() == nil {
			return client.Response{}, m.strike()
		}
		return answer, err
	case afterCall:
		if answer, err := m.Transport.Sync(ctx, request); err != nil {
			return answer, err
		}
		return client.Response{}, m.strike()
	}
	return m.Transport.Sync(ctx, request)
}

// handInUntilItFails records evening after evening and hands each in, killed itself now and then, until the server is
// gone. Only what the server can't be excused for is an error.
func (p *handset) handInUntilItFails(ctx context.Context, r *rand.Rand, bases ...string) error {
	device, err := p.open(bases...)
	for err == nil && ctx.Err() == nil {
		p.fate.decide(r)
		if err = p.recordEvening(device); err == nil {
			_, err = device.Sync(ctx)
		} else if !errors.Is(err, errKilled) {
			return err
		}
		switch {
		case errors.Is(err, errKilled):
			p.killed++
			device, err = p.open(bases...)
		case err != nil && client.AsProblem(err) == nil && p.excuses(err):
			return nil // the server is gone: what was not acknowledged is handed in again another time
		}
	}
	return errors.Join(err, ctx.Err())
}

// handIn records evenings and hands each in, as often as it takes, to whichever of the servers is there.
func (p *handset) handIn(ctx context.Context, evenings int, bases ...string) error {
	device, err := p.open(bases...)
	if err != nil {
		return err
	}
	for range evenings {
		if err := p.recordEvening(device); err != nil {
			return err
		}
		if err := p.syncAtLast(ctx, device); err != nil {
			return err
		}
	}
	return nil
}

// syncAtLast syncs until it comes to its end. Only a server that is busy or out of reach is an excuse.
func (p *handset) syncAtLast(ctx context.Context, device *client.Device) error {
	const most, pause = 100, 20 * time.Millisecond
	var err error
	for range most {
		_, err = device.Sync(ctx)
		if err == nil || !p.excuses(err) || ctx.Err() != nil {
			return err
		}
		time.Sleep(pause)
	}
	return fmt.Errorf("tried %d times: %w", most, err)
}

// excuses tells whether the server, or the way to it, can be excused for an error.
func (p *handset) excuses(err error) bool {
	if problem := client.AsProblem(err); problem != nil {
		return problem.ComeBackLater()
	}
	return p.away.Load() && !errors.Is(err, client.ErrAnswer) && !errors.Is(err, client.ErrDigest)
}
