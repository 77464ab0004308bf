package postgres

import (
	"context"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	inviteByHash  = statement{"read invite", selectInvite + ` WHERE code_hash = $1`}
	inviteByShort = statement{"read invite", selectInvite + ` WHERE short_hash = $1`}
	addInvite     = statement{"add invite", `
		INSERT INTO invite (household, code_hash, short_hash, caregiver, expires, used) VALUES ($1, $2, $3, $4, $5, $6)`}
	spendInvite = statement{"spend invite", `UPDATE invite SET used = $3 WHERE household = $1 AND code_hash = $2`}

	refreshTokenByHash = statement{"read refresh token", `
		SELECT hash, family, member, household, device, began, issued, expires, spent, superseded, ended
		FROM refresh_token WHERE hash = $1`}
	addRefreshToken = statement{"add refresh token", `
		INSERT INTO refresh_token (hash, family, member, household, device, began, issued, expires, spent, superseded, ended)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`}
	spendRefreshToken = statement{"spend refresh token", `UPDATE refresh_token SET spent = $1 WHERE hash = $2`}
	supersedeOthers   = statement{"supersede refresh tokens", `
		UPDATE refresh_token SET superseded = true WHERE family = $1 AND hash <> $2 AND NOT superseded`}
	holderOfFamily = statement{"find token family", `SELECT member, household FROM refresh_token WHERE family = $1 LIMIT 1`}
	endTokenFamily = statement{"end token family", `UPDATE refresh_token SET ended = true WHERE family = $1`}

	serviceTokenByID      = statement{"read service token", selectServiceToken + ` WHERE id = $1`}
	serviceTokensOfClinic = statement{"list service tokens", selectServiceToken + ` WHERE clinic = $1 ORDER BY id`}
	revokeServiceToken    = statement{"revoke service token", `UPDATE service_token SET revoked = $1 WHERE id = $2`}
	addServiceToken       = statement{"add service token", `
		INSERT INTO service_token (id, clinic, role, issued, expires, revoked) VALUES ($1, $2, $3, $4, $5, $6)`}
)

const selectInvite = `SELECT code_hash, short_hash, household, caregiver, expires, used FROM invite`

const selectServiceToken = `SELECT id, clinic, role, issued, expires, revoked FROM service_token` //nolint:gosec // G101: no secret

func scanInvite(row scanner, i *clinic.Invite) error {
	return row.Scan((*document)(&i.CodeHash), (*document)(&i.ShortHash), &i.Household, (*optional)(&i.Caregiver),
		(*instant)(&i.Expires), (*instant)(&i.Used))
}

// heldToken is a refresh token and the household of its device, zero for a clinician's.
type heldToken struct {
	household uuid.UUID
	clinic.RefreshToken
}

func scanRefreshToken(row scanner, t *heldToken) error {
	return row.Scan((*document)(&t.Hash), &t.Family, (*optional)(&t.Member), (*optional)(&t.household), (*optional)(&t.Device),
		(*instant)(&t.Began), (*instant)(&t.Issued), (*instant)(&t.Expires), (*instant)(&t.Spent), &t.Superseded, &t.Ended)
}

func scanServiceToken(row scanner, t *clinic.ServiceToken) error {
	return row.Scan(&t.ID, &t.Clinic, (*text)(&t.Role), (*instant)(&t.Issued), (*instant)(&t.Expires), (*instant)(&t.Revoked))
}

func householdOfInvite(i *clinic.Invite) uuid.UUID { return i.Household }

// InviteByHash implements clinic.AccessView.
func (v view) InviteByHash(ctx context.Context, hash []byte) (clinic.Invite, error) {
	return single(ctx, v.work, inviteByHash, scanInvite, householdOfInvite, blob(hash))
}

// InviteByShort implements clinic.AccessView.
func (v view) InviteByShort(ctx context.Context, hash []byte) (clinic.Invite, error) {
	return single(ctx, v.work, inviteByShort, scanInvite, householdOfInvite, blob(hash))
}

// RefreshTokenByHash implements clinic.AccessView.
func (v view) RefreshTokenByHash(ctx context.Context, hash []byte) (clinic.RefreshToken, error) {
	t, err := v.refreshToken(ctx, hash)
	return t.RefreshToken, err
}

// refreshToken returns a token. In a transaction that may write nobody else changes anything of its holder's tokens from then on.
func (v view) refreshToken(ctx context.Context, hash []byte) (heldToken, error) {
	t, err := one(ctx, v.work, refreshTokenByHash, scanRefreshToken, blob(hash))
	if err != nil || !v.writes {
		return t, err
	}
	if err := v.holdHolder(ctx, t.Member, t.household); err != nil {
		return t, err
	}
	return one(ctx, v.work, refreshTokenByHash, scanRefreshToken, blob(hash))
}

// holdHolder keeps other writers from whoever holds a token: a member, or a household with its devices.
func (w *work) holdHolder(ctx context.Context, member, household uuid.UUID) error {
	if member != uuid.Nil {
		return w.holdMember(ctx, member)
	}
	if household != uuid.Nil {
		return w.within(ctx, household)
	}
	return nil
}

// ServiceToken implements clinic.AccessView.
func (v view) ServiceToken(ctx context.Context, id uuid.UUID) (clinic.ServiceToken, error) {
	t, err := one(ctx, v.work, serviceTokenByID, scanServiceToken, id)
	if err != nil || !v.writes {
		return t, err
	}
	if err := v.holdClinic(ctx, t.Clinic); err != nil {
		return t, err
	}
	return one(ctx, v.work, serviceTokenByID, scanServiceToken, id)
}

// ServiceTokens implements clinic.AccessView.
func (v view) ServiceTokens(ctx context.Context, of uuid.UUID) ([]clinic.ServiceToken, error) {
	if err := v.holdClinic(ctx, of); err != nil {
		return nil, err
	}
	return all(ctx, v.work, serviceTokensOfClinic, scanServiceToken, of)
}

// AddInvite implements clinic.AccessTx.
func (t *tx) AddInvite(ctx context.Context, i clinic.Invite) error {
	if err := t.within(ctx, i.Household); err != nil {
		return err
	}
	if i.Caregiver != uuid.Nil {
		if err := t.caregiverOf(ctx, i.Household, i.Caregiver); err != nil {
			return err
		}
	}
	return t.execOne(ctx, addInvite, i.Household, blob(i.CodeHash), i.ShortHash, idOrNull(i.Caregiver), ms(i.Expires), msOrNull(i.Used))
}

// SpendInvite implements clinic.AccessTx.
func (t *tx) SpendInvite(ctx context.Context, hash []byte, at time.Time) error {
	i, err := t.InviteByHash(ctx, hash)
	if err != nil {
		return err
	}
	return t.execOne(ctx, spendInvite, i.Household, blob(hash), ms(at))
}

// AddRefreshToken implements clinic.AccessTx.
func (t *tx) AddRefreshToken(ctx context.Context, r clinic.RefreshToken) error {
	var household uuid.UUID
	if r.Device != uuid.Nil {
		d, err := t.Device(ctx, r.Device)
		if err != nil {
			return err
		}
		household = d.Household
	}
	if r.Member != uuid.Nil {
		if err := t.holdMember(ctx, r.Member); err != nil {
			return err
		}
	}
	return t.execOne(ctx, addRefreshToken, blob(r.Hash), r.Family, idOrNull(r.Member), idOrNull(household), idOrNull(r.Device),
		ms(r.Began), ms(r.Issued), ms(r.Expires), msOrNull(r.Spent), r.Superseded, r.Ended)
}

// SpendRefreshToken implements clinic.AccessTx.
func (t *tx) SpendRefreshToken(ctx context.Context, hash []byte, at time.Time) error {
	token, err := t.refreshToken(ctx, hash)
	if err != nil {
		return err
	}
	return t.run(ctx, spendRefreshToken.of(msOrNull(at), blob(hash)), supersedeOthers.of(token.Family, blob(hash)))
}

// EndTokenFamily implements clinic.AccessTx.
func (t *tx) EndTokenFamily(ctx context.Context, family uuid.UUID) error {
	type holder struct{ member, household uuid.UUID }
	holders, err := all(ctx, t.work, holderOfFamily, func(row scanner, h *holder) error {
		return row.Scan((*optional)(&h.member), (*optional)(&h.household))
	}, family)
	if err != nil || len(holders) == 0 {
		return err
	}
	if err := t.holdHolder(ctx, holders[0].member, holders[0].household); err != nil {
		return err
	}
	// Whoever waits for the household, taking it and the session for what they were before, is told by its edition: what its condition says
	// of other tables than the one that is locked is not looked at again after the wait (section 13.2.1 of PostgreSQL's manual).
	if home := holders[0].household; home != uuid.Nil {
		if err := t.changes(home); err != nil {
			return err
		}
	}
	_, err = t.exec(ctx, endTokenFamily, family)
	return err
}

// AddServiceToken implements clinic.AccessTx.
func (t *tx) AddServiceToken(ctx context.Context, s clinic.ServiceToken) error {
	if err := t.holdClinic(ctx, s.Clinic); err != nil {
		return err
	}
	return t.execOne(ctx, addServiceToken, s.ID, s.Clinic, text(s.Role), ms(s.Issued), ms(s.Expires), msOrNull(s.Revoked))
}

// RevokeServiceToken implements clinic.AccessTx.
func (t *tx) RevokeServiceToken(ctx context.Context, id uuid.UUID, at time.Time) error {
	return t.execOne(ctx, revokeServiceToken, ms(at), id)
}
