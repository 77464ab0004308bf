package client_test

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

func TestServerRolledBack(t *testing.T) {
	t.Parallel()
	for _, announced := range []bool{true, false} {
		t.Run(fmt.Sprintf("announced %t", announced), func(t *testing.T) {
			t.Parallel()
			s := newServer()
			p, gone := newPhone(t, s, mother), newPhone(t, s, father)
			p.evening(1)
			p.inStep()
			s.write(client.Pen{Now: gone.now, NewID: gone.newID}.Raw(learner, "choose", json.RawMessage(`{"position":"left"}`)))
			gone.evening(2)
			gone.inStep()
			p.evening(3)
			p.inStep()
			stamps := stampsOf(p)

			s.rollBack(2, announced)
			s.write(client.Pen{Now: gone.now, NewID: gone.newID}.Raw(learner, "choose", json.RawMessage(`{"position":"up"}`)))
			p.evening(4)
			report := p.inStep()

			assert.Equal(t, 1, report.StartedOver)
			requireInStep(t, p)
			assert.Len(t, s.changes(), 2+1+10, "the server's own, and all that this phone ever recorded")
			nights, err := p.Nights(learner)
			require.NoError(t, err)
			assert.Len(t, nights, 3, "the night that only the lost phone knew is forgotten")
			for id, stamp := range stampsOf(p) {
				if before, ok := stamps[id]; ok {
					assert.Equal(t, before, stamp, "an entry offered again is dated as before")
				}
			}
		})
	}
}

func stampsOf(p *phone) map[string]client.Stamp {
	stamps := map[string]client.Stamp{}
	for _, known := range p.Entries() {
		stamps[known.Entry.ID] = *known.Entry.Stamp
	}
	return stamps
}

func TestASecondPhoneOffersWhatTheFirstOneLost(t *testing.T) {
	t.Parallel()
	s := newServer()
	lost, p := newPhone(t, s, mother), newPhone(t, s, motherTwice)
	lost.evening(1)
	lost.inStep()
	p.inStep()
	s.rollBack(0, true)
	p.inStep()
	requireInStep(t, p)
	assert.Len(t, s.changes(), 4)
}

func TestWhatIsKnownStaysInSightUntilThePullIsComplete(t *testing.T) {
	t.Parallel()
	s := newServer()
	p, gone := newPhone(t, s, mother), newPhone(t, s, father)
	gone.evening(1)
	gone.inStep()
	p.evening(2)
	p.inStep()
	s.rollBack(3, true)
	p.faults = []fault{none, none, lostCall}
	_, err := p.Device.Sync(context.Background())
	require.ErrorIs(t, err, errLost)
	assert.Len(t, p.Entries(), 8)
	p.inStep()
	requireInStep(t, p)
	assert.Len(t, p.Entries(), 7)
}

func TestQuarantinedAndParkedEntriesAreOfferedAgainAsTheyWere(t *testing.T) {
	t.Parallel()
	s := newServer()
	p := newPhone(t, s, mother)
	entry, err := p.Write(learner, client.TryBody{Position: "up", Ease: 9})
	p.keep(err, entry)
	wish := client.Pen{Now: p.now, NewID: p.newID}.Raw(learner, "wish", json.RawMessage(`{"for": 6.0}`))
	p.keep(p.Record(wish), wish)
	p.inStep()

	reinstalled := newPhone(t, s, mother)
	reinstalled.inStep()
	s.rollBack(0, true)
	reinstalled.inStep()
	p.inStep()
	requireInStep(t, p)
	assert.Len(t, s.changes(), 2, "what the reinstalled phone offered is the same to the server")
}

func TestADigestThatDiffers(t *testing.T) {
	t.Parallel()
	s := newServer()
	p := newPhone(t, s, mother)
	p.evening(1)
	p.inStep()
	wrong := true
	fromNone := 0
	device := p.useTransport(t, transportFunc(func(_ context.Context, request client.Request) (client.Response, error) {
		if request.Cursor == nil {
			fromNone++
		}
		answer, err := s.sync(mother, request)
		if wrong {
			answer.Digest = fmt.Sprintf("%064x", 1)
		}
		return answer, err
	}))

	report, err := device.Sync(context.Background())
	require.ErrorIs(t, err, client.ErrDigest)
	assert.Equal(t, 1, fromNone, "one pull from the beginning")
	assert.Equal(t, 1, report.StartedOver)
	assert.Empty(t, device.Outbox())
	_, err = device.Sync(context.Background())
	require.ErrorIs(t, err, client.ErrDigest)
	assert.Equal(t, 1, fromNone, "and no second one")

	wrong = false
	_, err = device.Sync(context.Background())
	require.NoError(t, err)
	assert.Equal(t, 1, fromNone)
	p.restart()
	requireInStep(t, p)
}

func TestADeviceThatLostTrackPullsFromTheBeginning(t *testing.T) {
	t.Parallel()
	s := newServer()
	p := newPhone(t, s, mother)
	p.evening(1)
	p.inStep()
	other := newPhone(t, s, father)
	other.evening(2)
	other.inStep()
	p.inStep()
	var state client.State
	require.NoError(t, json.Unmarshal(p.disk.text, &state))
	maps.DeleteFunc(state.Entries, func(_ string, k client.Known) bool { return k.Author.ID == father.Caregiver })
	p.disk.text = encode(state)
	p.restart()
	report := p.inStep()
	assert.Equal(t, 1, report.StartedOver)
	requireInStep(t, p)
}

func TestServerRolledBackInTheMiddleOfASync(t *testing.T) {
	t.Parallel()
	s := newServer()
	other := newPhone(t, s, father)
	other.evening(1)
	other.evening(2)
	other.inStep()
	p := newPhone(t, s, mother)
	p.evening(3)
	calls := 0
	device := p.useTransport(t, transportFunc(func(_ context.Context, request client.Request) (client.Response, error) {
		calls++
		answer, err := s.sync(mother, request)
		if calls == 1 {
			s.rollBack(6, true) // without what this call has pushed, which lies beyond its page
		}
		return answer, err
	}))
	report, err := device.Sync(context.Background())
	require.NoError(t, err)
	assert.Equal(t, 8, report.Pushed, "what the server answered for before it was restored counts for nothing")
	p.restart()
	requireInStep(t, p)
}

func TestWhatIsNotOfferedAgain(t *testing.T) {
	t.Parallel()
	sound := client.Change{
		ID: someID, Kind: client.KindExcuse, Subject: someID, Replaces: []string{}, LearnerID: learner,
		RecordedAt: "2027-03-03T19:42:10-04:00", Body: json.RawMessage(`{"night":"2027-03-03","reason":"ill"}`),
		Status: client.Accepted, Author: client.Author{Role: client.RoleCaregiver, ID: mother.Caregiver}, Device: motherTwice.Device,
		Stamp: &client.Stamp{ReceivedAt: "2027-03-03T23:42:11Z", Seal: "s"},
	}
	cases := map[string]struct {
		change func(*client.Change)
		again  int
	}{
		"the caregiver's own, from another phone": {func(*client.Change) {}, 1},
		"a sheet copied by a clinician":           {func(c *client.Change) { c.Device = "" }, 0},
		"another caregiver's":                     {func(c *client.Change) { c.Author.ID = father.Caregiver }, 0},
		"set aside from another phone":            {func(c *client.Change) { c.Status = client.SetAside }, 0},
		"without its body":                        {func(c *client.Change) { c.Body = nil }, 0},
		"sent with a member unknown here": {func(c *client.Change) {
			c.Status, c.Sent = client.Quarantined, json.RawMessage(`{"id":"`+someID+`","mood":"good"}`)
		}, 0},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newServer()
			change := sound
			change.Rev = 1
			c.change(&change)
			s.history = append(s.history, stored{change: change, sent: []byte(`{}`), chain: "c"})
			p := newPhone(t, s, mother)
			p.inStep()
			require.Len(t, p.Entries(), 1)
			s.rollBack(0, true)
			assert.Equal(t, c.again, p.inStep().Pushed)
			requireInStep(t, p)
		})
	}
}
