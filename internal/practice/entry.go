package practice

import "time"

// Entry is one immutable statement of a caregiver or a clinician. Nothing is updated and nothing is deleted: a later
// entry for the same subject replaces those that its writer saw.
type Entry struct {
	ID       EntryID
	Subject  SubjectID // equal to ID for a new thing
	Replaces []EntryID // the heads that its writer saw
	Learner  LearnerID // zero where it could not be read, which only a quarantined entry's may
	Recorded Moment    // when it was written, by the writer's clock
	Body     Body      // nil where it could not be read
}

// Kind is what an entry speaks of.
type Kind string

// The kinds of entry. Those from KindClear on are a clinician's alone.
const (
	KindSession   Kind = "session"
	KindTry       Kind = "try"
	KindExcuse    Kind = "excuse"
	KindIncident  Kind = "incident"
	KindRetract   Kind = "retract"
	KindLink      Kind = "link"
	KindSettle    Kind = "settle"
	KindClear     Kind = "clear"
	KindChoose    Kind = "choose"
	KindPositions Kind = "positions"
	KindReview    Kind = "review"
)

// Body is the content of an entry, one type for each kind.
type Body interface {
	// Kind returns the kind of entry that this is the body of.
	Kind() Kind
}

// Session is one sitting at the table, recorded by one caregiver.
type Session struct {
	Practised  Moment // when it began
	Zone       string // IANA name of the place
	Setting    Setting
	Note       string
	NoteShared bool     // whether other caregivers may read the note
	Witness    PersonID // the caregiver who filled in the sheet that a clinician copies; zero on any other session
}

// Try is one attempt to swallow in one position.
type Try struct {
	Session  SubjectID // the subject of the session
	Position Position
	Number   int // the k of "k-th try of this position in this session", from 1
	Medium   Medium
	SizeMM   float64 // the largest dimension in millimetres; 0 where unknown
	Outcome  Outcome
	Ease     Ease
	Snags    []Snag
	Note     string
}

// Excuse says that an evening without practice is in order.
type Excuse struct {
	Night  Night
	Reason ExcuseReason
}

// Incident is something that must stop practice until a clinician has looked at it.
type Incident struct {
	Session SubjectID // zero where no session is named
	What    IncidentKind
	Note    string
}

// Retract withdraws the entries it replaces.
type Retract struct{ Reason string }

// Link says whether sessions were one sitting.
type Link struct {
	Sessions []SubjectID
	Same     bool
}

// Settle says what stands of a try on which readings disagree.
type Settle struct {
	Judged  []EntryID // the heads that were judged
	Outcome Outcome
	Ease    Ease
	Reason  string
}

// Clear lifts the incidents it names, each by the id of an entry, and the versions that these replace.
type Clear struct {
	Incidents []EntryID
	Note      string
}

// Choose names the position in which the learner is to be judged, from when the entry is received.
type Choose struct{ Position Position }

// SwitchPositions says which positions are left out from a night on, in place of those left out before.
type SwitchPositions struct {
	Off  []Position
	From Night
}

// Review takes or leaves an entry of a caregiver that was set aside or quarantined. One that is left is dealt with. One that
// is taken counts from then on, unless something is wrong with it as it is read now.
type Review struct {
	Entry EntryID
	Take  bool
}

// Kind implements [Body].
func (*Session) Kind() Kind { return KindSession }

// Kind implements [Body].
func (*Try) Kind() Kind { return KindTry }

// Kind implements [Body].
func (*Excuse) Kind() Kind { return KindExcuse }

// Kind implements [Body].
func (*Incident) Kind() Kind { return KindIncident }

// Kind implements [Body].
func (*Retract) Kind() Kind { return KindRetract }

// Kind implements [Body].
func (*Link) Kind() Kind { return KindLink }

// Kind implements [Body].
func (*Settle) Kind() Kind { return KindSettle }

// Kind implements [Body].
func (*Clear) Kind() Kind { return KindClear }

// Kind implements [Body].
func (*Choose) Kind() Kind { return KindChoose }

// Kind implements [Body].
func (*SwitchPositions) Kind() Kind { return KindPositions }

// Kind implements [Body].
func (*Review) Kind() Kind { return KindReview }

// Status is what the door made of an entry. Whatever it is, the entry is kept.
type Status string

// The statuses of a stored entry.
const (
	// Accepted entries count.
	Accepted Status = "accepted"
	// Quarantined entries are malformed, or not for their author to write. An incident among them has an effect; any other
	// counts only when nothing is wrong with it any more, after an upgrade, and a clinician's review takes it.
	Quarantined Status = "quarantined"
	// Parked entries are of a kind or schema not known yet. As soon as it is, they are read as if they came then.
	Parked Status = "parked"
	// SetAside entries count once a clinician's review takes them.
	SetAside Status = "set_aside"
)

// suspectOffset is the clock offset beyond which an entry's times are corrected by it.
const suspectOffset = 5 * time.Minute

// Stamp is given to an entry at first receipt, and never again.
type Stamp struct {
	Received time.Time
	// ClockOffset is the server's time less the sender's at that upload. Beyond five minutes it is added to the entry's
	// times, which are then suspect.
	ClockOffset time.Duration
}

// Suspect reports whether the sender's clock was so wrong that the entry's times are corrected.
func (s Stamp) Suspect() bool { return s.ClockOffset.Abs() > suspectOffset }

func (s Stamp) correct(m Moment) Moment {
	if s.Suspect() {
		return m.shifted(s.ClockOffset)
	}
	return m
}

// Stamped is an entry as a household holds it.
type Stamped struct {
	Entry
	Stamp
	Author Author
	Status Status
	// MayBeIncident marks an entry that is not accepted and calls itself an incident, or cannot be told from one.
	MayBeIncident bool
	// Sealed marks an entry that was set aside since its author had withdrawn consent, which has not been given again.
	// Nothing of it is read but whether it is, or may be, an incident.
	Sealed bool
	// Flawed marks an entry in which something is wrong as it is read now, whatever the door made of it at receipt. Its Body
	// is nil unless the entry alone is fine, and only the household tells what is wrong.
	Flawed bool
}

func (s *Stamped) recorded() Moment { return s.correct(s.Recorded) }
