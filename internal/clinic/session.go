package clinic

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

// SignOut ends the session of a refresh token at once: neither it nor an access token of the session is good any more. That a
// token is unknown is no error, since there is nothing left to end.
func (s *Service) SignOut(ctx context.Context, refresh string, now time.Time) error {
	var device uuid.UUID
	err := s.inJournalledTx(ctx, now, func(ctx context.Context, tx Tx, note note) error {
		t, err := tx.RefreshTokenByHash(ctx, s.Keys.HashRefresh(refresh))
		if fault.KindOf(err) == fault.NotFound || (err == nil && t.Ended) {
			return nil
		}
		if err != nil {
			return err
		}
		device = t.Device
		row, err := rowOfToken(ctx, tx, t, "signOut", now)
		if err != nil {
			return err
		}
		if err := enterDone(ctx, tx, row); err != nil {
			return err
		}
		note(FamilyEnded{Family: t.Family})
		return tx.EndTokenFamily(ctx, t.Family)
	})
	if err == nil && device != uuid.Nil {
		s.listeners.Bar(device)
	}
	return err
}

// endSessions ends every session of a member.
func endSessions(ctx context.Context, tx Tx, note note, member uuid.UUID, now time.Time) error {
	families, err := tx.OpenFamilies(ctx, member, now)
	if err != nil {
		return err
	}
	for _, family := range families {
		note(FamilyEnded{Family: family})
		if err := tx.EndTokenFamily(ctx, family); err != nil {
			return err
		}
	}
	return nil
}

// ChangePassword gives a clinician who is signed in another password, and ends all their sessions, this one too. It asks for the
// password that they have, and a code where they have a second factor, and fails as sign-in does. A fault of kind Invalid says
// what is wrong with the new one.
func (s *Service) ChangePassword(ctx context.Context, p access.Principal, password, otp, next string, now time.Time) error {
	var hash string
	hashed := func(m Member) error {
		err := s.checkNewPassword(ctx, m.Clinic, next, m.Email, m.Name)
		if err != nil {
			return pointedAt(err, "/new_password")
		}
		hash, err = s.newHash(ctx, next)
		return err
	}
	proof := reproof{password: password, otp: otp, then: hashed}
	return s.proven(ctx, p, "changePassword", proof, now, func(ctx context.Context, tx Tx, note note, m Member) error {
		return changePassword(ctx, tx, note, m.ID, hash, now)
	})
}

func changePassword(ctx context.Context, tx Tx, note note, member uuid.UUID, hash string, now time.Time) error {
	note(PasswordChanged{Member: member, Hash: hash})
	if err := tx.SetPassword(ctx, member, hash); err != nil {
		return err
	}
	return endSessions(ctx, tx, note, member, now)
}

// pointedAt returns a refusal of one member that names another.
func pointedAt(err error, pointer string) error {
	f, ok := errors.AsType[*fault.Error](err)
	if !ok {
		return err
	}
	c := *f
	c.Fields = nil
	for _, field := range f.Fields {
		c.Fields = append(c.Fields, fault.Field{Pointer: pointer, Detail: field.Detail})
	}
	return &c
}
