package client

import "time"

// Kinds of entry.
const (
	KindSession   = "session"
	KindTry       = "try"
	KindExcuse    = "excuse"
	KindIncident  = "incident"
	KindRetract   = "retract"
	KindLink      = "link"
	KindSettle    = "settle"
	KindClear     = "clear"     // clinicians only
	KindChoose    = "choose"    // clinicians only
	KindPositions = "positions" // clinicians only
	KindReview    = "review"    // clinicians only
)

// Body is what an entry says; its kind decides its form.
type Body interface {
	Kind() string
}

// SessionBody says when and where a sitting took place.
type SessionBody struct {
	PractisedAt time.Time `json:"practised_at"` // local time; its offset decides the night
	Timezone    string    `json:"timezone"`     // IANA name of the zone at the place of practice
	Setting     string    `json:"setting"`      // home or clinic
	Note        string    `json:"note,omitempty"`
	NoteShared  bool      `json:"note_shared,omitempty"`
	Witness     string    `json:"witness,omitempty"` // clinicians only: the caregiver who filled in the sheet
}

// TryBody is one attempt to swallow in one position.
type TryBody struct {
	Session  string   `json:"session"`  // the subject of its session
	Position string   `json:"position"` // centre, right, left, up, down
	Number   int      `json:"number"`   // k of "k-th try of this position in this session", from 1
	Medium   string   `json:"medium"`   // water, sweet, placebo, medicine
	SizeMM   float64  `json:"size_mm,omitempty"`
	Outcome  string   `json:"outcome"`        // swallowed, not_swallowed, refused
	Ease     int      `json:"ease,omitempty"` // 1 (very hard) to 5 (very easy); 0, absent, on a refusal
	Snags    []string `json:"snags,omitempty"`
	Note     string   `json:"note,omitempty"`
}

// ExcuseBody says which night is excused and why.
type ExcuseBody struct {
	Night  string `json:"night"`  // YYYY-MM-DD
	Reason string `json:"reason"` // ill, travel, clinic_advice, other
}

// IncidentBody says what went wrong.
type IncidentBody struct {
	Session *string `json:"session"` // the subject of the session; nil outside of one
	What    string  `json:"what"`    // choking, coughing_fit, vomited, pain, other
	Note    string  `json:"note,omitempty"`
}

// RetractBody says why something is withdrawn.
type RetractBody struct {
	Reason string `json:"reason"`
}

// LinkBody says of two sessions whether they are one sitting.
type LinkBody struct {
	Sessions [2]string `json:"sessions"` // subjects
	Same     bool      `json:"same"`
}

// SettleBody says what stands of a try on which readings disagree.
type SettleBody struct {
	Judged  []string `json:"judged"` // the ids of exactly that try's heads
	Outcome string   `json:"outcome"`
	Ease    int      `json:"ease,omitempty"`
	Reason  string   `json:"reason"`
}

// ClearBody lifts exactly the incidents it names.
type ClearBody struct {
	Incidents []string `json:"incidents"` // ids of the entries that report them
	Note      string   `json:"note"`
}

// ChooseBody names the position to be judged.
type ChooseBody struct {
	Position string `json:"position"`
}

// PositionsBody switches positions off from a night; those not named are on.
type PositionsBody struct {
	Off  []string `json:"off"`
	From string   `json:"from"` // YYYY-MM-DD
}

// ReviewBody decides about an entry that was set aside.
type ReviewBody struct {
	Entry string `json:"entry"`
	Take  bool   `json:"take"`
}

// Kind is KindSession.
func (SessionBody) Kind() string { return KindSession }

// Kind is KindTry.
func (TryBody) Kind() string { return KindTry }

// Kind is KindExcuse.
func (ExcuseBody) Kind() string { return KindExcuse }

// Kind is KindIncident.
func (IncidentBody) Kind() string { return KindIncident }

// Kind is KindRetract.
func (RetractBody) Kind() string { return KindRetract }

// Kind is KindLink.
func (LinkBody) Kind() string { return KindLink }

// Kind is KindSettle.
func (SettleBody) Kind() string { return KindSettle }

// Kind is KindClear.
func (ClearBody) Kind() string { return KindClear }

// Kind is KindChoose.
func (ChooseBody) Kind() string { return KindChoose }

// Kind is KindPositions.
func (PositionsBody) Kind() string { return KindPositions }

// Kind is KindReview.
func (ReviewBody) Kind() string { return KindReview }
