package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// crowd is some households of one clinic, each with one learner and some phones.
type crowd struct {
	clinic    string
	clinician client.API
	signedIn  time.Time
	homes     []*home     // all that ever moved in
	active    []*home     // those that moved in last
	away      atomic.Bool // whether the server is out of reach by the test's doing
}

type home struct {
	household, learner string
	phones             []*handset
	clinician          client.API
}

// gather brings in a clinic, and with it some households that have so many phones each.
func gather(t *testing.T, db, base string, homes, phones int) *crowd {
	t.Helper()
	c := &crowd{clinic: addClinicBeside(t, db)}
	c.moveIn(t, base, homes, phones)
	return c
}

// moveIn brings in further households, which take the place of those that were active.
func (c *crowd) moveIn(t *testing.T, base string, homes, phones int) {
	t.Helper()
	clinician := c.desk(t, base)
	c.active = nil
	for range homes {
		c.active = append(c.active, newHome(t, clinician, fmt.Sprintf("Household %d", len(c.homes)+len(c.active)+1), phones, &c.away))
	}
	c.homes = append(c.homes, c.active...)
}

// desk returns what the clinician may call, signed in anew before the token expires: a password takes long to check.
func (c *crowd) desk(t *testing.T, base string) client.API {
	t.Helper()
	if time.Since(c.signedIn) > 10*time.Minute {
		c.signedIn = time.Now()
		c.clinician = signIn(t, base, clinicEmail)
	}
	return as(caller(base), c.clinician.Token)
}

// newHome opens a household. From the third phone on they are further phones of its two caregivers.
func newHome(t *testing.T, clinician client.API, label string, phones int, away *atomic.Bool) *home {
	t.Helper()
	h := &home{clinician: clinician}
	h.household = addHousehold(t, clinician, label)
	h.learner, _ = addLearner(t, clinician, h.household, "Otter", "", client.NewEnrolment{
		FirstNight: time.Now().Add(-firstEvening).UTC().Format(time.DateOnly), Timezone: "Etc/UTC", ReminderTime: "19:30",
	})
	for i := range phones {
		caregiver := ""
		if i >= 2 {
			caregiver = h.phones[i%2].writer.Caregiver
		}
		enrolled := enrolPhone(t, clinician, h.household, caregiver, []string{"Mum", "Dad"}[i%2], fmt.Sprintf("phone %d", i+1))
		p := newHandset(t, t.TempDir(), enrolled, h.learner)
		p.away = away
		h.phones = append(h.phones, p)
	}
	return h
}

// busy are the phones of the active households.
func (c *crowd) busy() []*handset { return phonesOf(c.active) }

func phonesOf(homes []*home) []*handset {
	var all []*handset
	for _, h := range homes {
		all = append(all, h.phones...)
	}
	return all
}

// uploadUntil lets all the busy phones hand in evenings for some time, kills the server under them and waits for the
// phones.
func (c *crowd) uploadUntil(t *testing.T, r *rand.Rand, server *child, uploading time.Duration) {
	t.Helper()
	base := server.base(t)
	ctx, cancel := context.WithTimeout(t.Context(), startTime)
	defer cancel()
	var phones sync.WaitGroup
	failures := make([]error, len(c.busy()))
	for i, p := range c.busy() {
		own := rand.New(rand.NewPCG(r.Uint64(), 0))
		phones.Go(func() { failures[i] = p.handInUntilItFails(ctx, own, base) })
	}
	time.Sleep(uploading)
	c.away.Store(true)
	server.kill(t)
	phones.Wait()
	c.away.Store(false)
	require.NoError(t, errors.Join(failures...))
}

// verify holds a server that was started again to what was acknowledged to the active households, before any phone of
// theirs has called it; then lets the phones get in step with it and with each other.
func (c *crowd) verify(t *testing.T, bases ...string) {
	t.Helper()
	c.verifyThe(t, c.active, bases...)
}

// verifyAll does so for all the households that there ever were.
func (c *crowd) verifyAll(t *testing.T, bases ...string) {
	t.Helper()
	c.verifyThe(t, c.homes, bases...)
}

func (c *crowd) verifyThe(t *testing.T, homes []*home, bases ...string) {
	t.Helper()
	for _, h := range homes {
		h.clinician = c.desk(t, bases[0])
		h.verify(t, bases...)
	}
}

func (h *home) verify(t *testing.T, bases ...string) {
	t.Helper()
	listed := byID(h.list(t, bases[0]))
	for _, p := range h.phones {
		p.verify(t, listed)
	}
	for _, p := range slices.Concat(h.phones, h.phones[:len(h.phones)-1]) { // again, for what the later ones handed in
		p.getInStep(t, bases...)
	}
	all := h.list(t, bases[len(bases)-1])
	require.Len(t, byID(all), len(all), "an entry is there twice")
	for _, p := range h.phones {
		p.verify(t, byID(all))
		p.compare(t, bases[0], all)
	}
}

// list returns the clinic's list of all the entries.
func (h *home) list(t *testing.T, base string) []client.Change {
	t.Helper()
	clinician := h.clinician
	clinician.Base = base
	return everyEntry(t, clinician, h.learner)
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

// getInStep lets the phone sync with servers that are there, in turn.
func (p *handset) getInStep(t *testing.T, bases ...string) {
	t.Helper()
	device, err := p.open(bases...)
	require.NoError(t, err)
	report, err := device.Sync(t.Context())
	require.NoError(t, err)
	require.Zero(t, report.StartedOver, "the history that the phone knew goes on")
	require.Empty(t, device.Outbox())
}

// compare holds the phone's own list, read from its files, against the server's.
func (p *handset) compare(t *testing.T, base string, listed []client.Change) {
	t.Helper()
	device, err := p.open(base)
	require.NoError(t, err)
	type line struct {
		rev                              int64
		id, status, kind, author, device string
	}
	var own, servers []line
	for _, k := range device.Entries() {
		own = append(own, line{k.Rev, k.Entry.ID, k.Status, k.Entry.Kind, k.Author.ID, k.Device})
	}
	for i, e := range slices.SortedFunc(slices.Values(listed), func(a, b client.Change) int { return cmp.Compare(a.Rev, b.Rev) }) {
		require.Equal(t, int64(i+1), e.Rev, "the revisions have a gap")
		servers = append(servers, line{e.Rev, e.ID, e.Status, e.Kind, e.Author.ID, e.Device})
	}
	require.Equal(t, servers, own)
	known := device.State().Entries
	for id := range p.recorded {
		require.Contains(t, known, id, "what was recorded is never lost")
	}
}

// tally is what became of the entries and calls of some phones.
type tally struct {
	phones, recorded, acknowledged, repeated, interrupted, killed int
	refusals                                                      map[int]int // calls by status
	took                                                          []time.Duration
}

// within returns how long a share of the calls took at most.
func (a tally) within(share float64) time.Duration {
	return a.took[int(share*float64(len(a.took)-1))].Round(time.Millisecond)
}

func (c *crowd) tally() tally {
	all := tally{refusals: map[int]int{}}
	for _, p := range phonesOf(c.homes) {
		all.phones++
		all.recorded += len(p.recorded)
		all.acknowledged += len(p.revs)
		all.repeated += p.repeated
		all.interrupted += p.interrupted
		all.killed += p.killed
		all.took = append(all.took, p.took...)
		for status, n := range p.refusals {
			all.refusals[status] += n
		}
	}
	slices.Sort(all.took)
	return all
}

// settle verifies all there ever was once more, checks the database, and returns what there was in sum. Everything that
// was recorded has been acknowledged by then, and is there once.
func (c *crowd) settle(t *testing.T, db string, bases ...string) tally {
	t.Helper()
	c.verifyAll(t, bases...)
	checked := execute(t, "check", "--db", db)
	require.NoError(t, checked.err, checked.out)
	found, all := report(t, checked), c.tally()
	assert.Equal(t, len(c.homes), found.Households)
	assert.Equal(t, all.recorded, found.Entries, "every entry that was recorded is there, once")
	assert.Equal(t, all.recorded, all.acknowledged, "in the end all of it was acknowledged")
	return all
}
