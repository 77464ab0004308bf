package simulate

import "fmt"

// Invariant is something that must hold whatever phones, networks, clocks and servers do.
type Invariant string

// The invariants.
const (
	// Works: no call fails but for a fault that the world made.
	Works Invariant = "every call works unless the world breaks it"
	// ReplicasEqual: after healing every phone holds the same entries and nights, those of the server.
	ReplicasEqual Invariant = "all replicas are equal"
	// NothingMissing: an entry that its author's phone holds, or that was acknowledged, is in the store.
	NothingMissing Invariant = "nothing acknowledged is missing while its author's phone holds it"
	// StoredOnce: each id is stored once, as it was written.
	StoredOnce Invariant = "one stored entry for each id, as it was written"
	// OrderIsNothing: any order, grouping and repetition of the entries gives the same fold.
	OrderIsNothing Invariant = "any order, grouping and repetition gives the same fold"
	// StoreChecks: projections equal a fresh fold, revisions have no gap, the chain verifies.
	StoreChecks Invariant = "projections equal a fresh fold, revisions are gapless, the chain verifies"
	// ReaderSeesOnce: a reader who follows cursors sees each entry exactly once, in order.
	ReaderSeesOnce Invariant = "a reader following cursors sees each entry exactly once"
	// AccountsApart: what counts as somebody's account is what they wrote, and all of it.
	AccountsApart Invariant = "no entry changes another author's account"
	// UnseenEditStands: a withdrawal never hides an edit that its writer had not seen.
	UnseenEditStands Invariant = "a withdrawal never hides an unseen edit"
	// MostCautious: a try counts as its most cautious whole reading unless a settlement holds.
	MostCautious Invariant = "the most cautious whole reading counts"
	// DisagreementOpen: a disagreement is open until it is settled.
	DisagreementOpen Invariant = "a disagreement is open until settled"
	// SettlementHolds: a settlement holds exactly while the heads that it judged are the heads.
	SettlementHolds Invariant = "a settlement holds exactly while its heads do"
	// DistinctRespected: sessions that a standing link calls distinct are in different sittings.
	DistinctRespected Invariant = "distinct is respected"
	// ClocksDecideNothing: shifting all clocks changes no value and loses nothing.
	ClocksDecideNothing Invariant = "shifting all clocks changes no value and loses nothing"
	// OutboxBySight: only sight in the feed takes an entry out of an outbox, or a revoked phone's answer.
	OutboxBySight Invariant = "the outbox shrinks only by sight in the feed"
	// StampStays: the stamp that an author's phone saw never changes.
	StampStays Invariant = "a stamp never changes"
	// BackInThree: after a rollback of the server everything that phones hold is back within three syncs of each.
	BackInThree Invariant = "everything held returns within three syncs"
	// Quiet: after bounded rounds nothing is left to say.
	Quiet Invariant = "quiescence in bounded rounds"
	// RevokedReadsNothing: a revoked phone is told results alone, and what it hands in has no effect by itself.
	RevokedReadsNothing Invariant = "a revoked phone hands in and reads nothing"
	// IncidentHolds: an incident holds the learner, whatever its own state, until it is cleared.
	IncidentHolds Invariant = "an incident holds until it is cleared"
	// SameTrace: the same seed gives the same trace.
	SameTrace Invariant = "same seed, same trace"
)

// Violation is an invariant that did not hold.
type Violation struct {
	Invariant Invariant
	Detail    string
}

func (v Violation) String() string { return string(v.Invariant) + ": " + v.Detail }

// mostViolations bounds what is kept of one schedule.
const mostViolations = 20

// violate notes that an invariant does not hold.
func (w *World) violate(i Invariant, format string, args ...any) {
	v := Violation{Invariant: i, Detail: fmt.Sprintf(format, args...)}
	w.tell("VIOLATED %s", v)
	if len(w.violations) < mostViolations {
		w.violations = append(w.violations, v)
	}
}
