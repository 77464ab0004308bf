// Package reminder works out whom to remind, of what and when. It is pure, over package practice: it keeps no state,
// sends nothing and reads no clock.
//
// A reminder is due at the learner's reminder time at home, and lapses at the next one or when quiet hours begin, whichever
// comes first; tonight's lapses with the night. There is at most one a day for the family: tonight's, or else the one for the evening before.
// The clinic is told once of a run of evenings without practice, when it reaches the length that the plan names. From then on the
// family hears from us ever more rarely. A day on which the zone's clock skips from before the reminder time to where the night
// closes or into quiet hours goes without: the clinic is told on the next.
//
// A [Delivery] is what has become of a reminder: who has claimed it, whether it may be sent now, and how that went.
package reminder

import (
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/practice"
)

// Kind is what a reminder is about.
type Kind string

// The kinds of reminder.
const (
	Tonight  Kind = "tonight"   // tonight's practice is still to come; for the family
	Missed   Kind = "missed"    // the evening before passed without news of practice; for the family
	FollowUp Kind = "follow_up" // a run of evenings without practice; for the clinic

	// Verification is no reminder, but goes the same way: the code that shows that an address is read by whoever gave it.
	Verification Kind = "verification"
)

// Reminder is one thing to remind somebody of.
type Reminder struct {
	ID    uuid.UUID // the same for one learner, night and kind, whenever it is worked out
	Kind  Kind
	Night practice.Night
	Due   time.Time
	Run   int // closed nights in a row, missed or unheard, up to the night (for Tonight: to the one before)
}

// Upcoming is the next day on which anything is due, if nothing more is heard.
type Upcoming struct {
	Reminders []Reminder // by id; none where nothing will be due
	Lapses    time.Time  // when they are due no longer; zero where there are none
	Renew     time.Time  // the first instant at which others may be due; zero where none will be
}

// Next returns what is due at the instant of a view, else what will be due next if nothing more is heard, given what has become
// of the learner's reminders so far. A hold stops everything, as does that nobody's consent stands, a pause or an end whatever
// their enrolment would be reminded of. Nights that had closed before the enrolment was written are not reminded of.
func Next(v *practice.View, past []Delivery) Upcoming {
	if len(v.Hold) > 0 || v.ConsentWithdrawn {
		return Upcoming{}
	}
	coming := v.FromCurrent()
	for i := range coming {
		last := coming[i].LastNight + 1 // the day on which the last night may turn out missed
		if i+1 < len(coming) {
			last = min(last, coming[i+1].Enrolment.FirstNight-1)
		}
		if next := nextOf(v, &coming[i], past, last); len(next.Reminders) > 0 {
			return next
		}
	}
	return Upcoming{}
}

// nextOf returns what is due next of one programme, up to its last day.
func nextOf(v *practice.View, p *practice.Programme, past []Delivery, last practice.Night) Upcoming {
	if p.Enrolment.Paused || p.Enrolment.Ended {
		return Upcoming{}
	}
	d := day{programme: p, learner: v.Learner, past: pastAt(past, v.At)}
	// The day before tonight's may still have its reminder time to come, where that lies after midnight.
	for night := max(p.Enrolment.Tonight(v.At)-1, p.Enrolment.FirstNight); night <= last; night++ {
		lapses := d.lapses(night)
		if !v.At.Before(lapses) || d.leftOut(night) {
			continue
		}
		due := d.due(night)
		if len(due) == 0 {
			continue
		}
		renew := d.at(night + 1)
		cut := func(at time.Time) {
			if at.Before(lapses) {
				lapses, renew = at, at
			}
		}
		if d.open(night) {
			cut(p.Enrolment.Closes(night))
		}
		// What begins later than the view may be tonight's practice, from a phone whose clock is fast.
		if !v.Awaits.IsZero() {
			cut(v.Awaits)
			renew = sooner(renew, v.Awaits)
		}
		return Upcoming{Reminders: due, Lapses: lapses, Renew: renew}
	}
	return Upcoming{}
}

// pastAt returns deliveries as they stand at an instant.
func pastAt(past []Delivery, at time.Time) []Delivery {
	stand := make([]Delivery, len(past))
	for i := range past {
		stand[i] = past[i].At(at)
	}
	return stand
}

func sooner(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// day works out what is due on the days of one programme.
type day struct {
	programme *practice.Programme
	learner   practice.LearnerID
	past      []Delivery
}

// at returns the reminder time of a night: on its date, or in the small hours after it where the plan's day turns later.
func (d day) at(n practice.Night) time.Time {
	e := d.programme.Enrolment
	if e.ReminderAt < e.Plan.TurnsAt {
		n++
	}
	return practice.InstantAt(n, e.ReminderAt, e.Zone)
}

// lapses returns when the reminders of a night are due no longer: at the next reminder time or when quiet hours begin.
func (d day) lapses(n practice.Night) time.Time {
	e := d.programme.Enrolment
	due, next := d.at(n), d.at(n+1)
	if e.Plan.QuietFrom == e.Plan.QuietUntil {
		return next
	}
	for _, date := range []practice.Night{n, n + 1, n + 2} {
		if quiet := practice.InstantAt(date, e.Plan.QuietFrom, e.Zone); !quiet.Before(due) && quiet.Before(next) {
			return quiet
		}
	}
	return next
}

// leftOut reports whether there is no instant for the reminders of a night, since the zone's clock skips from before their time
// to where the night closes or into quiet hours.
func (d day) leftOut(n practice.Night) bool {
	return !d.at(n).Before(sooner(d.lapses(n), d.programme.Enrolment.Closes(n)))
}

// due returns what is due at the reminder time of a night, if nothing more is heard until then, and has not been seen to.
func (d day) due(n practice.Night) []Reminder {
	at := d.at(n)
	run := d.runBefore(n)
	var all []Reminder
	add := func(kind Kind, night practice.Night) {
		if id := d.id(kind, night); !d.seenTo(id, at) && (kind == FollowUp || !d.toldOn(n, id)) {
			all = append(all, Reminder{ID: id, Kind: kind, Night: night, Due: at, Run: run})
		}
	}
	silent := d.told(n, run)
	switch {
	case !d.speaksUp(silent):
	case d.open(n):
		add(Tonight, n)
	case run > 0 && d.tellsOf(n-1) && !d.wasOpenAt(n, at):
		add(Missed, n-1)
	}
	enough := d.programme.Enrolment.Plan.FollowUpRun
	if late := silent - enough; late == 0 || late == 1 && d.leftOut(n-1) {
		add(FollowUp, n-1-practice.Night(late))
	}
	slices.SortFunc(all, func(a, b Reminder) int { return slices.Compare(a.ID[:], b.ID[:]) })
	return all
}

// seenTo reports whether the delivery of a reminder has ended. A lapsed one has not been seen to if the reminder is due later now.
func (d day) seenTo(id uuid.UUID, due time.Time) bool {
	return slices.ContainsFunc(d.past, func(p Delivery) bool {
		return p.ID == id && p.State.Final() && (p.State != Lapsed || !due.After(p.Lapses))
	})
}

// toldOn reports whether the family has been told anything but one reminder on a night: there is one a day, even where the
// reminder time has been moved or late news has changed what there is to tell.
func (d day) toldOn(n practice.Night, but uuid.UUID) bool {
	return slices.ContainsFunc(d.past, func(p Delivery) bool {
		family := p.Kind == Tonight || p.Kind == Missed
		return family && p.Told() && p.ID != but && d.programme.Enrolment.Tonight(p.Changed) == n
	})
}

// speaksUp reports whether the family is to hear from us after a run of nights without practice, of those that it was told of: every evening until the run at
// which the clinic is told, then 2, 4, 8 evenings later and so on, since who has not answered is not to be nagged (common
// practice). So of a silent fortnight, with 3 as the run, six evenings are spoken of.
func (d day) speaksUp(run int) bool {
	beyond := run - d.programme.Enrolment.Plan.FollowUpRun
	pauses := beyond + 2 // a power of two where the pauses so far, 2 + 4 + 8 + …, come to exactly beyond
	return beyond <= 0 || pauses&(pauses-1) == 0
}

// night returns a night of the programme, nil for one that it does not plan.
func (d day) night(n practice.Night) *practice.NightView {
	if n < d.programme.Enrolment.FirstNight || n > d.programme.LastNight {
		return nil
	}
	return &d.programme.Nights[n-d.programme.Enrolment.FirstNight]
}

// open reports whether a night is tonight or still to come, with nothing recorded.
func (d day) open(n practice.Night) bool {
	night := d.night(n)
	return night != nil && (night.State == practice.Open || night.State == practice.Upcoming)
}

// wasOpenAt reports whether nothing was known of a night at its reminder time, so that tonight's reminder was due then.
func (d day) wasOpenAt(n practice.Night, at time.Time) bool {
	night := d.night(n)
	return night != nil && (night.Known.IsZero() || night.Known.After(at))
}

// tellsOf reports whether a night closed after the enrolment was written.
func (d day) tellsOf(n practice.Night) bool {
	e := d.programme.Enrolment
	return e.Closes(n).After(e.Written)
}

// told counts, of a run of nights before n, those that closed after the enrolment was written.
func (d day) told(n practice.Night, run int) int {
	told := 0
	for told < run && d.tellsOf(n-practice.Night(told)-1) {
		told++
	}
	return told
}

// runBefore counts the nights in a row before n that are without practice, or will be if nothing more is heard.
func (d day) runBefore(n practice.Night) int {
	run := 0
	for before := n - 1; ; before-- {
		night := d.night(before)
		if night == nil {
			return run
		}
		switch night.State {
		case practice.Missed, practice.Unheard, practice.Open, practice.Upcoming:
			run++
		case practice.Complete, practice.Partial, practice.Attempted, practice.Excused:
			return run
		}
	}
}

// Evening is when a night's practice is to be reminded of.
type Evening struct {
	ID    uuid.UUID // the same for one learner and night
	Night practice.Night
	At    time.Time
	Set   time.Time // when that was decided: with the enrolment, or when its reminder time was moved last
	Moves int       // grows whenever the reminder time is moved
}

// Evenings returns the evenings of a learner's current programme and those to come, for a calendar: every planned night that is
// not excused. A hold, a pause, an end and withdrawn consent leave none. Whether there was practice makes no difference.
func Evenings(v *practice.View) []Evening {
	if len(v.Hold) > 0 || v.ConsentWithdrawn {
		return nil
	}
	var all []Evening
	coming := v.FromCurrent()
	for i := range coming {
		p := &coming[i]
		e := p.Enrolment
		if e.Paused || e.Ended {
			continue
		}
		d := day{programme: p, learner: v.Learner}
		set, moves := e.Written, 0
		if e.ReminderSet.After(set) {
			set, moves = e.ReminderSet, int(e.ReminderSet.Sub(e.Written)/time.Second)
		}
		for n := e.FirstNight; n <= p.LastNight; n++ {
			if d.night(n).State != practice.Excused {
				all = append(all, Evening{ID: d.id("evening", n), Night: n, At: d.at(n), Set: set, Moves: moves})
			}
		}
	}
	return all
}

// namespace sets reminder ids apart from other name-based ids.
var namespace = uuid.MustParse("6f1f3f0e-54b1-5d0c-9a55-6a0b8e6d3a11")

func (d day) id(kind Kind, n practice.Night) uuid.UUID {
	name := append(d.learner.UUID[:len(d.learner.UUID):len(d.learner.UUID)], n.String()...)
	return uuid.NewSHA1(namespace, append(name, kind...))
}
