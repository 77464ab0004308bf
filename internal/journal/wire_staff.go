package journal

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// The events about how clinicians sign in, as written, with the very fields of their namesakes in package clinic.

type memberDisabled struct {
	Member uuid.UUID `json:"member"`
}

type memberEnabled struct {
	Member uuid.UUID `json:"member"`
}

type passwordChanged struct {
	Member uuid.UUID `json:"member"`
	Hash   string    `json:"hash"`
}

type secondFactorSet struct {
	Member   uuid.UUID `json:"member"`
	Secret   string    `json:"secret,omitempty"`
	Since    time.Time `json:"since,omitzero"`
	LastStep int64     `json:"last_step,omitzero"`
}

type recoveryCodesMade struct {
	Member uuid.UUID `json:"member"`
	Hashes [][]byte  `json:"hashes,omitempty"`
}

type recoveryCodeUsed struct {
	Member uuid.UUID `json:"member"`
	Hash   []byte    `json:"hash"`
}

func writtenOfMember(event clinic.JournalEvent) (kind string, form any, err error) {
	switch e := event.(type) {
	case clinic.MemberDisabled:
		return kindMemberDisabled, memberDisabled(e), nil
	case clinic.MemberEnabled:
		return kindMemberEnabled, memberEnabled(e), nil
	case clinic.PasswordChanged:
		return kindPasswordChanged, passwordChanged(e), nil
	case clinic.SecondFactorSet:
		s := secondFactorSet(e)
		s.Since = utc(s.Since)
		return kindSecondFactorSet, s, nil
	case clinic.RecoveryCodesMade:
		return kindRecoveryCodesMade, recoveryCodesMade(e), nil
	case clinic.RecoveryCodeUsed:
		return kindRecoveryCodeUsed, recoveryCodeUsed(e), nil
	default:
		return "", nil, fmt.Errorf("a journal can't hold %T", event)
	}
}

func (r *record) eventOfMember() (clinic.JournalEvent, error) {
	switch r.Kind {
	case kindMemberDisabled:
		var e memberDisabled
		err := read(r.Event, &e)
		return clinic.MemberDisabled(e), err
	case kindMemberEnabled:
		var e memberEnabled
		err := read(r.Event, &e)
		return clinic.MemberEnabled(e), err
	case kindPasswordChanged:
		var e passwordChanged
		err := read(r.Event, &e)
		return clinic.PasswordChanged(e), err
	case kindSecondFactorSet:
		var e secondFactorSet
		err := read(r.Event, &e)
		return clinic.SecondFactorSet(e), err
	case kindRecoveryCodesMade:
		var e recoveryCodesMade
		err := read(r.Event, &e)
		return clinic.RecoveryCodesMade(e), err
	case kindRecoveryCodeUsed:
		var e recoveryCodeUsed
		err := read(r.Event, &e)
		return clinic.RecoveryCodeUsed(e), err
	default:
		return nil, fmt.Errorf("%w: it tells of %q", ErrNewer, r.Kind)
	}
}
