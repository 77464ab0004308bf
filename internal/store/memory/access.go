package memory

import (
	"bytes"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// InviteByHash implements clinic.AccessView.
func (v view) InviteByHash(_ context.Context, hash []byte) (clinic.Invite, error) {
	i, ok := v.invites.rows[string(hash)]
	if !ok {
		return clinic.Invite{}, absent("invite")
	}
	return i, nil
}

// InviteByShort implements clinic.AccessView.
func (v view) InviteByShort(_ context.Context, hash []byte) (clinic.Invite, error) {
	i, ok := v.inviteByShort(hash)
	if !ok {
		return clinic.Invite{}, absent("invite")
	}
	return i, nil
}

func (v view) inviteByShort(hash []byte) (clinic.Invite, bool) {
	for _, i := range v.invites.rows {
		if len(hash) > 0 && bytes.Equal(i.ShortHash, hash) {
			return i, true
		}
	}
	return clinic.Invite{}, false
}

// RefreshTokenByHash implements clinic.AccessView.
func (v view) RefreshTokenByHash(_ context.Context, hash []byte) (clinic.RefreshToken, error) {
	r, ok := v.refreshTokens.rows[string(hash)]
	if !ok {
		return clinic.RefreshToken{}, absent("refresh token")
	}
	return r, nil
}

// ServiceToken implements clinic.AccessView.
func (v view) ServiceToken(_ context.Context, id uuid.UUID) (clinic.ServiceToken, error) {
	s, ok := v.serviceTokens.rows[id]
	if !ok {
		return clinic.ServiceToken{}, absent("service token")
	}
	return s, nil
}

// ServiceTokens implements clinic.AccessView.
func (v view) ServiceTokens(_ context.Context, of uuid.UUID) ([]clinic.ServiceToken, error) {
	if !v.clinics.has(of) {
		return nil, absent("clinic")
	}
	var tokens []clinic.ServiceToken
	for _, s := range v.serviceTokens.rows {
		if s.Clinic == of {
			tokens = append(tokens, s)
		}
	}
	slices.SortFunc(tokens, func(a, b clinic.ServiceToken) int { return compareIDs(a.ID, b.ID) })
	return tokens, nil
}

// AddInvite implements clinic.AccessTx.
func (t *tx) AddInvite(_ context.Context, i clinic.Invite) error {
	h, err := t.household(i.Household)
	if err != nil {
		return err
	}
	if i.Caregiver != uuid.Nil && !h.hasCaregiver(i.Caregiver) {
		return absent("caregiver")
	}
	if _, short := t.inviteByShort(i.ShortHash); short || t.invites.has(string(i.CodeHash)) {
		return taken("invite")
	}
	i.CodeHash, i.ShortHash = document(i.CodeHash), document(i.ShortHash)
	i.Expires, i.Used = kept(i.Expires), kept(i.Used)
	t.invites.put(t.mark, string(i.CodeHash), i)
	return nil
}

// SpendInvite implements clinic.AccessTx.
func (t *tx) SpendInvite(ctx context.Context, hash []byte, at time.Time) error {
	i, err := t.InviteByHash(ctx, hash)
	if err != nil {
		return err
	}
	i.Used = kept(at)
	t.invites.put(t.mark, string(hash), i)
	return nil
}

// AddRefreshToken implements clinic.AccessTx.
func (t *tx) AddRefreshToken(_ context.Context, r clinic.RefreshToken) error {
	if r.Member != uuid.Nil && !t.members.has(r.Member) {
		return absent("member")
	}
	if r.Device != uuid.Nil && !t.homes[devices].has(r.Device) {
		return absent("device")
	}
	if t.refreshTokens.has(string(r.Hash)) {
		return taken("refresh token")
	}
	r.Hash = document(r.Hash)
	r.Began, r.Issued, r.Expires, r.Spent = kept(r.Began), kept(r.Issued), kept(r.Expires), kept(r.Spent)
	t.refreshTokens.put(t.mark, string(r.Hash), r)
	return nil
}

// SpendRefreshToken implements clinic.AccessTx.
func (t *tx) SpendRefreshToken(ctx context.Context, hash []byte, at time.Time) error {
	spent, err := t.RefreshTokenByHash(ctx, hash)
	if err != nil {
		return err
	}
	for other, r := range t.refreshTokens.rows {
		if r.Family == spent.Family && other != string(hash) && !r.Superseded {
			r.Superseded = true
			t.refreshTokens.put(t.mark, other, r)
		}
	}
	spent.Spent = kept(at)
	t.refreshTokens.put(t.mark, string(hash), spent)
	return nil
}

// EndTokenFamily implements clinic.AccessTx.
func (t *tx) EndTokenFamily(_ context.Context, family uuid.UUID) error {
	for hash, r := range t.refreshTokens.rows {
		if r.Family == family && !r.Ended {
			r.Ended = true
			t.refreshTokens.put(t.mark, hash, r)
		}
	}
	return nil
}

// AddServiceToken implements clinic.AccessTx.
func (t *tx) AddServiceToken(_ context.Context, s clinic.ServiceToken) error {
	if !t.clinics.has(s.Clinic) {
		return absent("clinic")
	}
	if t.serviceTokens.has(s.ID) {
		return taken("service token")
	}
	s.Issued, s.Expires, s.Revoked = kept(s.Issued), kept(s.Expires), kept(s.Revoked)
	t.serviceTokens.put(t.mark, s.ID, s)
	return nil
}

// RevokeServiceToken implements clinic.AccessTx.
func (t *tx) RevokeServiceToken(ctx context.Context, id uuid.UUID, at time.Time) error {
	s, err := t.ServiceToken(ctx, id)
	if err != nil {
		return err
	}
	s.Revoked = kept(at)
	t.serviceTokens.put(t.mark, id, s)
	return nil
}
