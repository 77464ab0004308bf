package sqlite

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	inviteByHash  = statement{"read invite", selectInvite + ` WHERE i.code_hash = ?`}
	inviteByShort = statement{"read invite", selectInvite + ` WHERE i.short_hash = ?`}
	addInvite     = statement{"add invite", `
		INSERT INTO invite (code_hash, short_hash, household_key, caregiver_key, expires, used) VALUES (?, ?, ?, ?, ?, ?)`}
	spendInvite = statement{"spend invite", `UPDATE invite SET used = ? WHERE code_hash = ?`}

	refreshTokenByHash = statement{"read refresh token", `
		SELECT t.hash, t.family, m.id, d.id, t.began, t.issued, t.expires, t.spent, t.superseded, t.ended
		FROM refresh_token t LEFT JOIN member m USING (member_key) LEFT JOIN device d USING (device_key)
		WHERE t.hash = ?`}
	addRefreshToken = statement{"add refresh token", `
		INSERT INTO refresh_token (hash, family, member_key, device_key, began, issued, expires, spent, superseded, ended)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`}
	spendRefreshToken = statement{"spend refresh token", `UPDATE refresh_token SET spent = ? WHERE hash = ?`}
	supersedeOthers   = statement{"supersede refresh tokens", `
		UPDATE refresh_token SET superseded = 1
		WHERE family = (SELECT family FROM refresh_token WHERE hash = ?1) AND hash <> ?1`}
	endTokenFamily = statement{"end token family", `UPDATE refresh_token SET ended = 1 WHERE family = ?`}

	serviceTokenByID = statement{"read service token", `
		SELECT t.id, c.id, t.role, t.issued, t.expires, t.revoked
		FROM service_token t JOIN clinic c USING (clinic_key) WHERE t.id = ?`}
	serviceTokensOfClinic = statement{"list service tokens", `
		SELECT t.id, c.id, t.role, t.issued, t.expires, t.revoked
		FROM service_token t JOIN clinic c USING (clinic_key) WHERE t.clinic_key = ? ORDER BY t.id`}
	revokeServiceToken = statement{"revoke service token", `UPDATE service_token SET revoked = ? WHERE id = ?`}
	addServiceToken    = statement{"add service token", `
		INSERT INTO service_token (id, clinic_key, role, issued, expires, revoked) VALUES (?, ?, ?, ?, ?, ?)`}
)

const selectInvite = `
	SELECT i.code_hash, i.short_hash, h.id, p.id, i.expires, i.used
	FROM invite i JOIN household h USING (household_key) LEFT JOIN caregiver p USING (caregiver_key)`

func scanInvite(row scanner, i *clinic.Invite) error {
	return row.Scan((*document)(&i.CodeHash), (*document)(&i.ShortHash), &i.Household, &i.Caregiver, (*instant)(&i.Expires), (*instant)(&i.Used))
}

func scanRefreshToken(row scanner, t *clinic.RefreshToken) error {
	return row.Scan((*document)(&t.Hash), &t.Family, &t.Member, &t.Device,
		(*instant)(&t.Began), (*instant)(&t.Issued), (*instant)(&t.Expires), (*instant)(&t.Spent), &t.Superseded, &t.Ended)
}

func scanServiceToken(row scanner, t *clinic.ServiceToken) error {
	return row.Scan(&t.ID, &t.Clinic, &t.Role, (*instant)(&t.Issued), (*instant)(&t.Expires), (*instant)(&t.Revoked))
}

// InviteByHash implements clinic.AccessView.
func (v view) InviteByHash(ctx context.Context, hash []byte) (clinic.Invite, error) {
	return one(ctx, v.work, inviteByHash, scanInvite, blob(hash))
}

// RefreshTokenByHash implements clinic.AccessView.
func (v view) RefreshTokenByHash(ctx context.Context, hash []byte) (clinic.RefreshToken, error) {
	return one(ctx, v.work, refreshTokenByHash, scanRefreshToken, blob(hash))
}

// InviteByShort implements clinic.AccessView.
func (v view) InviteByShort(ctx context.Context, hash []byte) (clinic.Invite, error) {
	return one(ctx, v.work, inviteByShort, scanInvite, blob(hash))
}

// ServiceToken implements clinic.AccessView.
func (v view) ServiceToken(ctx context.Context, id uuid.UUID) (clinic.ServiceToken, error) {
	return one(ctx, v.work, serviceTokenByID, scanServiceToken, id[:])
}

// ServiceTokens implements clinic.AccessView.
func (v view) ServiceTokens(ctx context.Context, of uuid.UUID) ([]clinic.ServiceToken, error) {
	return listOf(ctx, v, clinicKey, serviceTokensOfClinic, scanServiceToken, of)
}

// AddInvite implements clinic.AccessTx.
func (t *tx) AddInvite(ctx context.Context, i clinic.Invite) error {
	household, err := t.key(ctx, householdKey, i.Household)
	if err != nil {
		return err
	}
	caregiver, err := t.keyOrNull(ctx, caregiverOfHousehold, i.Caregiver, household)
	if err != nil {
		return err
	}
	return t.execOne(ctx, addInvite, blob(i.CodeHash), i.ShortHash, household, caregiver, ms(i.Expires), msOrNull(i.Used))
}

// SpendInvite implements clinic.AccessTx.
func (t *tx) SpendInvite(ctx context.Context, hash []byte, at time.Time) error {
	return t.execOne(ctx, spendInvite, ms(at), blob(hash))
}

// AddRefreshToken implements clinic.AccessTx.
func (t *tx) AddRefreshToken(ctx context.Context, r clinic.RefreshToken) error {
	member, err := t.keyOrNull(ctx, memberKey, r.Member)
	if err != nil {
		return err
	}
	device, err := t.keyOrNull(ctx, deviceKey, r.Device)
	if err != nil {
		return err
	}
	return t.execOne(ctx, addRefreshToken, blob(r.Hash), r.Family[:], member, device,
		ms(r.Began), ms(r.Issued), ms(r.Expires), msOrNull(r.Spent), r.Superseded, r.Ended)
}

// SpendRefreshToken implements clinic.AccessTx.
func (t *tx) SpendRefreshToken(ctx context.Context, hash []byte, at time.Time) error {
	if err := t.execOne(ctx, spendRefreshToken, msOrNull(at), blob(hash)); err != nil {
		return err
	}
	_, err := t.exec(ctx, supersedeOthers, blob(hash))
	return err
}

// EndTokenFamily implements clinic.AccessTx.
func (t *tx) EndTokenFamily(ctx context.Context, family uuid.UUID) error {
	_, err := t.exec(ctx, endTokenFamily, family[:])
	return err
}

// AddServiceToken implements clinic.AccessTx.
func (t *tx) AddServiceToken(ctx context.Context, s clinic.ServiceToken) error {
	key, err := t.key(ctx, clinicKey, s.Clinic)
	if err != nil {
		return err
	}
	return t.execOne(ctx, addServiceToken, s.ID[:], key, s.Role, ms(s.Issued), ms(s.Expires), msOrNull(s.Revoked))
}

// RevokeServiceToken implements clinic.AccessTx.
func (t *tx) RevokeServiceToken(ctx context.Context, id uuid.UUID, at time.Time) error {
	return t.execOne(ctx, revokeServiceToken, ms(at), id[:])
}
