package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// openFilePhone opens a device on its files in a folder, the tokens of its enrolment among them.
func openFilePhone(t *testing.T, base, folder string, enrolled client.EnrolledDevice) *client.Device {
	t.Helper()
	tokens := client.FileTokens{Path: filepath.Join(folder, "tokens.json")}
	require.NoError(t, tokens.SaveTokens(enrolled.Pair))
	p := &handset{folder: folder, writer: enrolled.Writer()}
	device, err := p.open(base, new(atomic.Bool))
	require.NoError(t, err)
	return device
}

// handset is a device of the crowd, and what the test remembers of it beside its own files.
type handset struct {
	folder   string
	writer   client.Writer
	learner  string
	evenings int                     // recorded
	recorded map[string]client.Entry // by id
	ledger
}

// ledger is what a server has answered for to one phone.
type ledger struct {
	revs        map[string]int64 // acknowledged entries
	repeated    int              // entries the server had already, whose first acknowledgement was lost
	interrupted int              // calls under way when the server was killed
	mixed       []string         // acknowledgements that contradict each other
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

// noted carries calls to a server and notes what it answers for.
type noted struct {
	client.Transport
	*ledger
	killing *atomic.Bool
}

func (n noted) Sync(ctx context.Context, request client.Request) (client.Response, error) {
	before := n.killing.Load()
	answer, err := n.Transport.Sync(ctx, request)
	if err != nil {
		if !before && client.AsProblem(err) == nil {
			n.interrupted++
		}
		return answer, err
	}
	n.note(answer.Results)
	return answer, nil
}

// open opens the device from its files, as a phone that was switched off does.
func (p *handset) open(base string, killing *atomic.Bool) (*client.Device, error) {
	tokens, err := client.OpenTokens(client.FileTokens{Path: filepath.Join(p.folder, "tokens.json")}, caller(base).Refresh)
	if err != nil {
		return nil, err
	}
	if p.revs == nil {
		p.revs, p.recorded = map[string]int64{}, map[string]client.Entry{}
	}
	transport := client.HTTPTransport{Base: base, HTTP: caller(base).HTTP, Tokens: tokens}
	return client.Open(client.Config{
		Writer: p.writer, Transport: noted{transport, &p.ledger, killing},
		Disk: client.FileDisk{Path: filepath.Join(p.folder, "state.json")}, Now: time.Now, NewID: uuid.NewString,
	})
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
	for _, e := range written.Entries {
		p.recorded[e.ID] = e
	}
	return err
}

// handInUntilItFails records evening after evening and hands each in, until the server is gone. Only what the server
// can't be excused for is an error.
func (p *handset) handInUntilItFails(ctx context.Context, base string, killing *atomic.Bool) error {
	device, err := p.open(base, killing)
	if err != nil {
		return err
	}
	for ctx.Err() == nil {
		if err := p.recordEvening(device); err != nil {
			return err
		}
		_, err := device.Sync(ctx)
		if problem := client.AsProblem(err); problem != nil || errors.Is(err, client.ErrAnswer) || errors.Is(err, client.ErrDigest) {
			return err
		}
		if err != nil {
			return nil // the server is gone: what was not acknowledged is handed in again another time
		}
	}
	return ctx.Err()
}

// crowd is some households of one clinic, each with one learner and the phones of two caregivers.
type crowd struct {
	households []string
	learners   []string   // by household
	phones     []*handset // two for each household
	killing    atomic.Bool
}

// gather brings in three households with two phones each.
func gather(t *testing.T, db, base string) *crowd {
	t.Helper()
	addClinicBeside(t, db)
	clinician := signIn(t, base, clinicEmail)
	c := &crowd{}
	for i := range 3 {
		household := addHousehold(t, clinician, fmt.Sprintf("Household %d", i+1))
		learner, _ := addLearner(t, clinician, household, "Otter", "", client.NewEnrolment{
			FirstNight: time.Now().Add(-firstEvening).UTC().Format(time.DateOnly), Timezone: "Etc/UTC", ReminderTime: "19:30",
		})
		c.households, c.learners = append(c.households, household), append(c.learners, learner)
		for _, name := range []string{"Mum", "Dad"} {
			enrolled := enrolPhone(t, clinician, household, "", name, "phone")
			folder := t.TempDir()
			openFilePhone(t, base, folder, enrolled)
			c.phones = append(c.phones, &handset{folder: folder, writer: enrolled.Writer(), learner: learner})
		}
	}
	return c
}

// verify holds a server that was started again to what was acknowledged, before any phone has called it; then lets the
// phones get in step with it and with each other.
func (c *crowd) verify(t *testing.T, base string) {
	t.Helper()
	clinician := signIn(t, base, clinicEmail)
	for i, learner := range c.learners {
		pair := c.phones[2*i : 2*i+2]
		listed := byID(everyEntry(t, clinician, learner))
		for _, p := range pair {
			p.verify(t, listed)
		}
		for _, p := range slices.Concat(pair, pair[:1]) { // the first once more, for what the second handed in
			p.getInStep(t, base)
		}
		all := everyEntry(t, clinician, learner)
		for _, p := range pair {
			p.verify(t, byID(all))
			p.compare(t, base, all)
		}
	}
}

func byID(entries []client.Change) map[string]client.Change {
	listed := make(map[string]client.Change, len(entries))
	for _, e := range entries {
		listed[e.ID] = e
	}
	return listed
}

// verify checks that every acknowledged entry is in the server's list as it was sent, under the revision acknowledged.
func (p *handset) verify(t *testing.T, listed map[string]client.Change) {
	t.Helper()
	require.Empty(t, p.mixed)
	for id, rev := range p.revs {
		got, there := listed[id]
		require.True(t, there, "entry %s was acknowledged and is missing", id)
		sent := p.recorded[id]
		same := got.Rev == rev && got.Status == client.Accepted && got.Kind == sent.Kind && got.Subject == sent.Subject &&
			got.RecordedAt == sent.RecordedAt && got.Device == p.writer.Device && bytes.Equal(got.Body, sent.Body)
		require.True(t, same, "entry %s is another than was acknowledged: %+v", id, got)
	}
}

// getInStep lets the phone sync with a server that is there.
func (p *handset) getInStep(t *testing.T, base string) {
	t.Helper()
	device, err := p.open(base, new(atomic.Bool))
	require.NoError(t, err)
	report, err := device.Sync(t.Context())
	require.NoError(t, err)
	require.Zero(t, report.StartedOver, "the history that the phone knew goes on")
	require.Empty(t, device.Outbox())
}

// compare holds the phone's own list, read from its files, against the server's.
func (p *handset) compare(t *testing.T, base string, listed []client.Change) {
	t.Helper()
	device, err := p.open(base, new(atomic.Bool))
	require.NoError(t, err)
	type line struct {
		rev                              int64
		id, status, kind, author, device string
	}
	var own, servers []line
	for _, k := range device.Entries() {
		own = append(own, line{k.Rev, k.Entry.ID, k.Status, k.Entry.Kind, k.Author.ID, k.Device})
	}
	for _, e := range listed {
		servers = append(servers, line{e.Rev, e.ID, e.Status, e.Kind, e.Author.ID, e.Device})
	}
	slices.SortFunc(servers, func(a, b line) int { return cmp.Compare(a.rev, b.rev) })
	require.Equal(t, servers, own)
	for id := range p.recorded {
		require.Contains(t, device.State().Entries, id, "what was recorded is never lost")
	}
}

// recorded counts what all the phones have recorded.
func (c *crowd) recorded() int {
	n := 0
	for _, p := range c.phones {
		n += len(p.recorded)
	}
	return n
}

// tell logs what happened, and checks that the kills came while something was under way.
func (c *crowd) tell(t *testing.T, rounds uint64) {
	t.Helper()
	acknowledged, repeated, interrupted := 0, 0, 0
	for _, p := range c.phones {
		acknowledged += len(p.revs)
		repeated += p.repeated
		interrupted += p.interrupted
	}
	t.Logf("%d rounds, %d phones: %d entries recorded, %d acknowledged, 0 missing; %d calls cut off, %d entries durable before their answer was lost",
		rounds, len(c.phones), c.recorded(), acknowledged, interrupted, repeated)
	assert.Equal(t, c.recorded(), acknowledged, "in the end all of it was acknowledged")
	assert.Positive(t, interrupted, "no kill came while a call was under way")
}
