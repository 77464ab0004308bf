package client_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// requireInStep checks that a phone knows exactly what the server holds, and waits for nothing.
func requireInStep(t tester, p *phone) {
	t.Helper()
	state := p.State()
	require.Empty(t, state.Outbox)
	want := map[string]int64{}
	for _, change := range p.server.changes() {
		want[change.ID] = change.Rev
	}
	got := map[string]int64{}
	for _, known := range p.Entries() {
		require.False(t, known.Former)
		got[known.Entry.ID] = known.Rev
	}
	require.Equal(t, want, got)
	require.Equal(t, p.server.cursor(p.server.head()), state.Cursor)
	require.Equal(t, int64(p.server.head()), state.Head)
	require.Equal(t, nightsOnServer(p.server), nightsOnPhone(t, p))
}

func nightsOnServer(s *server) map[string]int {
	sittings := map[string]int{}
	for _, row := range s.history {
		if key := sessionNight(row); key[1] != "" {
			sittings[key[1]]++
		}
	}
	return sittings
}

func nightsOnPhone(t tester, p *phone) map[string]int {
	nights, err := p.Nights(learner)
	require.NoError(t, err)
	sittings := map[string]int{}
	for _, night := range nights {
		sittings[night.Night] = len(night.Sittings)
	}
	return sittings
}

func TestAnEveningIsHandedIn(t *testing.T) {
	t.Parallel()
	p := newPhone(t, newServer(), mother)
	p.evening(2)
	require.Len(t, p.Outbox(), 4)
	require.Empty(t, p.Entries())

	report := p.inStep()

	assert.Equal(t, client.Report{Calls: 1, Pushed: 4, Pulled: 4}, report)
	requireInStep(t, p)
	for _, known := range p.Entries() {
		assert.Equal(t, client.Author{Role: client.RoleCaregiver, ID: mother.Caregiver}, known.Author)
		assert.Equal(t, client.Accepted, known.Status)
		assert.NotNil(t, known.Entry.Stamp)
	}
	assert.Equal(t, client.Report{Calls: 1}, p.inStep(), "a second Sync has nothing to do")
}

func TestTwoPhonesComeTogether(t *testing.T) {
	t.Parallel()
	s := newServer()
	one, other := newPhone(t, s, mother), newPhone(t, s, father)
	for night := range 5 {
		one.evening(night + 1)
		other.evening(night + 1)
	}
	one.inStep()
	report := other.inStep()
	assert.Equal(t, 40, report.Pulled)
	one.inStep()
	requireInStep(t, one)
	requireInStep(t, other)
}

func TestRecordedEntriesOutliveEverythingButTheDisk(t *testing.T) {
	t.Parallel()
	p := newPhone(t, newServer(), mother)
	p.evening(2)
	p.faults = []fault{lostCall}
	_, err := p.Device.Sync(context.Background())
	require.ErrorIs(t, err, errLost)
	p.restart()
	require.Len(t, p.Outbox(), 4)
	p.inStep()
	requireInStep(t, p)
}

func TestAResultAloneEmptiesNothing(t *testing.T) {
	t.Parallel()
	s := newServer()
	other := newPhone(t, s, father)
	other.evening(1)
	other.evening(2)
	other.inStep()
	p := newPhone(t, s, mother)
	p.evening(2)
	p.disk.failAt = 2 // the first Save was the evening's, the next one the first page's
	_, err := p.Device.Sync(context.Background())
	require.ErrorIs(t, err, errPower)
	require.Equal(t, 12, s.head(), "the server has accepted it")
	state := p.State()
	require.Len(t, state.Outbox, 4, "but its revisions lie beyond the first page")
	for _, item := range state.Outbox {
		require.Equal(t, client.Accepted, item.Status)
	}
	p.restart()
	p.inStep()
	requireInStep(t, p)
}

func TestFaultyCalls(t *testing.T) {
	t.Parallel()
	for first := range faults {
		for second := range faults {
			t.Run(fmt.Sprintf("%d then %d", first, second), func(t *testing.T) {
				t.Parallel()
				s := newServer()
				other := newPhone(t, s, father)
				other.evening(1)
				other.inStep()
				p := newPhone(t, s, mother)
				p.evening(1)
				p.evening(2)
				p.faults = []fault{first, second, first}
				for len(p.faults) > 0 {
					if _, err := p.Device.Sync(context.Background()); err != nil {
						require.True(t, expected(err), "%v", err)
					}
				}
				p.inStep()
				requireInStep(t, p)
				require.Equal(t, 12, s.head(), "whatever was sent twice is stored once")
			})
		}
	}
}

func TestAnOvertakenAnswerIsDropped(t *testing.T) {
	t.Parallel()
	s := newServer()
	p := newPhone(t, s, mother)
	p.evening(1)
	p.faults = []fault{overtakenAfter}
	report := p.inStep()
	assert.Equal(t, 1, report.Overtaken)
	assert.Equal(t, 0, report.Pulled, "the other Sync has pulled it")
	requireInStep(t, p)
}

// The first call pulls from the beginning. While its answer is under way another Sync gets into step, the server is
// rolled back, and a third Sync, refused, starts over and is cut off: the device is at the beginning again, but of
// another history than the one the answer tells of.
func TestAnAnswerFromBeforeThePullStartedOverIsDropped(t *testing.T) {
	t.Parallel()
	s := newServer()
	other := newPhone(t, s, father)
	other.evening(1)
	other.inStep()
	p := newPhone(t, s, mother)
	calls := 0
	var device *client.Device
	device = p.useTransport(t, transportFunc(func(ctx context.Context, request client.Request) (client.Response, error) {
		calls++
		answer, err := s.sync(mother, request)
		switch {
		case calls == 1:
			_, inner := device.Sync(ctx)
			require.NoError(t, inner)
			s.rollBack(0, true)
			_, inner = device.Sync(ctx)
			require.ErrorIs(t, inner, errLost)
			assert.Empty(t, device.State().Cursor)
		case calls == 4:
			return client.Response{}, errLost
		}
		return answer, err
	}))
	report, err := device.Sync(context.Background())
	require.NoError(t, err)
	assert.Equal(t, client.Report{Calls: 2, Overtaken: 1}, report)
	p.restart()
	requireInStep(t, p)
}

func TestRestartBetweenAnyTwoSteps(t *testing.T) {
	t.Parallel()
	for _, written := range []bool{false, true} {
		for failAt := range 16 {
			t.Run(fmt.Sprintf("save %d written %t", failAt, written), func(t *testing.T) {
				t.Parallel()
				p, failed := playWithPowerFailure(t, failAt, written)
				require.Equal(t, failAt < p.disk.saves, failed)
				p.disk.failAt = -1
				p.restart()
				p.inStep()
				requireInStep(t, p)
				for id := range p.recorded {
					require.Contains(t, idsOn(p.server), id)
				}
			})
		}
	}
}

func TestWhatCouldNotBeSavedDidNotHappen(t *testing.T) {
	t.Parallel()
	s := newServer()
	p := newPhone(t, s, mother)
	p.evening(1)
	before := p.State()
	p.disk.failAt = p.disk.saves
	_, err := p.RecordEvening(eveningOf(2))
	require.ErrorIs(t, err, errPower)
	assert.Equal(t, before, p.State())
	p.disk.failAt = p.disk.saves
	_, err = p.Device.Sync(context.Background())
	require.ErrorIs(t, err, errPower)
	assert.Equal(t, before, p.State())
	p.inStep()
	requireInStep(t, p)
	assert.Equal(t, 4, s.head())
}

// playWithPowerFailure records and syncs, with a rollback of the server in between, restarting where the power fails.
func playWithPowerFailure(t *testing.T, failAt int, written bool) (p *phone, failed bool) {
	s := newServer()
	other := newPhone(t, s, father)
	other.evening(1)
	other.inStep()
	p = newPhone(t, s, mother)
	p.disk.failAt, p.disk.written = failAt, written
	step := func(err error) {
		if err != nil {
			require.ErrorIs(t, err, errPower)
			failed = true
			p.restart()
		}
	}
	record := func(night int) {
		evening, err := p.RecordEvening(eveningOf(night))
		if err == nil {
			p.keep(nil, evening.Entries...)
		}
		step(err)
	}
	sync := func() {
		_, err := p.Device.Sync(context.Background())
		step(err)
	}
	record(1)
	record(2)
	sync()
	s.rollBack(6, true)
	record(3)
	sync()
	sync()
	return p, failed
}

func idsOn(s *server) []string {
	var ids []string
	for _, change := range s.changes() {
		ids = append(ids, change.ID)
	}
	return ids
}

func TestManySyncsAtOnce(t *testing.T) {
	t.Parallel()
	s := newServer()
	device, err := client.Open(client.Config{
		Writer: mother, Disk: &client.MemoryDisk{}, PageLimit: 3, Now: time.Now, NewID: randomID,
		Transport: transportFunc(func(_ context.Context, request client.Request) (client.Response, error) {
			return s.sync(mother, request)
		}),
	})
	require.NoError(t, err)
	var group sync.WaitGroup
	for night := range 8 {
		group.Go(func() {
			_, recorded := device.RecordEvening(eveningOf(night + 1))
			_, synced := device.Sync(context.Background())
			assert.NoError(t, errors.Join(recorded, synced))
		})
	}
	group.Wait()
	_, err = device.Sync(context.Background())
	require.NoError(t, err)
	assert.Empty(t, device.Outbox())
	assert.Len(t, device.Entries(), 32)
	assert.Equal(t, 32, s.head())
}
