package practice

import (
	"cmp"
	"slices"
	"time"
)

// Plan holds the parameters of a programme. All numbers are common practice or placeholders for a clinician's decision;
// none is clinically validated.
type Plan struct {
	Nights                int           // planned evenings, from 1
	Positions             []Position    // in use unless switched off
	TurnsAt               TimeOfDay     // when the day turns
	SittingWindow         time.Duration // how far apart two caregivers' sessions may start and be one sitting
	SilentAfter           time.Duration // a device silent for this long is no longer waited for
	RecalledAfter         time.Duration // recorded this long after its night closed, an entry is recalled
	WrittenTogetherWithin time.Duration // two nights written within this time of each other are marked
	FollowUpRun           int           // nights in a row without practice at which the clinic is told
	QuietFrom, QuietUntil TimeOfDay     // no reminder between
	PractisedWanted       int           // practised nights wanted before readiness is considered
	Preference            PreferenceRule
	Success               SuccessRule
	AdviceNights          int // on how many nights a snag must occur for its advice to be shown
	Answers               AnswerRule
}

// PreferenceRule says when a position leads.
type PreferenceRule struct {
	HalfLife float64 // nights over which a night loses half of its weight
	Leads    float64 // the probability of being best from which a position leads
	Nights   int     // how many nights must rank positions before any of them can lead
}

// AnswerRule says which answers look as if they were not about the tries.
type AnswerRule struct {
	SameNights         int // on how many nights, the last ones, one and the same answer is given throughout
	SequenceNights     int // on how many nights the answers run through the scale in the order of the positions
	SequenceBelowYears int // the age from which such a run is nothing to look at
}

// SuccessRule says when recent tries in one position, chosen beforehand, succeed often enough.
type SuccessRule struct {
	Tries  int     // how many scored tries a look takes in: the last so many
	Every  int     // a look is taken when there are Tries of them, and after every so many further ones
	Rate   float64 // the rate of success that is to be exceeded, 0 to 1
	Enough float64 // met where the rate is exceeded with at least this probability
	TooFew float64 // not met where it is exceeded with less than this; between the two nobody can tell yet
}

// DefaultPlan is the plan built in: fourteen evenings, five positions (common practice).
func DefaultPlan() Plan {
	return Plan{
		Nights:                14,
		Positions:             Positions(),
		TurnsAt:               4 * 60,
		SittingWindow:         60 * time.Minute,
		SilentAfter:           7 * 24 * time.Hour,
		RecalledAfter:         24 * time.Hour,
		WrittenTogetherWithin: 10 * time.Minute,
		FollowUpRun:           3,
		QuietFrom:             21 * 60,
		QuietUntil:            8 * 60,
		PractisedWanted:       12,
		Preference:            PreferenceRule{HalfLife: 4, Leads: 0.6, Nights: 4},
		Success:               SuccessRule{Tries: 10, Every: 4, Rate: 0.7, Enough: 0.8, TooFew: 0.5},
		AdviceNights:          2,
		Answers:               AnswerRule{SameNights: 3, SequenceNights: 2, SequenceBelowYears: 6},
	}
}

// Enrolment is a learner on a plan, from a first night.
type Enrolment struct {
	ID         EnrolmentID
	Learner    LearnerID
	Plan       Plan
	FirstNight Night
	Zone       *time.Location // home, for reminders and for closing nights
	Positions  []Position     // in use at the start
	ReminderAt TimeOfDay
	Written    time.Time // when it was made
	// ReminderSet is when ReminderAt was moved last; zero where it never was.
	ReminderSet time.Time
	Paused      bool  // no reminders
	Ended       bool  // no reminders, and no nights after EndedOn
	EndedOn     Night // the last night, where Ended
}

// planned returns the last planned night.
func (e *Enrolment) planned() Night { return e.FirstNight + Night(e.Plan.Nights) - 1 } //nolint:gosec // plans are short

// Closes returns the instant at which a night closes at the learner's home.
func (e *Enrolment) Closes(n Night) time.Time { return n.Closes(e.Plan.TurnsAt, e.Zone) }

// Tonight returns the night that runs at home at an instant.
func (e *Enrolment) Tonight(at time.Time) Night { return NightAt(at, e.Plan.TurnsAt, e.Zone) }

// Contact is when a device was last heard from. A device is heard from when it completes a sync call; enrolling it is not
// yet hearing from it.
type Contact struct {
	Device   DeviceID
	Owner    PersonID
	Enrolled time.Time
	Heard    time.Time // zero where never
	Revoked  bool
	// Withdrawn marks a device whose owner has withdrawn consent. It is waited for no longer.
	Withdrawn bool
}

// active reports whether anything is still to come from a device.
func (c Contact) active() bool { return !c.Revoked && !c.Withdrawn }

// lastNight is later than any night that can be written down.
const lastNight = Night(1<<31 - 1)

// span is the nights that belong to an enrolment, both ends included.
type span struct {
	enrolment   *Enrolment
	first, last Night
}

func (s span) holds(n Night) bool { return s.first <= n && n <= s.last }

func (s span) empty() bool { return s.last < s.first }

// spansOf returns the spans of a learner's enrolments in the order in which they were written. A learner has one running
// enrolment: a new one ends every former one on the eve of its first night. Evenings after the last planned one belong to
// the enrolment too.
func spansOf(enrolments []Enrolment) []span {
	spans := make([]span, len(enrolments))
	for i := range enrolments {
		e := &enrolments[i]
		spans[i] = span{enrolment: e, first: e.FirstNight, last: lastNight}
		if e.Ended {
			spans[i].last = e.EndedOn
		}
	}
	slices.SortFunc(spans, func(a, b span) int {
		return cmp.Or(a.enrolment.Written.Compare(b.enrolment.Written),
			compareIDs(a.enrolment.ID.UUID, b.enrolment.ID.UUID))
	})
	for i := range spans {
		for _, later := range spans[i+1:] {
			spans[i].last = min(spans[i].last, later.first-1)
		}
	}
	return spans
}

// currentSpan returns the span begun last at an instant, else the first to come; nil where there is none.
func currentSpan(spans []span, at time.Time) *span {
	var begun, coming *span
	for i := range spans {
		s := &spans[i]
		switch {
		case s.empty():
		case s.first <= s.enrolment.Tonight(at):
			if begun == nil || begun.first < s.first {
				begun = s
			}
		case coming == nil || s.first < coming.first:
			coming = s
		}
	}
	if begun != nil {
		return begun
	}
	return coming
}

// spanOf returns the span that holds a night, nil where none does.
func spanOf(spans []span, n Night) *span {
	for i := range spans {
		if spans[i].holds(n) {
			return &spans[i]
		}
	}
	return nil
}
