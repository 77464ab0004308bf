package clinic

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/practice"
)

// Journal keeps, beside the store and outside its backups, what going back to an older backup must not undo: who was let
// in or shut out since, and which token each device holds by now. Replay brings it back into a restored store.
//
// A record is appended inside the transaction that it tells of, as its last step before the commit. So whatever has been
// committed is in the journal, and a journal that can't be written commits nothing. What is appended and then not
// committed, as at a crash between the two, is in the journal alone; Replay takes it for something that happened, and that
// is safe:
//
//   - A revocation, or the end of a token family, that its caller was told had failed is carried out after all.
//   - A device that was let in, but never told so, holds no token; the invite that it redeemed is spent.
//   - A clinician who was told that a change of password, a new second factor or their disabling had failed finds it made; the
//     operator's commands undo each. A recovery code that was refused for want of room is spent.
//   - A family that was to be reminded counts as reminded, and is not that evening.
//   - A token that nobody was handed opens nothing, and the one that it was to replace goes on working: see Replay.
//
// Append after Append, by one process or several, is in the order of the commits, since a store has one writer at a time
// for each household.
type Journal interface {
	// ID names this journal. A store remembers it, so that one that was lost or replaced is noticed.
	ID() uuid.UUID
	// Append adds a record, which is durable when it returns nil. A journal that has no room is a fault of kind
	// OutOfSpace, one that can't be written otherwise a fault of kind Unavailable.
	Append(ctx context.Context, record JournalRecord) error
}

// JournalRecord is one thing that happened, and when.
type JournalRecord struct {
	At    time.Time // to the millisecond, in UTC
	Event JournalEvent
}

// JournalEvent is one of the types below.
type JournalEvent interface{ journalled() }

// DeviceEnrolled tells that a device was let into a household.
type DeviceEnrolled struct {
	Device Device
	// Caregiver is whose device it is, with the consent that was given by enrolling it.
	Caregiver Person
	Invite    []byte // the hash of the code that was redeemed
}

// TokenIssued tells that a refresh token was handed out.
type TokenIssued struct {
	Token    RefreshToken
	Replaces []byte // the hash of the token that was exchanged for it; empty for the first of a family
}

// DeviceRevoked tells that a device may only hand in from now on.
type DeviceRevoked struct{ Device uuid.UUID }

// FamilyEnded tells that no token of a family is good any more.
type FamilyEnded struct{ Family uuid.UUID }

// ConsentChanged tells that a caregiver withdrew consent, or gave it again, to a version of the text.
type ConsentChanged struct {
	Caregiver uuid.UUID
	Version   string
	Withdrawn bool
}

// ClinicSet tells what a clinic changed about itself.
type ClinicSet struct {
	Clinic       uuid.UUID
	SecondFactor string
	InviteWindow time.Duration
}

// ServiceTokenRevoked tells that a program's token is good for nothing any more. That one was issued is not told: a store
// that has gone back to before that does not know it, and refuses it.
type ServiceTokenRevoked struct{ Token uuid.UUID }

func (DeviceEnrolled) journalled()      {}
func (TokenIssued) journalled()         {}
func (DeviceRevoked) journalled()       {}
func (FamilyEnded) journalled()         {}
func (ConsentChanged) journalled()      {}
func (ClinicSet) journalled()           {}
func (ServiceTokenRevoked) journalled() {}

// FamilyTold tells that a family has been reminded of something, or may have been.
type FamilyTold struct {
	Learner  uuid.UUID
	Reminder uuid.UUID
	Kind     string
	Night    practice.Night
	Due      time.Time
}

// AddressRemoved tells that nothing is to go to an address any more.
type AddressRemoved struct{ Address uuid.UUID }

// CalendarFeedRevoked tells that a calendar feed has been closed.
type CalendarFeedRevoked struct{ Feed uuid.UUID }

func (FamilyTold) journalled()          {}
func (AddressRemoved) journalled()      {}
func (CalendarFeedRevoked) journalled() {}

// note takes what a transaction has to tell the journal.
type note func(JournalEvent)

// inJournalledTx runs fn in a transaction, and appends what it notes to the journal as the last step before the commit.
func (s *Service) inJournalledTx(ctx context.Context, now time.Time, fn func(ctx context.Context, tx Tx, note note) error) error {
	return s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error {
		var noted []JournalEvent
		if err := fn(ctx, tx, func(e JournalEvent) { noted = append(noted, e) }); err != nil {
			return err
		}
		for _, event := range noted {
			record := JournalRecord{At: now.UTC().Truncate(time.Millisecond), Event: event}
			if err := s.Journal.Append(ctx, record); err != nil {
				return err
			}
		}
		return nil
	})
}

// adoptJournal lets the store remember which journal lies beside it. One that has taken the place of another says so.
func (s *Service) adoptJournal(ctx context.Context, tx Tx) error {
	known, err := tx.Journal(ctx)
	if err != nil || known == s.Journal.ID() {
		return err
	}
	if known != uuid.Nil {
		s.Log.WarnContext(ctx, "the journal is another than the store knew: after going back to a backup made before now, "+
			"revocations, withdrawn consents, tokens, passwords and settings that only the former journal has are lost", "journal", s.Journal.ID(), "former", known)
	}
	return tx.SetJournal(ctx, s.Journal.ID())
}
