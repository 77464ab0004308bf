package judgement

import (
	"time"

	"swallowtail/internal/practice"
)

// Flag names something that a clinician should look at.
type Flag string

// The flags. Those that name a mark say that a night of the programme bears it.
const (
	FlagOnHold           Flag = "on_hold"
	FlagFollowUp         Flag = "follow_up" // as many nights in a row without practice as the plan names
	FlagOpenDisagreement Flag = "open_disagreement"
	FlagUnheard          Flag = "unheard" // a device has not been heard from since a night closed
	FlagQuarantined      Flag = "quarantined_entries"
	FlagSetAside         Flag = "set_aside_entries" // handed in by a revoked device or without consent, and no review has dealt with them
	// FlagConsentWithdrawn says that nobody's consent stands: reminders have stopped, and what comes in is set aside unread.
	FlagConsentWithdrawn Flag = "consent_withdrawn"
	FlagMedicineTried    Flag = "medicine_tried" // a try on the medicine itself is on record
	FlagChoiceChanged    Flag = "choice_changed" // later entries would have chosen another position to be judged in; see Choice
	FlagSameAnswer       Flag = "same_answer"    // the last nights have one and the same answer throughout, all swallowed
	FlagInSequence       Flag = "in_sequence"    // a young learner's answers run through the scale in the order of the positions
)

func flags(v *practice.View, p *practice.Programme, born time.Time, j *Judgement) []Flag {
	var all []Flag
	add := func(condition bool, flag Flag) {
		if condition {
			all = append(all, flag)
		}
	}
	add(len(v.Hold) > 0, FlagOnHold)
	add(running(p) && RunWithoutPractice(p) >= p.Enrolment.Plan.FollowUpRun, FlagFollowUp)
	add(len(j.Disagreements) > 0, FlagOpenDisagreement)
	add(!p.Enrolment.Ended && p.Counts.Unheard > 0, FlagUnheard)
	add(v.Quarantined > 0, FlagQuarantined)
	add(v.SetAside > 0, FlagSetAside)
	add(v.ConsentWithdrawn, FlagConsentWithdrawn)
	add(medicineTried(p), FlagMedicineTried)
	add(sameAnswer(p), FlagSameAnswer)
	add(inSequence(p, born), FlagInSequence)
	for _, mark := range []practice.Mark{
		practice.MarkRecalled, practice.MarkWrittenTogether, practice.MarkClockSuspect, practice.MarkOffsetUnknown,
		practice.MarkCopied, practice.MarkTwice, practice.MarkSeveralHeads, practice.MarkRetractionUnseen,
	} {
		add(bears(p, mark), Flag(mark))
	}
	return all
}

// bears reports whether any night bears a mark.
func bears(p *practice.Programme, mark practice.Mark) bool {
	for i := range p.Nights {
		if p.Nights[i].Has(mark) {
			return true
		}
	}
	return false
}

// running reports whether anything is asked of the family.
func running(p *practice.Programme) bool { return !p.Enrolment.Paused && !p.Enrolment.Ended }

func medicineTried(p *practice.Programme) bool {
	for i := range p.Nights {
		for j := range p.Nights[i].Sittings {
			for k := range p.Nights[i].Sittings[j].Tries {
				if p.Nights[i].Sittings[j].Tries[k].Medium == practice.Medicine {
					return true
				}
			}
		}
	}
	return false
}

// RunWithoutPractice counts the closed nights in a row, up to the last closed one, that are missed or unheard.
func RunWithoutPractice(p *practice.Programme) int {
	run := 0
	for i := range p.Nights {
		switch p.Nights[i].State {
		case practice.Missed, practice.Unheard:
			run++
		case practice.Complete, practice.Partial, practice.Attempted, practice.Excused:
			run = 0
		case practice.Open, practice.Upcoming:
			return run // what comes after has not closed, though it may be excused already
		}
	}
	return run
}
