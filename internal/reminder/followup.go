package reminder

import (
	"cmp"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/practice"
)

// Reason is why a clinic is to follow a family up.
type Reason string

// The reasons.
const (
	InARow     Reason = "run"         // so many nights in a row without practice as the plan names, or more
	NotReached Reason = "not_reached" // the reminders that should have gone out last reached nobody
)

// Concern is a reason to follow a family up. It stands until somebody has recorded what came of it, or it is no more: practice
// was noted, late news repaired the past, or a reminder came through.
type Concern struct {
	ID     uuid.UUID // the same for as long as it stands
	Reason Reason
	Night  practice.Night // the night that made it one
	Since  time.Time
	Run    int // nights in a row without practice by now
}

// Concerns returns why a family is to be followed up at the instant of a view, by id. Reminders that failed before seenTo, when
// somebody last recorded what came of following the family up, are no reason any more. A hold, a pause, an end and withdrawn consent
// stop it, as they stop reminders.
func Concerns(v *practice.View, past []Delivery, seenTo time.Time) []Concern {
	p := v.Current()
	if p == nil || len(v.Hold) > 0 || v.ConsentWithdrawn || p.Enrolment.Paused || p.Enrolment.Ended {
		return nil
	}
	d := day{programme: p, learner: v.Learner, past: past}
	var all []Concern
	if c, is := d.inARow(v.At); is {
		all = append(all, c)
	}
	if c, is := d.notReached(v.At, seenTo); is {
		all = append(all, c)
	}
	slices.SortFunc(all, func(a, b Concern) int { return slices.Compare(a.ID[:], b.ID[:]) })
	return all
}

// inARow returns the run of nights without practice that lasts at an instant, where it has become long enough. Nights that had
// closed before the enrolment was written make nobody call.
func (d day) inARow(at time.Time) (Concern, bool) {
	e := d.programme.Enrolment
	tonight := min(e.Tonight(at), d.programme.LastNight+1)
	nightsOn := func(n practice.NightView) bool {
		return n.Night >= tonight && n.State != practice.Open && n.State != practice.Upcoming
	}
	if slices.ContainsFunc(d.programme.Nights, nightsOn) {
		return Concern{}, false // they are in touch: tonight, or on an evening after the last that was planned
	}
	run := d.runBefore(tonight)
	told := d.told(tonight, run)
	if told < e.Plan.FollowUpRun {
		return Concern{}, false
	}
	night := tonight - practice.Night(told) + practice.Night(e.Plan.FollowUpRun) - 1 //nolint:gosec // runs are short
	return Concern{ID: d.id(FollowUp, night), Reason: InARow, Night: night, Since: e.Closes(night), Run: run}, true
}

// notReached returns the first of the reminders in a row that failed for good, if none has come through since. One that nobody can
// tell of is no reason, since it may have come through; two in a row are.
func (d day) notReached(at, seenTo time.Time) (Concern, bool) {
	past := slices.SortedFunc(slices.Values(d.past), func(a, b Delivery) int {
		return cmp.Or(a.Due.Compare(b.Due), slices.Compare(a.ID[:], b.ID[:]))
	})
	var first, doubtful *Delivery
	for i := range past {
		p := past[i].At(at)
		switch {
		case p.Kind == FollowUp || p.Night < d.programme.Enrolment.FirstNight || p.Night > d.programme.LastNight:
		case p.State == Sent:
			first, doubtful = nil, nil
		case !p.Changed.After(seenTo) || first != nil:
		case p.State == GivenUp:
			first = &past[i]
		case p.State == Unclear && doubtful == nil:
			doubtful = &past[i]
		case p.State == Unclear:
			first = doubtful
		}
	}
	if first == nil {
		return Concern{}, false
	}
	since := first.Changed
	switch first.State { // time alone may have ended it
	case Waiting:
		since = first.Lapses
	case Claimed, Sending:
		since = first.Until
	}
	id := uuid.NewSHA1(namespace, append(first.ID[:len(first.ID):len(first.ID)], NotReached...))
	tonight := min(d.programme.Enrolment.Tonight(at), d.programme.LastNight+1)
	return Concern{ID: id, Reason: NotReached, Night: first.Night, Since: since, Run: d.runBefore(tonight)}, true
}
