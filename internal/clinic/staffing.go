package clinic

import (
	"context"
	"time"

	"github.com/google/uuid"
)

// What an operator does about clinicians at the machine itself, with no caller to check. Failures to sign in are counted in the
// server that runs, and none of this clears them.

// MembersOf returns a clinic's clinicians by id.
func (s *Service) MembersOf(ctx context.Context, clinic uuid.UUID) (members []Member, err error) {
	err = s.Store.Read(ctx, func(ctx context.Context, view View) error {
		members, err = view.Members(ctx, clinic)
		return notThere(err)
	})
	return members, err
}

// SetMemberDisabled ends all a clinician's sessions and lets them sign in no more, or lets them again. One who was disabled before
// stays so since then.
func (s *Service) SetMemberDisabled(ctx context.Context, email string, disabled bool, now time.Time) error {
	command := "clinician enable"
	if disabled {
		command = "clinician disable"
	}
	return s.withMember(ctx, command, email, now, func(ctx context.Context, tx Tx, note note, m Member) error {
		if disabled == !m.Disabled.IsZero() {
			return nil
		}
		if !disabled {
			note(MemberEnabled{Member: m.ID})
			return tx.SetDisabled(ctx, m.ID, time.Time{})
		}
		note(MemberDisabled{Member: m.ID})
		if err := tx.SetDisabled(ctx, m.ID, now); err != nil {
			return err
		}
		return endSessions(ctx, tx, note, m.ID, now)
	})
}

// SetMemberPassword gives a clinician another password and ends all their sessions. A fault of kind Invalid says what is wrong
// with it.
func (s *Service) SetMemberPassword(ctx context.Context, email, password string, now time.Time) error {
	var m Member
	err := s.Store.Read(ctx, func(ctx context.Context, view View) (err error) {
		m, err = view.MemberByEmail(ctx, normalEmail(email))
		return notThere(err)
	})
	if err != nil {
		return err
	}
	if err := s.checkNewPassword(ctx, m.Clinic, password, m.Email, m.Name); err != nil {
		return err
	}
	hash, err := s.newHash(ctx, password)
	if err != nil {
		return err
	}
	return s.withMember(ctx, "clinician set-password", email, now, func(ctx context.Context, tx Tx, note note, m Member) error {
		return changePassword(ctx, tx, note, m.ID, hash, now)
	})
}

// ResetSecondFactor takes away a clinician's second factor and recovery codes, who has lost both, and ends all their sessions.
// Where the clinic asks for one they set it up anew, with their password alone.
func (s *Service) ResetSecondFactor(ctx context.Context, email string, now time.Time) error {
	return s.withMember(ctx, "clinician reset-second-factor", email, now, func(ctx context.Context, tx Tx, note note, m Member) error {
		note(SecondFactorSet{Member: m.ID})
		note(RecoveryCodesMade{Member: m.ID})
		if err := tx.SetSecondFactor(ctx, m.ID, "", time.Time{}, 0); err != nil {
			return err
		}
		if err := tx.SetRecoveryCodes(ctx, m.ID, nil); err != nil {
			return err
		}
		return endSessions(ctx, tx, note, m.ID, now)
	})
}

func (s *Service) withMember(
	ctx context.Context, command, email string, now time.Time, fn func(ctx context.Context, tx Tx, note note, m Member) error,
) error {
	return s.inJournalledTx(ctx, now, func(ctx context.Context, tx Tx, note note) error {
		m, err := tx.MemberByEmail(ctx, normalEmail(email))
		if err != nil {
			return notThere(err)
		}
		row := operatorRow(ctx, m.Clinic, command, now)
		row.Thing = m.ID
		if err := enter(ctx, tx, &row); err != nil {
			return err
		}
		return fn(ctx, tx, note, m)
	})
}
