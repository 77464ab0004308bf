package postgres

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	membersOfClinic = statement{"list members", selectMember + ` WHERE clinic = $1 ORDER BY id`}
	setPassword     = statement{"set password", `UPDATE member SET password_hash = $1 WHERE id = $2`}
	setDisabled     = statement{"disable member", `UPDATE member SET disabled = $1 WHERE id = $2`}

	tokenFamily = statement{"read token family", `
		SELECT t.member, t.device, EXISTS (SELECT 1 FROM refresh_token e WHERE e.family = t.family AND e.ended), m.disabled, d.revoked,
			p.withdrawn
		FROM refresh_token t LEFT JOIN member m ON m.id = t.member
			LEFT JOIN device d ON d.household = t.household AND d.id = t.device
			LEFT JOIN caregiver p ON p.household = d.household AND p.id = d.caregiver
		WHERE t.family = $1 LIMIT 1`}
	openFamilies = statement{"list open token families", `
		SELECT DISTINCT family FROM refresh_token WHERE member = $1 AND expires > $2 AND NOT ended ORDER BY family`}

	recoveryCodes      = statement{"list recovery codes", `SELECT hash FROM recovery_code WHERE member = $1 ORDER BY hash`}
	addRecoveryCode    = statement{"add recovery codes", `INSERT INTO recovery_code (member, hash) SELECT $1, unnest($2::bytea[])`}
	clearRecoveryCodes = statement{"clear recovery codes", `DELETE FROM recovery_code WHERE member = $1`}
	spendRecoveryCode  = statement{"spend recovery code", `DELETE FROM recovery_code WHERE member = $1 AND hash = $2`}

	knownAddresses = statement{"list known addresses", `
		SELECT hash, last FROM known_address WHERE member = $1 ORDER BY last DESC, hash`}
	keepAddress = statement{"keep known address", `
		INSERT INTO known_address (member, hash, last) VALUES ($1, $2, $3)
		ON CONFLICT (member, hash) DO UPDATE SET last = excluded.last`}
	forgetAddress = statement{"forget known address", `DELETE FROM known_address WHERE member = $1 AND hash = $2`}
)

// Members implements clinic.StaffView.
func (v view) Members(ctx context.Context, of uuid.UUID) ([]clinic.Member, error) {
	if err := v.holdClinic(ctx, of); err != nil {
		return nil, err
	}
	return all(ctx, v.work, membersOfClinic, scanMember, of)
}

// TokenFamily implements clinic.StaffView.
func (v view) TokenFamily(ctx context.Context, family uuid.UUID) (clinic.TokenFamily, error) {
	return one(ctx, v.work, tokenFamily, scanTokenFamily, family)
}

func scanTokenFamily(row scanner, f *clinic.TokenFamily) error {
	return row.Scan((*optional)(&f.Member), (*optional)(&f.Device), &f.Ended, (*instant)(&f.Disabled), (*instant)(&f.Revoked),
		(*instant)(&f.Withdrawn))
}

// ofMember returns what a query finds of a member, who is its first argument; NotFound where there is no such member.
func ofMember[T any](ctx context.Context, w *work, st statement, scan func(scanner, *T) error, member uuid.UUID, args ...any) ([]T, error) {
	if err := w.holdMember(ctx, member); err != nil {
		return nil, err
	}
	return all(ctx, w, st, scan, append([]any{member}, args...)...)
}

// OpenFamilies implements clinic.StaffView.
func (v view) OpenFamilies(ctx context.Context, member uuid.UUID, at time.Time) ([]uuid.UUID, error) {
	return ofMember(ctx, v.work, openFamilies, value[uuid.UUID], member, ms(at))
}

// RecoveryCodes implements clinic.StaffView.
func (v view) RecoveryCodes(ctx context.Context, member uuid.UUID) ([][]byte, error) {
	scan := func(row scanner, hash *[]byte) error { return row.Scan((*document)(hash)) }
	return ofMember(ctx, v.work, recoveryCodes, scan, member)
}

// KnownAddresses implements clinic.StaffView.
func (v view) KnownAddresses(ctx context.Context, member uuid.UUID) ([]clinic.KnownAddress, error) {
	return ofMember(ctx, v.work, knownAddresses, func(row scanner, a *clinic.KnownAddress) error {
		return row.Scan((*document)(&a.Hash), (*instant)(&a.Last))
	}, member)
}

// SetPassword implements clinic.StaffTx.
func (t *tx) SetPassword(ctx context.Context, member uuid.UUID, hash string) error {
	return t.execOne(ctx, setPassword, text(hash), member)
}

// SetDisabled implements clinic.StaffTx.
func (t *tx) SetDisabled(ctx context.Context, member uuid.UUID, at time.Time) error {
	return t.execOne(ctx, setDisabled, msOrNull(at), member)
}

// SetRecoveryCodes implements clinic.StaffTx.
func (t *tx) SetRecoveryCodes(ctx context.Context, member uuid.UUID, hashes [][]byte) error {
	if err := t.holdMember(ctx, member); err != nil {
		return err
	}
	return t.run(ctx, clearRecoveryCodes.of(member), addRecoveryCode.of(member, hashes))
}

// SpendRecoveryCode implements clinic.StaffTx.
func (t *tx) SpendRecoveryCode(ctx context.Context, member uuid.UUID, hash []byte) error {
	return t.execOne(ctx, spendRecoveryCode, member, blob(hash))
}

// KeepAddress implements clinic.StaffTx.
func (t *tx) KeepAddress(ctx context.Context, member uuid.UUID, a clinic.KnownAddress) error {
	if err := t.holdMember(ctx, member); err != nil {
		return err
	}
	return t.execOne(ctx, keepAddress, member, blob(a.Hash), ms(a.Last))
}

// ForgetAddress implements clinic.StaffTx.
func (t *tx) ForgetAddress(ctx context.Context, member uuid.UUID, hash []byte) error {
	return t.execOne(ctx, forgetAddress, member, blob(hash))
}
