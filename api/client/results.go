package client

import (
	"encoding/json"
	"time"
)

// Night is what the entries of one night come to.
type Night struct {
	LearnerID   string           `json:"learner_id"`
	Night       string           `json:"night"`  // YYYY-MM-DD
	Status      string           `json:"status"` // complete, partial, attempted, excused, upcoming, open, unheard, missed
	Recalled    bool             `json:"recalled"`
	Marks       []string         `json:"marks"`
	Counted     bool             `json:"counted"`
	EnrolmentID string           `json:"enrolment_id"` // empty outside of an enrolment
	Positions   []string         `json:"positions"`
	Sittings    []Sitting        `json:"sittings"`
	Score       map[string]Score `json:"score"` // by position
	Excuses     []NightExcuse    `json:"excuses"`
	Incidents   []NightIncident  `json:"incidents"`
}

// Score is a night's score for one position. Ease is 0 on a refusal.
type Score struct {
	Outcome string `json:"outcome"`
	Ease    int    `json:"ease,omitempty"`
}

// NightExcuse is why a night is excused, and who says so.
type NightExcuse struct {
	Reason string `json:"reason"`
	Author Author `json:"author"`
}

// NightIncident is something that went wrong that night.
type NightIncident struct {
	Entry string `json:"entry"`
	What  string `json:"what"`
}

// Sitting is what one or several caregivers recorded of the same practice.
type Sitting struct {
	Number      int        `json:"number"`
	PractisedAt time.Time  `json:"practised_at"`
	Timezone    string     `json:"timezone"`
	Caregivers  []string   `json:"caregivers"`
	Marks       []string   `json:"marks"`
	Sessions    []string   `json:"sessions"` // by subject; what a link names
	Tries       []NightTry `json:"tries"`
}

// NightTry is one try with everybody's reading of it.
type NightTry struct {
	Position        string       `json:"position"`
	Number          int          `json:"number"`
	Medium          string       `json:"medium"`
	SizeMM          float64      `json:"size_mm,omitempty"`
	Outcome         string       `json:"outcome"`
	Ease            int          `json:"ease,omitempty"`
	Snags           []string     `json:"snags"`
	Agreement       string       `json:"agreement"`            // single, agreed, disagreed, settled
	EaseRange       []int        `json:"ease_range,omitempty"` // lowest and highest
	Readings        []Reading    `json:"readings"`
	Settlement      *Settlement  `json:"settlement,omitempty"`
	PastSettlements []Settlement `json:"past_settlements,omitempty"`
}

// Reading is one caregiver's account of a try.
type Reading struct {
	Entry     string   `json:"entry"`
	Caregiver string   `json:"caregiver"`
	Outcome   string   `json:"outcome"`
	Ease      int      `json:"ease,omitempty"`
	Medium    string   `json:"medium"`
	Snags     []string `json:"snags"`
	Copied    bool     `json:"copied"`
}

// Settlement is what somebody decided stands.
type Settlement struct {
	Entry   string `json:"entry"`
	Outcome string `json:"outcome"`
	Ease    int    `json:"ease,omitempty"`
	Reason  string `json:"reason"`
	By      Author `json:"by"`
}

// Nights are the nights of an enrolment, and beside them, uncounted, what was practised before it.
type Nights struct {
	Nights      []Night   `json:"nights"`
	Earlier     []Night   `json:"earlier"`
	EnrolmentID string    `json:"enrolment_id"`
	AsOf        time.Time `json:"as_of"`
}

// NightCounts are how many nights came to what.
type NightCounts struct {
	Planned   int `json:"planned"`
	Elapsed   int `json:"elapsed"`
	Practised int `json:"practised"`
	Complete  int `json:"complete"`
	Partial   int `json:"partial"`
	Excused   int `json:"excused"`
	Attempted int `json:"attempted"`
	Missed    int `json:"missed"`
	Unheard   int `json:"unheard"`
	Recalled  int `json:"recalled"`
}

// Streak counts runs of practised nights.
type Streak struct {
	Current int `json:"current"`
	Longest int `json:"longest"`
}

// PositionFigures are the scored tries of one position.
type PositionFigures struct {
	Tries     int      `json:"tries"`
	Swallowed int      `json:"swallowed"`
	Share     *float64 `json:"share,omitempty"`
	Ease      *float64 `json:"ease,omitempty"`
}

// Disagreement is a try on which readings differ and nothing is settled.
type Disagreement struct {
	Night           string       `json:"night"`
	Sitting         int          `json:"sitting"`
	Position        string       `json:"position"`
	Number          int          `json:"number"`
	Readings        []Reading    `json:"readings"`
	PastSettlements []Settlement `json:"past_settlements"`
}

// Criterion is one of readiness's criteria.
type Criterion struct {
	ID     string   `json:"id"`
	Met    *bool    `json:"met"` // nil: cannot be told yet
	Wanted string   `json:"wanted"`
	Seen   string   `json:"seen"`
	Nights []string `json:"nights"`
	Why    string   `json:"why"`
}

// Hold is why a learner is on hold. The family reads WhatToDo alone, the clinic the rest.
type Hold struct {
	Incidents []HoldIncident `json:"incidents,omitempty"`
	Since     *time.Time     `json:"since,omitempty"`
	WhatToDo  string         `json:"what_to_do,omitempty"`
}

// HoldIncident is an incident that has not been cleared.
type HoldIncident struct {
	Entry      string    `json:"entry"`
	What       string    `json:"what"`
	RecordedAt time.Time `json:"recorded_at"`
}

// Advice is a piece of coaching for a snag that recurs.
type Advice struct {
	Snag   string   `json:"snag"`
	Nights []string `json:"nights"`
	Text   string   `json:"text"`
}

// Preference is the clinic's view of the positions.
type Preference struct {
	Says           string                     `json:"says"`
	Leader         string                     `json:"leader"`      // empty: none yet
	FirstWeek      string                     `json:"first_week"`  // the leader of the first seven nights; empty as above
	SecondWeek     string                     `json:"second_week"` // and of the seven after them
	JudgedPosition string                     `json:"judged_position"`
	JudgedFrom     string                     `json:"judged_from"`
	Positions      map[string]PositionFigures `json:"positions"`
}

// Readiness is decision support for a clinician, never an instruction.
type Readiness struct {
	Verdict  string      `json:"verdict"` // empty: not judged
	Criteria []Criterion `json:"criteria"`
}

// Summary is the part of a learner's summary that is often looked at; Raw is all of it. A family's summary has no
// AsOf, Preference, Readiness, Flags and LastHeardAt, a clinic's no Positions of its own.
type Summary struct {
	Learner       Learner                    `json:"learner"`
	AsOf          time.Time                  `json:"as_of"`
	Nights        NightCounts                `json:"nights"`
	Streak        Streak                     `json:"streak"`
	Preference    Preference                 `json:"preference"`
	Readiness     Readiness                  `json:"readiness"`
	Positions     map[string]PositionFigures `json:"positions"`
	Disagreements []Disagreement             `json:"disagreements"`
	Hold          *Hold                      `json:"hold"`
	Flags         []string                   `json:"flags"`
	Snags         map[string]int             `json:"snags"`
	Advice        []Advice                   `json:"advice"`
	LastHeardAt   *time.Time                 `json:"last_heard_at"`
	Caution       string                     `json:"caution"`

	Raw json.RawMessage `json:"-"`
}

// RosterLine is one learner of the clinic.
type RosterLine struct {
	Learner           Learner     `json:"learner"`
	HouseholdID       string      `json:"household_id"`
	EnrolmentID       string      `json:"enrolment_id,omitempty"`
	EnrolmentStatus   string      `json:"enrolment_status,omitempty"`
	Nights            NightCounts `json:"nights"`
	Streak            Streak      `json:"streak"`
	Leader            string      `json:"leader,omitempty"`
	Verdict           string      `json:"verdict,omitempty"`
	Reasons           []string    `json:"reasons"` // for a call, in words
	Hold              bool        `json:"hold"`
	OpenDisagreements int         `json:"open_disagreements"`
	Flags             []string    `json:"flags"`
	LastHeardAt       *time.Time  `json:"last_heard_at"`
}

// Roster is a page of the clinic's learners; Cursor is empty on the last.
type Roster struct {
	Learners []RosterLine `json:"learners"`
	Cursor   string       `json:"cursor"`
	AsOf     time.Time    `json:"as_of"`
}
