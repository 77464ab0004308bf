package sqlite

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	membersOfClinic = statement{"list members", selectMember + ` WHERE clinic_key = ? ORDER BY m.id`}
	setPassword     = statement{"set password", `UPDATE member SET password_hash = ? WHERE id = ?`}
	setDisabled     = statement{"disable member", `UPDATE member SET disabled = ? WHERE id = ?`}

	tokenFamily = statement{"read token family", `
		SELECT m.id, d.id, EXISTS (SELECT 1 FROM refresh_token e WHERE e.family = t.family AND e.ended = 1), m.disabled, d.revoked,
			p.withdrawn
		FROM refresh_token t LEFT JOIN member m USING (member_key) LEFT JOIN device d USING (device_key)
			LEFT JOIN caregiver p ON p.caregiver_key = d.caregiver_key
		WHERE t.family = ? LIMIT 1`}
	openFamilies = statement{"list open token families", `
		SELECT DISTINCT family FROM refresh_token WHERE member_key = ? AND expires > ? AND ended = 0 ORDER BY family`}

	recoveryCodes      = statement{"list recovery codes", `SELECT hash FROM recovery_code WHERE member_key = ? ORDER BY hash`}
	addRecoveryCode    = statement{"add recovery code", `INSERT INTO recovery_code (member_key, hash) VALUES (?, ?)`}
	clearRecoveryCodes = statement{"clear recovery codes", `DELETE FROM recovery_code WHERE member_key = ?`}
	spendRecoveryCode  = statement{"spend recovery code", `DELETE FROM recovery_code WHERE member_key = ? AND hash = ?`}

	knownAddresses = statement{"list known addresses", `
		SELECT hash, last FROM known_address WHERE member_key = ? ORDER BY last DESC, hash`}
	keepAddress = statement{"keep known address", `
		INSERT INTO known_address (member_key, hash, last) VALUES (?, ?, ?)
		ON CONFLICT (member_key, hash) DO UPDATE SET last = excluded.last`}
	forgetAddress = statement{"forget known address", `DELETE FROM known_address WHERE member_key = ? AND hash = ?`}
)

// Members implements clinic.StaffView.
func (v view) Members(ctx context.Context, of uuid.UUID) ([]clinic.Member, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, membersOfClinic, scanMember, key)
}

// TokenFamily implements clinic.StaffView.
func (v view) TokenFamily(ctx context.Context, family uuid.UUID) (clinic.TokenFamily, error) {
	return one(ctx, v.work, tokenFamily, scanTokenFamily, family[:])
}

func scanTokenFamily(row scanner, f *clinic.TokenFamily) error {
	return row.Scan(&f.Member, &f.Device, &f.Ended, (*instant)(&f.Disabled), (*instant)(&f.Revoked), (*instant)(&f.Withdrawn))
}

// OpenFamilies implements clinic.StaffView.
func (v view) OpenFamilies(ctx context.Context, member uuid.UUID, at time.Time) ([]uuid.UUID, error) {
	key, err := v.key(ctx, memberKey, member)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, openFamilies, value[uuid.UUID], key, ms(at))
}

// RecoveryCodes implements clinic.StaffView.
func (v view) RecoveryCodes(ctx context.Context, member uuid.UUID) ([][]byte, error) {
	key, err := v.key(ctx, memberKey, member)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, recoveryCodes, func(row scanner, hash *[]byte) error { return row.Scan((*document)(hash)) }, key)
}

// KnownAddresses implements clinic.StaffView.
func (v view) KnownAddresses(ctx context.Context, member uuid.UUID) ([]clinic.KnownAddress, error) {
	key, err := v.key(ctx, memberKey, member)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, knownAddresses, func(row scanner, a *clinic.KnownAddress) error {
		return row.Scan((*document)(&a.Hash), (*instant)(&a.Last))
	}, key)
}

// SetPassword implements clinic.StaffTx.
func (t *tx) SetPassword(ctx context.Context, member uuid.UUID, hash string) error {
	return t.execOne(ctx, setPassword, hash, member[:])
}

// SetDisabled implements clinic.StaffTx.
func (t *tx) SetDisabled(ctx context.Context, member uuid.UUID, at time.Time) error {
	return t.execOne(ctx, setDisabled, msOrNull(at), member[:])
}

// SetRecoveryCodes implements clinic.StaffTx.
func (t *tx) SetRecoveryCodes(ctx context.Context, member uuid.UUID, hashes [][]byte) error {
	key, err := t.key(ctx, memberKey, member)
	if err != nil {
		return err
	}
	if _, err := t.exec(ctx, clearRecoveryCodes, key); err != nil {
		return err
	}
	for _, hash := range hashes {
		if err := t.execOne(ctx, addRecoveryCode, key, blob(hash)); err != nil {
			return err
		}
	}
	return nil
}

// SpendRecoveryCode implements clinic.StaffTx.
func (t *tx) SpendRecoveryCode(ctx context.Context, member uuid.UUID, hash []byte) error {
	key, err := t.key(ctx, memberKey, member)
	if err != nil {
		return err
	}
	return t.execOne(ctx, spendRecoveryCode, key, blob(hash))
}

// KeepAddress implements clinic.StaffTx.
func (t *tx) KeepAddress(ctx context.Context, member uuid.UUID, a clinic.KnownAddress) error {
	key, err := t.key(ctx, memberKey, member)
	if err != nil {
		return err
	}
	return t.execOne(ctx, keepAddress, key, blob(a.Hash), ms(a.Last))
}

// ForgetAddress implements clinic.StaffTx.
func (t *tx) ForgetAddress(ctx context.Context, member uuid.UUID, hash []byte) error {
	key, err := t.key(ctx, memberKey, member)
	if err != nil {
		return err
	}
	return t.execOne(ctx, forgetAddress, key, blob(hash))
}
