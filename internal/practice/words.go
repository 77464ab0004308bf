package practice

import "slices"

// Position is where the head points during a try, from the learner's own side.
type Position string

// The five head positions.
const (
	Centre Position = "centre"
	Right  Position = "right"
	Left   Position = "left"
	Up     Position = "up"
	Down   Position = "down"
)

// Positions lists every position in the order in which an evening goes through them.
func Positions() []Position { return []Position{Centre, Right, Left, Up, Down} }

// Valid reports whether p is one of the five.
func (p Position) Valid() bool { return slices.Contains(Positions(), p) }

// rank orders positions as [Positions] lists them; anything else comes last.
func (p Position) rank() int {
	switch p {
	case Centre:
		return 0
	case Right:
		return 1
	case Left:
		return 2
	case Up:
		return 3
	case Down:
		return 4
	}
	return 5
}

// Outcome is what became of a try.
type Outcome string

// The outcomes. A refusal is recorded and numbered, but counts as no try.
const (
	Swallowed    Outcome = "swallowed"
	NotSwallowed Outcome = "not_swallowed"
	Refused      Outcome = "refused"
)

// Outcomes lists every outcome from the most to the least cautious.
func Outcomes() []Outcome { return []Outcome{NotSwallowed, Refused, Swallowed} }

// Valid reports whether o is a known outcome.
func (o Outcome) Valid() bool { return slices.Contains(Outcomes(), o) }

// caution ranks outcomes: the lower, the more cautious.
func (o Outcome) caution() int {
	switch o {
	case NotSwallowed:
		return 0
	case Refused:
		return 1
	case Swallowed:
		return 2
	}
	return -1
}

// Ease is how easy a try was, from 1 (very hard) to 5 (very easy); NoEase on a refusal.
type Ease int8

// The bounds of an ease, and its absence.
const (
	NoEase   Ease = 0
	VeryHard Ease = 1
	VeryEasy Ease = 5
)

// disagreeingEase is the difference in ease from which two readings disagree.
const disagreeingEase = 2

// Medium is what was swallowed.
type Medium string

// The media. Home practice uses sweets, and only a try on a sweet is scored.
const (
	Water    Medium = "water"
	Sweet    Medium = "sweet"
	Placebo  Medium = "placebo"
	Medicine Medium = "medicine"
)

// Media lists every medium in the order in which a learner meets them.
func Media() []Medium { return []Medium{Water, Sweet, Placebo, Medicine} }

// Valid reports whether m is a known medium.
func (m Medium) Valid() bool { return slices.Contains(Media(), m) }

// Snag is what got in the way of a try.
type Snag string

// The snags. Each of the first three has a piece of coaching advice.
const (
	SnagPosture   Snag = "posture"
	SnagPlacement Snag = "placement"
	SnagWater     Snag = "water"
	SnagGag       Snag = "gag"
	SnagChewed    Snag = "chewed"
	SnagSpatOut   Snag = "spat_out"
	SnagFear      Snag = "fear"
	SnagTaste     Snag = "taste"
	SnagOther     Snag = "other"
)

// Snags lists every snag.
func Snags() []Snag {
	return []Snag{
		SnagPosture, SnagPlacement, SnagWater, SnagGag, SnagChewed, SnagSpatOut, SnagFear, SnagTaste, SnagOther,
	}
}

// Valid reports whether s is a known snag.
func (s Snag) Valid() bool { return slices.Contains(Snags(), s) }

// Setting is where a session took place.
type Setting string

// The settings.
const (
	AtHome   Setting = "home"
	AtClinic Setting = "clinic"
)

// Valid reports whether s is a known setting.
func (s Setting) Valid() bool { return s == AtHome || s == AtClinic }

// ExcuseReason is why an evening is excused.
type ExcuseReason string

// ExcuseReasons lists every reason for an excuse.
func ExcuseReasons() []ExcuseReason { return []ExcuseReason{"ill", "travel", "clinic_advice", "other"} }

// Valid reports whether r is a known reason.
func (r ExcuseReason) Valid() bool { return slices.Contains(ExcuseReasons(), r) }

// IncidentKind is what happened in an incident.
type IncidentKind string

// IncidentKinds lists every kind of incident.
func IncidentKinds() []IncidentKind {
	return []IncidentKind{"choking", "coughing_fit", "vomited", "pain", "other"}
}

// Valid reports whether k is a known kind of incident.
func (k IncidentKind) Valid() bool { return slices.Contains(IncidentKinds(), k) }
