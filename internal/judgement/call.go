package judgement

import (
	"fmt"

	"swallowtail/internal/practice"
)

// Call is how soon a family needs a call, and why.
type Call struct {
	Urgency int      // the higher, the sooner; 0 is not at all
	Reasons []string // sentences, the weightiest first
}

// Weights of what makes a call needed, each greater than all that follow it together (a placeholder for a clinician's
// decision).
const (
	urgentHold         = 100_000
	urgentRun          = 10_000
	urgentReady        = 2_000
	urgentConsent      = 900
	urgentDisagreement = 400
	urgentReview       = 200
	urgentNight        = 1
	mostUrgentNights   = 199
)

// CallOf says how soon a call is needed: for a hold first, then a run of nights without practice, then for a learner who
// may be ready, disagreements, entries that wait for a review, and single nights without practice. A programme that has
// ended or is paused asks for no call unless it is on hold. The verdict is the weighing's, empty where there is none yet.
func CallOf(v *practice.View, p *practice.Programme, j *Judgement, verdict Verdict) Call {
	var c Call
	if n := len(v.Hold); n > 0 {
		c.add(urgentHold, fmt.Sprintf("On hold: %s that no clinician has cleared.", plural(n, "incident")))
	}
	if p == nil || !running(p) {
		return c
	}
	run := RunWithoutPractice(p)
	if run >= p.Enrolment.Plan.FollowUpRun {
		c.add(urgentRun, runInWords(p, run))
	}
	if verdict == ReadyForReview {
		c.add(urgentReady, "Every criterion is met: ready for a clinician's review.")
	}
	if v.ConsentWithdrawn {
		c.add(urgentConsent, "No caregiver's consent stands: nobody is reminded, and what comes in is set aside unread.")
	}
	if n := len(j.Disagreements); n > 0 {
		c.add(urgentDisagreement, fmt.Sprintf("The caregivers' accounts differ on %s.", plural(n, "try")))
	}
	if n := v.Quarantined + v.SetAside; n > 0 {
		c.add(urgentReview, fmt.Sprintf("%s for a review.", entriesWait(n)))
	}
	if n := p.Counts.Missed + p.Counts.Unheard; n > 0 {
		c.add(urgentNight*min(n, mostUrgentNights), fmt.Sprintf("%s without practice so far.", plural(n, "night")))
	}
	return c
}

func (c *Call) add(urgency int, reason string) {
	c.Urgency += urgency
	c.Reasons = append(c.Reasons, reason)
}

// runInWords says what is known of the nights in a row without practice: a silent phone is no missed night.
func runInWords(p *practice.Programme, run int) string {
	if p.Counts.Unheard > 0 {
		return fmt.Sprintf("Nothing heard of practice on the last %s, and a phone has not been heard from since.", plural(run, "night"))
	}
	return fmt.Sprintf("No practice on the last %s.", plural(run, "night"))
}

func entriesWait(entries int) string {
	if entries == 1 {
		return "1 entry waits"
	}
	return fmt.Sprintf("%d entries wait", entries)
}
