package reminder

import (
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
)

// State is where a delivery stands.
type State string

// The states. The last five are final: nobody sends what has come to one of them.
const (
	Unclaimed State = ""         // nobody has taken it on yet
	Claimed   State = "claimed"  // a scheduler holds it, under a lease
	Sending   State = "sending"  // its holder has been given the go-ahead
	Waiting   State = "waiting"  // it failed, and may be tried again later
	Sent      State = "sent"     // somebody has been reached
	Skipped   State = "skipped"  // it was not to be sent any more, or to nobody
	GivenUp   State = "given_up" // it failed for good, too often, or until it lapsed
	Lapsed    State = "lapsed"   // it was due no longer before anybody had tried
	Unclear   State = "unclear"  // it may have been sent: nobody can tell, so it is not sent again
)

// Final reports whether a delivery in this state has ended.
func (s State) Final() bool {
	return s == Sent || s == Skipped || s == GivenUp || s == Lapsed || s == Unclear
}

// Outcome is what a scheduler reports of one try.
type Outcome string

// The outcomes.
const (
	WasSent    Outcome = "sent"    // the channel has acknowledged it
	WasFailed  Outcome = "failed"  // it has certainly not been sent
	WasSkipped Outcome = "skipped" // it was not tried, and is not to be
	WasUnclear Outcome = "unclear" // the channel can't tell whether it was sent
)

// How often and how soon a delivery is tried again (common practice).
const (
	MaxSends     = 6                // after so many it is given up, and a person told
	firstPause   = time.Minute      // after the first failure; each further one doubles it
	longestPause = 16 * time.Minute // however often it failed
	// SendWithin is how long after the go-ahead sending may begin; who comes later asks again. It is also how long before a reminder
	// lapses sending must have begun, so that it arrives in time.
	SendWithin = 15 * time.Second
	// sendingTime is how long the holder of a go-ahead has at least, however little of the lease is left.
	sendingTime = time.Minute
)

// Delivery is what has become of one reminder. The zero states and instants say that nothing has yet.
//
// However many schedulers there are, and wherever they crash, no more than one of them has the go-ahead for a delivery at a time.
// A scheduler claims it, which gives it a lease; asks for the go-ahead right before sending; and reports. A lease that runs out
// before the go-ahead harms nobody: another scheduler takes over. One that runs out after it leaves a doubt, since the message
// may be on its way:
//
//   - A channel that recognises a message it has had (Repeatable) is given it once more, and it reaches nobody twice.
//   - Any other is not: the state is Unclear. A reminder that does not come is made up for by the next evening's; one that comes
//     twice nags. So at most one is sent. A person is told when two in a row are unclear.
type Delivery struct {
	ID          uuid.UUID // the reminder's
	Kind        Kind
	Night       practice.Night
	Due, Lapses time.Time
	State       State
	Claim       uuid.UUID // of whoever holds or held it last
	Until       time.Time // when the lease ends; in Waiting, when it may be tried again
	Repeatable  bool      // as its holder said when it was given the go-ahead
	Sends       int       // how often the go-ahead has been given, but for asking twice
	Changed     time.Time // when it came to its state; in Sending and after it, when the go-ahead was given
	Tries       []Try     // what was tried, the first first
}

// Try is what became of one try to reach one destination; of none in particular where Destination is zero.
type Try struct {
	At          time.Time
	Destination uuid.UUID
	Channel     string
	Outcome     Outcome
	Permanent   bool // it failed, and would again
	Detail      string
}

// The faults of a claim.
var (
	// ErrNotHeld answers who holds a claim no longer, or never did.
	ErrNotHeld = fault.New(fault.Conflict, "claim-not-held",
		"This claim is not held any more: its lease ran out and another took the reminder over, or it has been reported on. Send nothing.")
	// ErrNotDue answers who asks for the go-ahead for what is not to be sent any more.
	ErrNotDue = fault.New(fault.Conflict, "reminder-not-due",
		"This reminder is not to be sent now: there is news of the evening, it has lapsed or been moved, or reminders have been stopped. Send nothing.")
)

// At returns the delivery as it stands at an instant: time alone makes leases run out and reminders lapse.
func (d Delivery) At(now time.Time) Delivery {
	over := !now.Before(d.Until)
	switch {
	case d.State == Sending && !d.Repeatable && over:
		d.State = Unclear
	case d.State == Sending && over && d.Sends >= MaxSends:
		d.State = d.withoutSuccess(Unclear)
	case d.State.Final() || now.Before(d.Lapses):
	case d.State == Waiting:
		d.State = d.withoutSuccess(GivenUp)
	case d.State == Unclaimed, over:
		d.State = d.withoutSuccess(Lapsed)
	}
	return d
}

// withoutSuccess returns how a delivery has ended that will not be tried any more: sent where anybody was reached, given up where
// a try failed, else as named.
func (d Delivery) withoutSuccess(otherwise State) State {
	end := otherwise
	for _, try := range d.Tries {
		switch try.Outcome {
		case WasSent:
			return Sent
		case WasUnclear:
			end = Unclear
		case WasFailed:
			if end != Unclear {
				end = GivenUp
			}
		case WasSkipped:
		}
	}
	return end
}

// Ready returns from when the delivery may be claimed; the zero instant where it may not be any more, unless a report changes that.
func (d Delivery) Ready() time.Time {
	switch {
	case d.State.Final(), d.State == Sending && (!d.Repeatable || d.Sends >= MaxSends):
		return time.Time{}
	case d.State == Unclaimed || d.Until.Before(d.Due): // the reminder time may have been moved to later
		return d.Due
	}
	return d.Until
}

// Claimable reports whether the delivery can be claimed at an instant.
func (d Delivery) Claimable(now time.Time) bool {
	ready := d.Ready()
	return !ready.IsZero() && !now.Before(ready) && now.Before(d.Lapses)
}

// ClaimedBy returns the delivery as claimed, for as long as the lease lasts. Of one that is taken over from a holder who had the
// go-ahead it is remembered that it may have been sent.
func (d Delivery) ClaimedBy(claim uuid.UUID, lease time.Duration, now time.Time) Delivery {
	if d.State == Sending {
		d.Tries = append(slices.Clone(d.Tries), Try{At: d.Until, Outcome: WasUnclear, Detail: "its sender was not heard of again"})
	}
	d.State, d.Claim = Claimed, claim
	d.Until, d.Changed, d.Repeatable = now.Add(lease), now, false
	return d
}

// GoAhead gives the holder of a claim the go-ahead to send, where the reminder is still due, and tells how soon sending must begin.
// Its faults are ErrNotHeld and ErrNotDue. With the latter, the delivery returned is nobody's: should it be due again, as after an
// excuse that is taken back, it can be claimed again. Asking twice, as after a lost answer, is no harm; but once it has been given,
// the refusal leaves the delivery as it is, since something may have been sent.
func (d Delivery) GoAhead(claim uuid.UUID, repeatable, due bool, now time.Time) (Delivery, time.Duration, error) {
	held := d.Claim == claim && (d.State == Claimed || d.State == Sending) && now.Before(d.Until)
	switch {
	case !held:
		return d, 0, ErrNotHeld
	case !due || d.within(now) <= 0:
		if d.State == Claimed {
			d.State, d.Changed = Unclaimed, now
		}
		return d, 0, ErrNotDue
	}
	if d.State == Claimed {
		d.Changed, d.Sends = now, d.Sends+1
	}
	d.State, d.Repeatable = Sending, repeatable
	if least := now.Add(sendingTime); d.Until.Before(least) {
		d.Until = least
	}
	return d, d.within(now), nil
}

// within returns how soon sending must begin.
func (d Delivery) within(now time.Time) time.Duration {
	return min(SendWithin, d.Lapses.Add(-SendWithin).Sub(now))
}

// Report is what a scheduler reports of a claim: the same of every destination, or of each.
type Report struct {
	Outcome   Outcome
	Permanent bool // of a failure: it would fail again
	Detail    string
	Parts     []Try // by destination; where there are none, Outcome is that of all
}

// Reported returns the delivery after a report of the holder of a claim. A lease that has run out does not matter as long as
// nobody has taken over: the truth that comes late is still the truth. A report that comes again changes nothing; another one
// than before, or one of a claim that is not held any more, is ErrNotHeld.
func (d Delivery) Reported(claim uuid.UUID, r Report, now time.Time) (Delivery, error) {
	if d.Claim != claim || d.State == Unclaimed {
		return d, ErrNotHeld
	}
	tries := r.tries(now)
	if d.State == Waiting || d.State.Final() {
		if d.ended(tries) {
			return d, nil
		}
		return d, ErrNotHeld
	}
	sent := d.State == Sending
	d.Tries = append(slices.Clone(d.Tries), tries...)
	went, permanent := r.went()
	switch {
	case went != WasFailed:
		d.State = d.withoutSuccess(Skipped)
	case permanent || d.Sends >= MaxSends || !now.Add(d.pause()).Before(d.Lapses):
		d.State = d.withoutSuccess(GivenUp)
	default:
		d.State, d.Until = Waiting, now.Add(d.pause())
	}
	if !sent || d.State == Waiting {
		d.Changed = now
	}
	return d, nil
}

// tries returns what a report adds to what was tried.
func (r Report) tries(now time.Time) []Try {
	if len(r.Parts) == 0 {
		return []Try{{At: now, Outcome: r.Outcome, Permanent: r.Permanent, Detail: r.Detail}}
	}
	tries := slices.Clone(r.Parts)
	for i := range tries {
		tries[i].At = now
	}
	return tries
}

// went returns how a report's tries went together: failed, where one of them may be tried again; else as the report says. A
// failure is permanent where none of those that failed may.
func (r Report) went() (Outcome, bool) {
	if len(r.Parts) == 0 {
		return r.Outcome, r.Permanent
	}
	permanent := true
	failed := false
	for _, part := range r.Parts {
		if part.Outcome == WasFailed {
			failed = true
			permanent = permanent && part.Permanent
		}
	}
	if failed {
		return WasFailed, permanent
	}
	return r.Parts[0].Outcome, false
}

// ended reports whether the last of what was tried is what a report says once more.
func (d Delivery) ended(tries []Try) bool {
	if len(d.Tries) < len(tries) {
		return false
	}
	return slices.EqualFunc(d.Tries[len(d.Tries)-len(tries):], tries, func(a, b Try) bool {
		a.At, b.At = time.Time{}, time.Time{}
		return a == b
	})
}

// pause is how long to wait after the latest failure.
func (d Delivery) pause() time.Duration {
	pause := firstPause
	for range d.Sends - 1 {
		pause = min(2*pause, longestPause)
	}
	return pause
}

// Done reports whether nothing is to be sent to a destination any more: it was reached, or may have been, or will never take it.
func (d Delivery) Done(destination uuid.UUID) bool {
	return slices.ContainsFunc(d.Tries, func(t Try) bool {
		return t.Destination == destination && (t.Outcome == WasSent || t.Outcome == WasUnclear || t.Permanent)
	})
}

// Told reports whether somebody has been told, or may have been.
func (d Delivery) Told() bool {
	if d.State == Sending || d.State == Sent || d.State == Unclear {
		return true
	}
	return slices.ContainsFunc(d.Tries, func(t Try) bool { return t.Outcome == WasSent || t.Outcome == WasUnclear })
}
