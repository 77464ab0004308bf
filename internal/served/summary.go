package served

import (
	"slices"
	"time"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
)

// The cautions that stand beside whatever a person could act on.
const (
	// ClinicCaution goes with what a clinician sees.
	ClinicCaution = "Decision support only: nothing here is clinically validated, and it never says to give medicine. " +
		"The numbers of a plan are placeholders for a clinician's decision. Local rules come first."
	// FamilyCaution goes with what a family sees.
	FamilyCaution = "An adult is there for every try, and the learner sits or stands upright. Hard sweets can choke: not for " +
		"children under four, nor for anyone with known swallowing trouble, unless your clinician says so. Mind sugar and " +
		"allergies. Stop on coughing, pain, vomiting or fear. Ask the pharmacist before changing how a medicine is taken. In " +
		"an emergency call your local emergency number. What your clinician tells you comes first."
	// HoldAdvice tells a family on hold what to do.
	HoldAdvice = "Practice is on hold: please stop, and call your clinic. Practice goes on only when a clinician says so. If " +
		"anyone has trouble breathing, or something feels stuck, call your local emergency number at once."
)

// Figures are the scored tries in one position.
type Figures struct {
	Tries     int      `json:"tries"`
	Swallowed int      `json:"swallowed"`
	Share     *float64 `json:"share,omitzero"`
	Ease      *float64 `json:"ease,omitzero"`
}

// ClinicFigures are the scored tries in one position, and how it stands among the others.
type ClinicFigures struct {
	Figures
	Interval *[2]float64 `json:"interval,omitzero"`
	// How the position stands, on the nights that rank it among others; absent where none does.
	RankedNights int      `json:"ranked_nights,omitzero"`
	MeanRank     *float64 `json:"mean_rank,omitzero"`
	Best         *float64 `json:"probability_best,omitzero"`
}

// Preference is how the positions compare.
type Preference struct {
	Says             string                              `json:"says"`
	Leader           practice.Position                   `json:"leader,omitzero"`
	Best             *float64                            `json:"probability_best,omitzero"`
	RunnerUp         practice.Position                   `json:"runner_up,omitzero"`
	MarginOverCentre *float64                            `json:"margin_over_centre,omitzero"`
	FirstWeek        practice.Position                   `json:"first_week,omitzero"`
	SecondWeek       practice.Position                   `json:"second_week,omitzero"`
	Test             *Test                               `json:"test,omitzero"`
	JudgedPosition   practice.Position                   `json:"judged_position,omitzero"`
	JudgedFrom       string                              `json:"judged_from,omitzero"`
	Positions        map[practice.Position]ClinicFigures `json:"positions"`
}

// Test is a statistical test.
type Test struct {
	Name       string  `json:"name"`
	Nights     int     `json:"nights"`
	Statistic  float64 `json:"statistic"`
	Freedom    int     `json:"df"`
	P          float64 `json:"p"`
	Exact      bool    `json:"exact"`
	Comparable bool    `json:"comparable"`
}

// Agreement is how far caregivers agree on the tries that several have rated.
type Agreement struct {
	Pairs     int      `json:"pairs"`
	Percent   *float64 `json:"percent,omitzero"`
	WithinOne *float64 `json:"within_one,omitzero"`
	Alpha     *float64 `json:"alpha,omitzero"`
}

// Trend is whether swallowing becomes easier over the nights.
type Trend struct {
	Nights int     `json:"nights"`
	S      int     `json:"s"`
	P      float64 `json:"p"`
	Exact  bool    `json:"exact"`
	Slope  float64 `json:"slope"`
}

// Progress is the trend in each position, and of all together.
type Progress struct {
	Positions map[practice.Position]Trend `json:"positions"`
	P         *float64                    `json:"p,omitzero"`
	Towards   string                      `json:"towards"`
}

// Criterion is one criterion of readiness.
type Criterion struct {
	ID     string   `json:"id"`
	Met    bool     `json:"met"`
	Wanted string   `json:"wanted"`
	Seen   string   `json:"seen"`
	Nights []string `json:"nights"`
	Why    string   `json:"why"`
}

// Readiness is decision support, criterion by criterion.
type Readiness struct {
	Verdict  judgement.Verdict `json:"verdict,omitzero"`
	Criteria []Criterion       `json:"criteria"`
}

// Disagreement is an open disagreement about one try.
type Disagreement struct {
	Night    string            `json:"night"`
	Sitting  int               `json:"sitting"`
	Position practice.Position `json:"position"`
	Number   int               `json:"number"`
	Readings []Reading         `json:"readings"`
	Past     []Settlement      `json:"past_settlements"`
}

// Advice is a piece of coaching.
type Advice struct {
	Snag   practice.Snag `json:"snag"`
	Nights []string      `json:"nights"`
	Text   string        `json:"text"`
}

// HoldIncident is an incident that holds a learner.
type HoldIncident struct {
	Entry    uuid.UUID              `json:"entry"`
	What     *practice.IncidentKind `json:"what"`
	Recorded *string                `json:"recorded_at"`
}

// Hold is why practice is on hold.
type Hold struct {
	Incidents []HoldIncident `json:"incidents"`
	Since     string         `json:"since"`
}

// Enrolment is the enrolment that a summary is about.
type Enrolment struct {
	ID         uuid.UUID           `json:"id"`
	FirstNight string              `json:"first_night"`
	Timezone   string              `json:"timezone"`
	ReminderAt string              `json:"reminder_time"`
	Status     string              `json:"status"`
	Positions  []practice.Position `json:"positions"`
	Target     jsontext.Value      `json:"target,omitzero"`
}

// ClinicSummary is a learner's programme, for the clinic.
type ClinicSummary struct {
	Learner       LearnerCard           `json:"learner"`
	AsOf          string                `json:"as_of"`
	Enrolment     *Enrolment            `json:"enrolment,omitzero"`
	Plan          *Plan                 `json:"plan,omitzero"`
	Nights        Counts                `json:"nights"`
	Streak        Streak                `json:"streak"`
	Preference    Preference            `json:"preference"`
	Readiness     Readiness             `json:"readiness"`
	Agreement     Agreement             `json:"agreement"`
	Progress      Progress              `json:"progress"`
	Disagreements []Disagreement        `json:"disagreements"`
	Hold          *Hold                 `json:"hold"`
	Flags         []judgement.Flag      `json:"flags"`
	Snags         map[practice.Snag]int `json:"snags"`
	Advice        []Advice              `json:"advice"`
	LastHeard     *string               `json:"last_heard_at"`
	Caution       string                `json:"caution"`
}

// FamilyHold tells a family what to do while practice is on hold.
type FamilyHold struct {
	WhatToDo string `json:"what_to_do"`
}

// FamilySummary is a learner's programme, for the family: nothing of readiness, target, agreement or flags.
type FamilySummary struct {
	Learner       LearnerCard                   `json:"learner"`
	Nights        Counts                        `json:"nights"`
	Streak        Streak                        `json:"streak"`
	Positions     map[practice.Position]Figures `json:"positions"`
	Disagreements []Disagreement                `json:"disagreements"`
	Snags         map[practice.Snag]int         `json:"snags"`
	Advice        []Advice                      `json:"advice"`
	Hold          *FamilyHold                   `json:"hold,omitzero"`
	Caution       string                        `json:"caution"`
}

// NarrowSummary is what is left of it once the caregiver who asks has withdrawn consent: what safety needs.
type NarrowSummary struct {
	Learner   LearnerCard `json:"learner"`
	Withdrawn bool        `json:"consent_withdrawn"`
	Hold      *FamilyHold `json:"hold,omitzero"`
	Caution   string      `json:"caution"`
}

// RosterLine is a learner in a clinic's roster.
type RosterLine struct {
	Learner       LearnerCard       `json:"learner"`
	Household     uuid.UUID         `json:"household_id"`
	Enrolment     *uuid.UUID        `json:"enrolment_id,omitzero"`
	Status        string            `json:"enrolment_status,omitzero"`
	Nights        Counts            `json:"nights"`
	Streak        Streak            `json:"streak"`
	Leader        practice.Position `json:"leader,omitzero"`
	Verdict       judgement.Verdict `json:"verdict,omitzero"`
	Reasons       []string          `json:"reasons"`
	Hold          bool              `json:"hold"`
	Disagreements int               `json:"open_disagreements"`
	Flags         []judgement.Flag  `json:"flags"`
	LastHeard     *string           `json:"last_heard_at"`
}

// Subject is what a summary is about: a learner, the view, and the programme of it that was asked for, nil for a learner
// without one.
type Subject struct {
	Card      LearnerCard
	View      *practice.View
	Programme *practice.Programme
	LastHeard time.Time
}

// ClinicSummaryOf returns the summary for the clinic.
func ClinicSummaryOf(s Subject, j *judgement.Judgement, w *judgement.Weighing) ClinicSummary {
	doc := ClinicSummary{
		Learner: s.Card, AsOf: Instant(s.View.At),
		Preference: preferenceOf(j, &w.Preference),
		Readiness:  Readiness{Verdict: w.Verdict, Criteria: criteriaOf(w.Criteria)},
		Agreement:  agreementOf(w.Agreement), Progress: progressOf(&w.Progress),
		Disagreements: disagreementsOf(j), Hold: holdOf(s.View), Flags: j.Flags, Snags: snagsOf(j), Advice: adviceOf(j),
		LastHeard: InstantOrNull(s.LastHeard), Caution: ClinicCaution,
	}
	doc.Nights, doc.Streak = countsOf(s.Programme)
	if chosen := w.Success.Choice; chosen != nil {
		doc.Preference.JudgedPosition, doc.Preference.JudgedFrom = chosen.Position, chosen.From.String()
		if chosen.Changed {
			doc.Flags = append(slices.Clone(doc.Flags), judgement.FlagChoiceChanged)
		}
	}
	return doc
}

// FamilySummaryOf returns the summary for the family.
func FamilySummaryOf(s Subject, j *judgement.Judgement) FamilySummary {
	doc := FamilySummary{
		Learner: s.Card, Positions: figuresOf(j), Disagreements: disagreementsOf(j), Snags: snagsOf(j),
		Advice: adviceOf(j), Caution: FamilyCaution,
	}
	doc.Nights, doc.Streak = countsOf(s.Programme)
	doc.Hold = familyHoldOf(s)
	return doc
}

func familyHoldOf(s Subject) *FamilyHold {
	if len(s.View.Hold) == 0 {
		return nil
	}
	return &FamilyHold{WhatToDo: HoldAdvice}
}

// NarrowSummaryOf returns the summary for a caregiver who has withdrawn consent.
func NarrowSummaryOf(s Subject) NarrowSummary {
	return NarrowSummary{Learner: s.Card, Withdrawn: true, Hold: familyHoldOf(s), Caution: FamilyCaution}
}

// RosterLineOf returns the learner's line in the roster, without the status of the enrolment, why a call is needed and what a
// weighing tells.
func RosterLineOf(s Subject, household uuid.UUID, j *judgement.Judgement) RosterLine {
	doc := RosterLine{
		Learner: s.Card, Household: household, Verdict: j.Verdict, Hold: len(s.View.Hold) > 0,
		Disagreements: len(j.Disagreements), Flags: j.Flags, LastHeard: InstantOrNull(s.LastHeard),
	}
	doc.Nights, doc.Streak = countsOf(s.Programme)
	if s.Programme != nil {
		id := s.Programme.Enrolment.ID.UUID
		doc.Enrolment = &id
	}
	return doc
}

func countsOf(p *practice.Programme) (Counts, Streak) {
	if p == nil {
		return Counts{}, Streak{}
	}
	return Counts(p.Counts), Streak(p.Streak)
}

func figuresOf(j *judgement.Judgement) map[practice.Position]Figures {
	docs := map[practice.Position]Figures{}
	for _, f := range j.Positions {
		doc := Figures{Tries: f.Tries, Swallowed: f.Swallowed}
		if share, ok := f.Share(); ok {
			doc.Share = &share
		}
		if ease, ok := f.Ease(); ok {
			doc.Ease = &ease
		}
		docs[f.Position] = doc
	}
	return docs
}

func criteriaOf(criteria []judgement.Criterion) []Criterion {
	docs := make([]Criterion, len(criteria))
	for i, c := range criteria {
		docs[i] = Criterion{ID: c.ID, Met: c.Met, Wanted: c.Wanted, Seen: c.Seen, Nights: dates(c.Nights), Why: c.Why}
	}
	return docs
}

func disagreementsOf(j *judgement.Judgement) []Disagreement {
	docs := make([]Disagreement, len(j.Disagreements))
	for i, d := range j.Disagreements {
		docs[i] = Disagreement{
			Night: d.Night.String(), Sitting: d.Sitting, Position: d.Try.Position, Number: d.Try.Number,
			Readings: readingsOf(d.Try), Past: pastOf(d.Try),
		}
	}
	return docs
}

func snagsOf(j *judgement.Judgement) map[practice.Snag]int {
	docs := map[practice.Snag]int{}
	for _, s := range j.Snags {
		docs[s.Snag] = s.Tries
	}
	return docs
}

func adviceOf(j *judgement.Judgement) []Advice {
	docs := make([]Advice, len(j.Advice))
	for i, a := range j.Advice {
		docs[i] = Advice{Snag: a.Snag, Nights: dates(a.Nights), Text: a.Text}
	}
	return docs
}

func holdOf(v *practice.View) *Hold {
	if len(v.Hold) == 0 {
		return nil
	}
	since := v.Hold[0].Received
	doc := &Hold{}
	for _, o := range v.Hold {
		incident := HoldIncident{Entry: o.Entry.UUID}
		if !o.Unread {
			what := o.What
			incident.What = &what
		}
		if !o.Recorded.IsZero() {
			recorded := o.Recorded.String()
			incident.Recorded = &recorded
		}
		doc.Incidents = append(doc.Incidents, incident)
		if o.Received.Before(since) {
			since = o.Received
		}
	}
	doc.Since = Instant(since)
	return doc
}

func dates(nights []practice.Night) []string {
	texts := make([]string, len(nights))
	for i, n := range nights {
		texts[i] = n.String()
	}
	return texts
}
