package clinic

import (
	"context"
	"time"

	"github.com/google/uuid"
)

// MemberDisabled tells that a clinician may not sign in any more.
type MemberDisabled struct{ Member uuid.UUID }

// MemberEnabled tells that a clinician may sign in again.
type MemberEnabled struct{ Member uuid.UUID }

// PasswordChanged tells a clinician's new password.
type PasswordChanged struct {
	Member uuid.UUID
	Hash   string // as the store has it
}

// SecondFactorSet tells that a clinician's second factor was confirmed, or taken away.
type SecondFactorSet struct {
	Member   uuid.UUID
	Secret   string // empty where it was taken away
	Since    time.Time
	LastStep int64
}

// RecoveryCodesMade tells that a clinician has these recovery codes and no others.
type RecoveryCodesMade struct {
	Member uuid.UUID
	Hashes [][]byte
}

// RecoveryCodeUsed tells that a recovery code was used.
type RecoveryCodeUsed struct {
	Member uuid.UUID
	Hash   []byte
}

// memberEvent is an event about how a clinician signs in.
type memberEvent interface {
	JournalEvent
	about() uuid.UUID
}

func (MemberDisabled) journalled()    {}
func (MemberEnabled) journalled()     {}
func (PasswordChanged) journalled()   {}
func (SecondFactorSet) journalled()   {}
func (RecoveryCodesMade) journalled() {}
func (RecoveryCodeUsed) journalled()  {}

func (e MemberDisabled) about() uuid.UUID    { return e.Member }
func (e MemberEnabled) about() uuid.UUID     { return e.Member }
func (e PasswordChanged) about() uuid.UUID   { return e.Member }
func (e SecondFactorSet) about() uuid.UUID   { return e.Member }
func (e RecoveryCodesMade) about() uuid.UUID { return e.Member }
func (e RecoveryCodeUsed) about() uuid.UUID  { return e.Member }

// member replays an event about a clinician. Each says how things stand afterwards, so that of several the last counts, and to
// replay them again ends where the first replay did.
func (r *replay) member(ctx context.Context, event memberEvent, at time.Time) error {
	m, err := r.tx.Member(ctx, event.about())
	if there, err := found(m, err); !there || err != nil {
		r.done.Homeless++
		return err
	}
	r.done.Clinicians++
	switch e := event.(type) {
	case MemberDisabled:
		return r.tx.SetDisabled(ctx, m.ID, at)
	case MemberEnabled:
		return r.tx.SetDisabled(ctx, m.ID, time.Time{})
	case PasswordChanged:
		return r.tx.SetPassword(ctx, m.ID, e.Hash)
	case SecondFactorSet:
		if e.Secret == m.TOTPSecret {
			e.LastStep = max(e.LastStep, m.TOTPLastStep) // no code works twice
		}
		return r.tx.SetSecondFactor(ctx, m.ID, e.Secret, e.Since, e.LastStep)
	case RecoveryCodesMade:
		return r.tx.SetRecoveryCodes(ctx, m.ID, e.Hashes)
	case RecoveryCodeUsed:
		_, err := found(0, r.tx.SpendRecoveryCode(ctx, m.ID, e.Hash))
		return err
	}
	return nil
}
