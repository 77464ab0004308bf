package memory

import (
	"bytes"
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// Members implements clinic.StaffView.
func (v view) Members(_ context.Context, of uuid.UUID) ([]clinic.Member, error) {
	if !v.clinics.has(of) {
		return nil, absent("clinic")
	}
	var members []clinic.Member
	for _, m := range v.members.rows {
		if m.Clinic == of {
			members = append(members, m)
		}
	}
	slices.SortFunc(members, func(a, b clinic.Member) int { return compareIDs(a.ID, b.ID) })
	return members, nil
}

// TokenFamily implements clinic.StaffView.
func (v view) TokenFamily(ctx context.Context, family uuid.UUID) (clinic.TokenFamily, error) {
	var f clinic.TokenFamily
	there := false
	for _, r := range v.refreshTokens.rows {
		if r.Family == family {
			there = true
			f.Member, f.Device, f.Ended = r.Member, r.Device, f.Ended || r.Ended
		}
	}
	if !there {
		return f, absent("token family")
	}
	if f.Device != uuid.Nil {
		d, err := v.Device(ctx, f.Device)
		f.Revoked, f.Withdrawn = d.Revoked, d.Withdrawn
		return f, err
	}
	f.Disabled = v.members.rows[f.Member].Disabled
	return f, nil
}

// OpenFamilies implements clinic.StaffView.
func (v view) OpenFamilies(_ context.Context, member uuid.UUID, at time.Time) ([]uuid.UUID, error) {
	if !v.members.has(member) {
		return nil, absent("member")
	}
	var families []uuid.UUID
	for _, r := range v.refreshTokens.rows {
		if r.Member == member && !r.Ended && r.Expires.After(at) {
			families = append(families, r.Family)
		}
	}
	slices.SortFunc(families, compareIDs)
	return slices.Compact(families), nil
}

// RecoveryCodes implements clinic.StaffView.
func (v view) RecoveryCodes(_ context.Context, member uuid.UUID) ([][]byte, error) {
	if !v.members.has(member) {
		return nil, absent("member")
	}
	return slices.Clone(v.recoveryCodes.rows[member]), nil
}

// KnownAddresses implements clinic.StaffView.
func (v view) KnownAddresses(_ context.Context, member uuid.UUID) ([]clinic.KnownAddress, error) {
	if !v.members.has(member) {
		return nil, absent("member")
	}
	return slices.Clone(v.knownAddresses.rows[member]), nil
}

// SetPassword implements clinic.StaffTx.
func (t *tx) SetPassword(ctx context.Context, member uuid.UUID, hash string) error {
	m, err := t.Member(ctx, member)
	if err != nil {
		return err
	}
	m.PasswordHash = hash
	t.members.put(t.mark, member, m)
	return nil
}

// SetDisabled implements clinic.StaffTx.
func (t *tx) SetDisabled(ctx context.Context, member uuid.UUID, at time.Time) error {
	m, err := t.Member(ctx, member)
	if err != nil {
		return err
	}
	m.Disabled = kept(at)
	t.members.put(t.mark, member, m)
	return nil
}

// SetRecoveryCodes implements clinic.StaffTx.
func (t *tx) SetRecoveryCodes(_ context.Context, member uuid.UUID, hashes [][]byte) error {
	if !t.members.has(member) {
		return absent("member")
	}
	var codes [][]byte
	for _, hash := range hashes {
		codes = append(codes, document(hash))
	}
	slices.SortFunc(codes, bytes.Compare)
	t.recoveryCodes.put(t.mark, member, codes)
	return nil
}

// SpendRecoveryCode implements clinic.StaffTx.
func (t *tx) SpendRecoveryCode(ctx context.Context, member uuid.UUID, hash []byte) error {
	codes, err := t.RecoveryCodes(ctx, member)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(codes, func(c []byte) bool { return bytes.Equal(c, hash) })
	if i < 0 {
		return absent("recovery code")
	}
	t.recoveryCodes.put(t.mark, member, slices.Delete(codes, i, i+1))
	return nil
}

// KeepAddress implements clinic.StaffTx.
func (t *tx) KeepAddress(ctx context.Context, member uuid.UUID, a clinic.KnownAddress) error {
	addresses, err := t.KnownAddresses(ctx, member)
	if err != nil {
		return err
	}
	a.Hash, a.Last = document(a.Hash), kept(a.Last)
	addresses = append(withoutAddress(addresses, a.Hash), a)
	slices.SortFunc(addresses, func(a, b clinic.KnownAddress) int {
		return cmp.Or(b.Last.Compare(a.Last), bytes.Compare(a.Hash, b.Hash))
	})
	t.knownAddresses.put(t.mark, member, addresses)
	return nil
}

// ForgetAddress implements clinic.StaffTx.
func (t *tx) ForgetAddress(ctx context.Context, member uuid.UUID, hash []byte) error {
	addresses, err := t.KnownAddresses(ctx, member)
	if err != nil {
		return err
	}
	left := withoutAddress(addresses, hash)
	if len(left) == len(t.knownAddresses.rows[member]) {
		return absent("known address")
	}
	t.knownAddresses.put(t.mark, member, left)
	return nil
}

// withoutAddress takes an address out of a list, which it changes.
func withoutAddress(addresses []clinic.KnownAddress, hash []byte) []clinic.KnownAddress {
	return slices.DeleteFunc(addresses, func(a clinic.KnownAddress) bool { return bytes.Equal(a.Hash, hash) })
}
