package reminder_test

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/reminder"
)

const lease = 2 * time.Minute

var (
	evening = time.Date(2027, 3, 1, 19, 30, 0, 0, time.UTC)
	first   = uuid.UUID{15: 1}
	second  = uuid.UUID{15: 2}
	mama    = uuid.UUID{14: 1, 15: 1}
	papas   = uuid.UUID{14: 1, 15: 2}
)

// due is a reminder that nobody has taken on, due from 19:30 to 21:00.
func due() reminder.Delivery {
	return reminder.Delivery{ID: uuid.UUID{1}, Kind: reminder.Tonight, Due: evening, Lapses: evening.Add(90 * time.Minute)}
}

// after is an instant so many minutes after 19:30.
func after(minutes float64) time.Time {
	return evening.Add(time.Duration(minutes * float64(time.Minute)))
}

// ahead claims and gets the go-ahead.
func ahead(t *testing.T, d reminder.Delivery, claim uuid.UUID, repeatable bool, at time.Time) reminder.Delivery {
	t.Helper()
	d, within, err := d.ClaimedBy(claim, lease, at).GoAhead(claim, repeatable, true, at)
	require.LessOrEqual(t, within, reminder.SendWithin)
	require.NoError(t, err)
	return d
}

func TestADeliveryThatGoesWell(t *testing.T) {
	t.Parallel()
	d := due()
	assert.False(t, d.Claimable(after(-0.1)), "not due yet")
	assert.False(t, d.Claimable(after(90)), "lapsed")
	require.True(t, d.Claimable(evening))

	d = d.ClaimedBy(first, lease, evening)
	assert.False(t, d.Claimable(after(1.9)))
	assert.False(t, d.Told())
	d, within, err := d.GoAhead(first, false, true, after(1))
	require.NoError(t, err)
	assert.Equal(t, reminder.SendWithin, within)
	assert.Equal(t, reminder.Sending, d.State)
	assert.True(t, d.Told(), "from then on it may be on its way")

	d, err = d.Reported(first, reminder.Report{Outcome: reminder.WasSent}, after(1.1))
	require.NoError(t, err)
	assert.Equal(t, reminder.Sent, d.State)
	assert.Equal(t, after(1), d.Changed, "told when the go-ahead was given")
	assert.True(t, d.State.Final())
	assert.False(t, d.Claimable(after(10)))
}

// TestALeaseThatRunsOut before the go-ahead harms nobody; after it, it depends on the channel.
func TestALeaseThatRunsOut(t *testing.T) {
	t.Parallel()
	claimed := due().ClaimedBy(first, lease, evening)
	assert.True(t, claimed.Claimable(after(2)), "another takes over")
	_, _, err := claimed.GoAhead(first, false, true, after(2))
	require.ErrorIs(t, err, reminder.ErrNotHeld, "too late to begin")
	taken := claimed.ClaimedBy(second, lease, after(2))
	_, _, err = taken.GoAhead(first, false, true, after(2))
	require.ErrorIs(t, err, reminder.ErrNotHeld)
	_, err = taken.Reported(first, reminder.Report{Outcome: reminder.WasSent}, after(2))
	require.ErrorIs(t, err, reminder.ErrNotHeld)

	doubtful := ahead(t, due(), first, false, evening)
	assert.False(t, doubtful.Claimable(after(60)), "it may be on its way")
	assert.Equal(t, reminder.Sending, doubtful.At(after(1)).State)
	assert.Equal(t, reminder.Unclear, doubtful.At(after(2)).State)
	late, err := doubtful.Reported(first, reminder.Report{Outcome: reminder.WasFailed}, after(3))
	require.NoError(t, err, "the truth that comes late is still the truth")
	assert.Equal(t, reminder.Waiting, late.State)
	assert.True(t, late.Claimable(after(4)))

	repeatable := ahead(t, due(), first, true, evening)
	assert.False(t, repeatable.Claimable(after(1)))
	assert.True(t, repeatable.Claimable(after(2)), "the channel recognises it")
}

// TestAGoAheadIsRefused to whoever does not hold the claim, and for what is not due any more.
func TestAGoAheadIsRefused(t *testing.T) {
	t.Parallel()
	claimed := due().ClaimedBy(first, lease, evening)
	_, _, err := claimed.GoAhead(second, false, true, evening)
	require.ErrorIs(t, err, reminder.ErrNotHeld)
	_, _, err = due().GoAhead(uuid.Nil, false, true, evening)
	require.ErrorIs(t, err, reminder.ErrNotHeld, "nobody has claimed it")

	d, _, err := claimed.GoAhead(first, false, false, evening)
	require.ErrorIs(t, err, reminder.ErrNotDue)
	assert.Equal(t, reminder.Unclaimed, d.State)
	assert.True(t, d.Claimable(evening), "should it be due again")
	_, _, err = d.GoAhead(first, false, true, evening)
	require.ErrorIs(t, err, reminder.ErrNotHeld, "but not without claiming it again")

	given := ahead(t, due(), first, false, evening)
	again, _, err := given.GoAhead(first, false, true, after(0.5))
	require.NoError(t, err, "an answer that was lost")
	assert.Equal(t, given, again)
	again, _, err = given.GoAhead(first, false, false, after(0.5))
	require.ErrorIs(t, err, reminder.ErrNotDue, "there has been news since")
	assert.Equal(t, given, again, "and yet something may have been sent")

	long := due().ClaimedBy(first, time.Hour, after(89))
	_, within, err := long.GoAhead(first, false, true, after(89.6))
	require.NoError(t, err)
	assert.Equal(t, 9*time.Second, within.Round(time.Second))
	d, _, err = long.GoAhead(first, false, true, after(89.75))
	require.ErrorIs(t, err, reminder.ErrNotDue, "it would arrive in quiet hours")
	assert.Equal(t, reminder.Lapsed, d.At(after(90)).State)

	short, _, err := due().ClaimedBy(first, lease, evening).GoAhead(first, false, true, after(1.9))
	require.NoError(t, err)
	assert.Equal(t, after(2.9), short.Until, "time enough to send and report")
}

// TestFailures are tried again after ever longer pauses, until it is too late or has been often enough.
func TestFailures(t *testing.T) {
	t.Parallel()
	d, at := due(), evening
	var pauses []time.Duration
	for d.State != reminder.GivenUp {
		require.True(t, d.Claimable(at), at)
		d = ahead(t, d, first, false, at)
		var err error
		d, err = d.Reported(first, reminder.Report{Outcome: reminder.WasFailed, Detail: "busy"}, at)
		require.NoError(t, err)
		if d.State == reminder.Waiting {
			assert.False(t, d.Told(), "it has certainly not been sent")
			pauses = append(pauses, d.Until.Sub(at))
			assert.False(t, d.Claimable(d.Until.Add(-time.Millisecond)))
			at = d.Until
		}
	}
	minutes := func(n time.Duration) time.Duration { return n * time.Minute }
	assert.Equal(t, []time.Duration{minutes(1), minutes(2), minutes(4), minutes(8), minutes(16)}, pauses)
	assert.Len(t, d.Tries, reminder.MaxSends)

	late := ahead(t, due(), first, false, after(89.5))
	late, err := late.Reported(first, reminder.Report{Outcome: reminder.WasFailed}, after(89.6))
	require.NoError(t, err)
	assert.Equal(t, reminder.GivenUp, late.State, "it would have lapsed by then")

	hopeless, err := ahead(t, due(), first, false, evening).
		Reported(first, reminder.Report{Outcome: reminder.WasFailed, Permanent: true}, evening)
	require.NoError(t, err)
	assert.Equal(t, reminder.GivenUp, hopeless.State)

	waiting := due()
	waiting, err = ahead(t, waiting, first, false, evening).Reported(first, reminder.Report{Outcome: reminder.WasFailed}, evening)
	require.NoError(t, err)
	assert.Equal(t, reminder.GivenUp, waiting.At(after(90)).State, "nobody came to try again")
	assert.Equal(t, reminder.Lapsed, due().At(after(90)).State)
	assert.Equal(t, reminder.Lapsed, due().ClaimedBy(first, lease, evening).At(after(90)).State)
	assert.Equal(t, reminder.Claimed, due().ClaimedBy(first, lease, after(89)).At(after(90)).State, "still under its lease")
}

// TestSchedulersThatDieEachTime: who dies before the go-ahead costs nothing but time; what may have been sent often enough is sent no
// more.
func TestSchedulersThatDieEachTime(t *testing.T) {
	t.Parallel()
	d, at := due(), evening
	for range 20 {
		require.True(t, d.Claimable(at))
		d = d.ClaimedBy(first, lease, at)
		at = at.Add(lease)
	}
	assert.True(t, d.Claimable(at), "nobody has tried")
	assert.Equal(t, reminder.Lapsed, d.At(after(90)).State)

	d, at = due(), evening
	for range reminder.MaxSends {
		require.True(t, d.Claimable(at))
		d = ahead(t, d, first, true, at)
		at = d.Until
	}
	assert.False(t, d.Claimable(at))
	assert.Equal(t, reminder.Unclear, d.At(at).State)
}

// TestWhoTakesOver a message that may have been sent knows so.
func TestWhoTakesOver(t *testing.T) {
	t.Parallel()
	d := ahead(t, due(), first, true, evening).ClaimedBy(second, lease, after(2))
	assert.True(t, d.Told())
	assert.Equal(t, reminder.Unclear, d.At(after(90)).State, "nobody came to try again")
	d, err := ahead(t, due(), second, true, after(2)).Reported(second, reminder.Report{Outcome: reminder.WasSent}, after(3))
	require.NoError(t, err)
	assert.Equal(t, reminder.Sent, d.State)
}

// TestAReminderTimeThatMoves while somebody holds the reminder, or after it has failed: it is ready when it is due again.
func TestAReminderTimeThatMoves(t *testing.T) {
	t.Parallel()
	failed, err := ahead(t, due(), first, false, evening).Reported(first, reminder.Report{Outcome: reminder.WasFailed}, evening)
	require.NoError(t, err)
	for _, d := range []reminder.Delivery{due().ClaimedBy(first, lease, evening), failed} {
		d.Due = after(60)
		assert.Equal(t, after(60), d.Ready())
		assert.False(t, d.Claimable(after(30)))
		assert.True(t, d.Claimable(after(60)))
	}
}

// TestReportsAgain change nothing, and others than before are refused.
func TestReportsAgain(t *testing.T) {
	t.Parallel()
	for _, outcome := range []reminder.Outcome{reminder.WasSent, reminder.WasFailed, reminder.WasSkipped, reminder.WasUnclear} {
		d, err := ahead(t, due(), first, false, evening).Reported(first, reminder.Report{Outcome: outcome}, after(1))
		require.NoError(t, err)
		again, err := d.Reported(first, reminder.Report{Outcome: outcome}, after(2))
		require.NoError(t, err)
		assert.Equal(t, d, again)
		other := reminder.WasSent
		if outcome == other {
			other = reminder.WasFailed
		}
		_, err = d.Reported(first, reminder.Report{Outcome: other}, after(2))
		require.ErrorIs(t, err, reminder.ErrNotHeld)
		_, err = d.Reported(second, reminder.Report{Outcome: outcome}, after(2))
		require.ErrorIs(t, err, reminder.ErrNotHeld)
	}
	_, err := due().Reported(uuid.Nil, reminder.Report{Outcome: reminder.WasSent}, evening)
	require.ErrorIs(t, err, reminder.ErrNotHeld, "nobody has claimed it")
}

// TestTwoDestinations: what reached one of them is not sent there again when the other is tried once more.
func TestTwoDestinations(t *testing.T) {
	t.Parallel()
	part := func(to uuid.UUID, o reminder.Outcome, permanent bool) reminder.Try {
		return reminder.Try{Destination: to, Channel: "email", Outcome: o, Permanent: permanent}
	}
	for _, test := range []struct {
		name                 string
		mama, papa           reminder.Try
		state                reminder.State
		mamaIsDone, papaDone bool
	}{
		{"both", part(mama, reminder.WasSent, false), part(papas, reminder.WasSent, false), reminder.Sent, true, true},
		{"one is busy", part(mama, reminder.WasSent, false), part(papas, reminder.WasFailed, false), reminder.Waiting, true, false},
		{"one will never take it", part(mama, reminder.WasSent, false), part(papas, reminder.WasFailed, true), reminder.Sent, true, true},
		{"one never, one busy", part(mama, reminder.WasFailed, true), part(papas, reminder.WasFailed, false), reminder.Waiting, true, false},
		{"none ever", part(mama, reminder.WasFailed, true), part(papas, reminder.WasFailed, true), reminder.GivenUp, true, true},
		{"one in doubt", part(mama, reminder.WasUnclear, false), part(papas, reminder.WasSent, false), reminder.Sent, true, true},
		{"one in doubt, one busy", part(mama, reminder.WasUnclear, false), part(papas, reminder.WasFailed, false), reminder.Waiting, true, false},
		{"all in doubt", part(mama, reminder.WasUnclear, false), part(papas, reminder.WasUnclear, false), reminder.Unclear, true, true},
		{"one skipped", part(mama, reminder.WasSkipped, false), part(papas, reminder.WasSent, false), reminder.Sent, false, true},
	} {
		d, err := ahead(t, due(), first, false, evening).
			Reported(first, reminder.Report{Outcome: reminder.WasSent, Parts: []reminder.Try{test.mama, test.papa}}, evening)
		require.NoError(t, err, test.name)
		assert.Equal(t, test.state, d.State, test.name)
		if test.mama.Outcome == reminder.WasSent {
			assert.Equal(t, reminder.Sent, d.At(after(90)).State, "somebody has been reached, whatever became of the other")
		}
		assert.Equal(t, test.mamaIsDone, d.Done(mama), test.name)
		assert.Equal(t, test.papaDone, d.Done(papas), test.name)
	}
}

// TestNobodyIsToldTwice plays schedulers that crash, sleep and lose answers at random over one reminder, thousands of times.
func TestNobodyIsToldTwice(t *testing.T) {
	t.Parallel()
	for seed := range uint64(3000) {
		rng := rand.New(rand.NewPCG(seed, 6))
		repeatable := rng.IntN(2) == 0
		d, at, claims := due(), evening, 0
		delivered := map[string]int{}
		type holder struct {
			claim       uuid.UUID
			ahead, sent bool
		}
		var holders []holder
		for range 60 {
			at = at.Add(time.Duration(rng.IntN(100)) * time.Second)
			if d.Claimable(at) {
				claims++
				claim := uuid.UUID{14: 9, 15: byte(claims)}
				d = d.ClaimedBy(claim, lease, at)
				holders = append(holders, holder{claim: claim})
			}
			if len(holders) == 0 {
				continue
			}
			h := &holders[rng.IntN(len(holders))]
			switch rng.IntN(3) {
			case 0:
				next, _, err := d.GoAhead(h.claim, repeatable, true, at)
				if err == nil && !h.sent {
					d, h.ahead = next, true
				}
			case 1:
				if h.ahead { // sends, once or, as after a lost answer from the channel, not at all
					h.ahead, h.sent = false, true
					key := fmt.Sprint(d.ID)
					if !repeatable || delivered[key] == 0 {
						delivered[key]++
					}
					if rng.IntN(2) == 0 {
						if next, err := d.Reported(h.claim, reminder.Report{Outcome: reminder.WasSent}, at); err == nil {
							d = next
						}
					}
				}
			case 2: // sleeps, or has died
			}
		}
		for _, n := range delivered {
			require.LessOrEqual(t, n, 1, "seed %d", seed)
		}
	}
}
