package client

import "time"

type signIn struct {
	Email    string `json:"email"`
	Password string `json:"password"`
	OTP      string `json:"otp,omitempty"`
}

type created struct {
	ID string `json:"id"`
}

type newPlan struct {
	Name       string         `json:"name"`
	Parameters PlanParameters `json:"parameters"`
}

// SecondFactor is either a secret to scan, or word that it is confirmed.
type SecondFactor struct {
	Secret     string `json:"secret,omitempty"` // base32
	OTPAuthURI string `json:"otpauth_uri,omitempty"`
	Confirmed  bool   `json:"confirmed,omitempty"`
}

// DeviceEnrolment is an invite code, and who and what comes in with it.
type DeviceEnrolment struct {
	InviteCode string          `json:"invite_code"`
	Caregiver  DeviceCaregiver `json:"caregiver"`
	Device     DeviceKind      `json:"device"`
}

// DeviceCaregiver is whose device it is.
type DeviceCaregiver struct {
	ID   string `json:"id,omitempty"` // only when the invite was issued for this caregiver
	Name string `json:"name"`
}

// DeviceKind is what sort of device it is.
type DeviceKind struct {
	Name     string `json:"name"`
	Platform string `json:"platform"`
}

// EnrolledDevice is the device's place in the household and its first tokens.
type EnrolledDevice struct {
	DeviceID    string `json:"device_id"`
	CaregiverID string `json:"caregiver_id"`
	HouseholdID string `json:"household_id"`
	Pair
}

// Writer returns in whose name the device writes.
func (e EnrolledDevice) Writer() Writer {
	return Writer{Device: e.DeviceID, Caregiver: e.CaregiverID}
}

// ConsentText is what a caregiver consents to by redeeming an invite code.
type ConsentText struct {
	Version string `json:"version"`
	Text    string `json:"text"`
}

// PlanParameters are what a plan fixes. In a plan to be written, what is zero takes its default.
type PlanParameters struct {
	Nights                  int      `json:"nights,omitempty"`
	Positions               []string `json:"positions,omitempty"`
	NightTurnsAt            string   `json:"night_turns_at,omitempty"` // HH:MM
	SittingMinutes          int      `json:"sitting_minutes,omitempty"`
	SilentAfterDays         int      `json:"silent_after_days,omitempty"`
	RecalledAfterHours      int      `json:"recalled_after_hours,omitempty"`
	WrittenTogetherMinutes  int      `json:"written_together_minutes,omitempty"`
	FollowUpRun             int      `json:"follow_up_run,omitempty"`
	QuietFrom               string   `json:"quiet_from,omitempty"`  // HH:MM
	QuietUntil              string   `json:"quiet_until,omitempty"` // HH:MM
	PractisedNightsWanted   int      `json:"practised_nights_wanted,omitempty"`
	PreferenceHalfLife      float64  `json:"preference_half_life_nights,omitempty"`
	LeaderProbability       float64  `json:"leader_probability,omitempty"`
	LeaderNights            int      `json:"leader_nights,omitempty"`
	SuccessTries            int      `json:"success_tries,omitempty"`
	SuccessLookEvery        int      `json:"success_look_every,omitempty"`
	SuccessRate             float64  `json:"success_rate,omitempty"`
	SuccessProbability      float64  `json:"success_probability,omitempty"`
	TooFewProbability       float64  `json:"too_few_probability,omitempty"`
	AdviceNights            int      `json:"advice_nights,omitempty"`
	SameAnswerNights        int      `json:"same_answer_nights,omitempty"`
	SequenceNights          int      `json:"sequence_nights,omitempty"`
	SequenceBelowYears      int      `json:"sequence_below_years,omitempty"`
	ExtraScreeningQuestions []string `json:"extra_screening_questions,omitempty"`
}

// Plan is one version of a plan.
type Plan struct {
	ID         string         `json:"id"`
	Name       string         `json:"name"`
	Version    int            `json:"version"`
	Builtin    bool           `json:"builtin"`
	Parameters PlanParameters `json:"parameters"`
}

// PlanPage is a page of plans; Cursor is empty on the last.
type PlanPage struct {
	Plans  []Plan `json:"plans"`
	Cursor string `json:"cursor"`
}

// Household is a household with its people and devices.
type Household struct {
	ID         string      `json:"id"`
	Label      string      `json:"label"`
	Learners   []Learner   `json:"learners"`
	Caregivers []Caregiver `json:"caregivers"`
}

// Learner is a learner in brief.
type Learner struct {
	ID       string `json:"id"`
	Nickname string `json:"nickname"`
	AgeBand  string `json:"age_band"` // empty when the birth month is not known
}

// Caregiver is a caregiver; Devices are shown to the clinic only.
type Caregiver struct {
	ID      string            `json:"id"`
	Name    string            `json:"name"`
	Devices []HouseholdDevice `json:"devices,omitempty"`
}

// HouseholdDevice is a device as the clinic sees it.
type HouseholdDevice struct {
	ID          string     `json:"id"`
	Name        string     `json:"name"`
	Platform    string     `json:"platform"`
	EnrolledAt  time.Time  `json:"enrolled_at"`
	LastHeardAt *time.Time `json:"last_heard_at"`
	RevokedAt   *time.Time `json:"revoked_at"`
}

// Invite is a code that lets one device in.
type Invite struct {
	InviteCode string    `json:"invite_code"`
	ExpiresAt  time.Time `json:"expires_at"`
}

// Screening is the answers to every question and the decision on them.
type Screening struct {
	Answers  map[string]bool `json:"answers"`        // true speaks against practising
	Decision string          `json:"decision"`       // go or no_go
	Note     string          `json:"note,omitempty"` // needed for a go beside a true
}

// ScreeningQuestions are the questions that every screening answers; a plan can add to them.
func ScreeningQuestions() []string {
	return []string{
		"swallowing_trouble", "aspiration_history", "recent_mouth_throat_or_neck_surgery", "sore_mouth",
		"nausea_or_vomiting", "breathing_trouble", "reduced_alertness", "under_minimum_age",
		"allergy_to_ingredients", "sugar_restricted",
	}
}

// Target is the medicine aimed at: by capsule size code, or by its dimensions.
type Target struct {
	CapsuleSize string  `json:"capsule_size,omitempty"` // text: 00 is not 0
	LengthMM    float64 `json:"length_mm,omitempty"`
	WidthMM     float64 `json:"width_mm,omitempty"`
}

// NewEnrolment is what puts a learner on a plan.
type NewEnrolment struct {
	PlanID       string   `json:"plan_id,omitempty"` // empty is the built-in plan
	FirstNight   string   `json:"first_night"`       // YYYY-MM-DD; may be past
	Timezone     string   `json:"timezone"`          // IANA name of the zone at home
	ReminderTime string   `json:"reminder_time"`     // HH:MM
	Positions    []string `json:"positions,omitempty"`
	Target       *Target  `json:"target,omitempty"`
}

// Enrolment is a learner on a plan.
type Enrolment struct {
	ID           string   `json:"id"`
	LearnerID    string   `json:"learner_id"` // empty in OwnHousehold, where it stands inside the learner
	Plan         Plan     `json:"plan"`
	FirstNight   string   `json:"first_night"`
	Timezone     string   `json:"timezone"`
	ReminderTime string   `json:"reminder_time"`
	Positions    []string `json:"positions"`
	Target       *Target  `json:"target"` // never shown to a device
	Status       string   `json:"status"`
	EndedOn      string   `json:"ended_on"` // empty until it ends
}

// OwnHousehold is the device's own household.
type OwnHousehold struct {
	Household struct {
		ID    string `json:"id"`
		Label string `json:"label"`
	} `json:"household"`
	Learners   []OwnLearner `json:"learners"`
	Caregivers []Caregiver  `json:"caregivers"`
	You        struct {
		CaregiverID string `json:"caregiver_id"`
		DeviceID    string `json:"device_id"`
	} `json:"you"`
}

// OwnLearner is a learner of the device's household with the enrolments.
type OwnLearner struct {
	Learner
	Enrolments []Enrolment `json:"enrolments"`
}

// EntryPage is a page of original entries, each with its effect; Cursor is empty on the last.
type EntryPage struct {
	Entries []Change `json:"entries"`
	Cursor  string   `json:"cursor"`
}

// AddedEntries is what became of a clinician's entries, and the nights they changed.
type AddedEntries struct {
	Results []Result `json:"results"`
	Nights  []Night  `json:"nights"`
}

// Reminder is one that is due.
type Reminder struct {
	ID          string    `json:"id"`
	Kind        string    `json:"kind"` // tonight, missed, follow_up
	LearnerID   string    `json:"learner_id"`
	HouseholdID string    `json:"household_id"`
	Night       string    `json:"night"`
	DueAt       time.Time `json:"due_at"`
	LapsesAt    time.Time `json:"lapses_at"` // from when it is due no more
	// ClaimedUntil is until when it can't be claimed; nil where it can, and where it will not be handed out any more.
	ClaimedUntil *time.Time `json:"claimed_until"`
	Run          int        `json:"run"` // closed nights in a row without practice
	LastHeardAt  *time.Time `json:"last_heard_at"`
}

// OverduePage is a page of due reminders by DueAt, then id; Cursor is empty on the last.
type OverduePage struct {
	Overdue []Reminder `json:"overdue"`
	Cursor  string     `json:"cursor"`
}
