package storetest

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"

	"swallowtail/internal/clinic"
)

func membersOf(v clinic.View) finder[[]clinic.Member]              { return v.Members }
func tokenFamilyOf(v clinic.View) finder[clinic.TokenFamily]       { return v.TokenFamily }
func recoveryCodesOf(v clinic.View) finder[[][]byte]               { return v.RecoveryCodes }
func knownAddressesOf(v clinic.View) finder[[]clinic.KnownAddress] { return v.KnownAddresses }

// familiesAt finds what is open at an instant.
func familiesAt(at time.Time) func(v clinic.View) finder[[]uuid.UUID] {
	return func(v clinic.View) finder[[]uuid.UUID] {
		return func(ctx context.Context, member uuid.UUID) ([]uuid.UUID, error) {
			return v.OpenFamilies(ctx, member, at)
		}
	}
}

func passwordsAndDisabled(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	want, colleague := sampleMember(1, w.clinic), sampleMember(3, w.clinic)
	colleague.Disabled = minutes(7)
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AddMember(ctx, colleague) })
	assert.Equal(b, []clinic.Member{want, colleague}, get(b, membersOf, w.clinic))

	want.PasswordHash, want.Disabled, colleague.Disabled = "another", minutes(9), time.Time{}
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(
			tx.SetPassword(ctx, want.ID, want.PasswordHash), tx.SetDisabled(ctx, want.ID, want.Disabled),
			tx.SetDisabled(ctx, colleague.ID, time.Time{}),
		)
	})
	assert.Equal(b, []clinic.Member{want, colleague}, get(b, membersOf, w.clinic))
	assert.Equal(b, []clinic.Member{sampleMember(2, other.clinic)}, get(b, membersOf, other.clinic))
}

func tokenFamilies(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		add := func(hash byte, family int, member, device uuid.UUID, expires int) error {
			return tx.AddRefreshToken(ctx, clinic.RefreshToken{
				Hash: []byte{hash}, Family: id(aFamily, family), Member: member, Device: device, Expires: minutes(expires),
			})
		}
		return errors.Join(
			add(1, 1, w.member, uuid.Nil, 5), add(2, 1, w.member, uuid.Nil, 9), add(3, 2, w.member, uuid.Nil, 4),
			add(4, 3, other.member, uuid.Nil, 9), add(5, 4, uuid.Nil, w.device, 9),
		)
	})
	assert.Equal(b, clinic.TokenFamily{Member: w.member}, get(b, tokenFamilyOf, id(aFamily, 1)))
	assert.Equal(b, clinic.TokenFamily{Device: w.device}, get(b, tokenFamilyOf, id(aFamily, 4)))
	assert.Equal(b, []uuid.UUID{id(aFamily, 1), id(aFamily, 2)}, get(b, familiesAt(minutes(3)), w.member))
	assert.Equal(b, []uuid.UUID{id(aFamily, 1)}, get(b, familiesAt(minutes(4)), w.member))
	assert.Empty(b, get(b, familiesAt(minutes(9)), w.member))

	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.EndTokenFamily(ctx, id(aFamily, 1)) })
	assert.Equal(b, clinic.TokenFamily{Member: w.member, Ended: true}, get(b, tokenFamilyOf, id(aFamily, 1)))
	assert.False(b, get(b, tokenFamilyOf, id(aFamily, 2)).Ended, "no other")
	assert.Equal(b, []uuid.UUID{id(aFamily, 2)}, get(b, familiesAt(minutes(3)), w.member))

	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(tx.SetDisabled(ctx, other.member, minutes(7)), tx.RevokeDevice(ctx, w.device, minutes(8)))
	})
	assert.Equal(b, clinic.TokenFamily{Member: other.member, Disabled: minutes(7)}, get(b, tokenFamilyOf, id(aFamily, 3)))
	assert.Equal(b, clinic.TokenFamily{Device: w.device, Revoked: minutes(8)}, get(b, tokenFamilyOf, id(aFamily, 4)))
	assert.Zero(b, get(b, tokenFamilyOf, id(aFamily, 2)).Disabled, "no other")

	// A token may be added after the end, by a replay of what led there.
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return tx.AddRefreshToken(ctx, clinic.RefreshToken{Hash: []byte{0}, Family: id(aFamily, 1), Member: w.member, Expires: minutes(9)})
	})
	assert.True(b, get(b, tokenFamilyOf, id(aFamily, 1)).Ended)
}

func recoveryCodes(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	assert.Empty(b, get(b, recoveryCodesOf, w.member))
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(
			tx.SetRecoveryCodes(ctx, w.member, [][]byte{{3}, {1}, {2}}), tx.SetRecoveryCodes(ctx, other.member, [][]byte{{1}}),
		)
	})
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.SpendRecoveryCode(ctx, w.member, []byte{1}) })
	assert.Equal(b, [][]byte{{2}, {3}}, get(b, recoveryCodesOf, w.member))
	assert.Equal(b, [][]byte{{1}}, get(b, recoveryCodesOf, other.member), "nobody else's")
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return tx.SetRecoveryCodes(ctx, w.member, [][]byte{{7}})
	})
	assert.Equal(b, [][]byte{{7}}, get(b, recoveryCodesOf, w.member))
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.SetRecoveryCodes(ctx, w.member, nil) })
	assert.Empty(b, get(b, recoveryCodesOf, w.member))
}

func knownAddresses(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	address := func(hash byte, last int) clinic.KnownAddress {
		return clinic.KnownAddress{Hash: []byte{hash}, Last: minutes(last)}
	}
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(
			tx.KeepAddress(ctx, w.member, address(1, 1)), tx.KeepAddress(ctx, w.member, address(3, 2)),
			tx.KeepAddress(ctx, w.member, address(2, 2)), tx.KeepAddress(ctx, other.member, address(1, 9)),
		)
	})
	assert.Equal(b, []clinic.KnownAddress{address(2, 2), address(3, 2), address(1, 1)}, get(b, knownAddressesOf, w.member))
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(tx.KeepAddress(ctx, w.member, address(1, 5)), tx.ForgetAddress(ctx, w.member, []byte{2}))
	})
	assert.Equal(b, []clinic.KnownAddress{address(1, 5), address(3, 2)}, get(b, knownAddressesOf, w.member))
	assert.Equal(b, []clinic.KnownAddress{address(1, 9)}, get(b, knownAddressesOf, other.member), "nobody else's")
}

// absentStaff are reads about a clinician or a family that is not there.
func absentStaff() []use {
	var uses []use
	for name, method := range map[string]func(ctx context.Context, v clinic.View) error{
		"Members": byID(membersOf), "TokenFamily": byID(tokenFamilyOf), "OpenFamilies": byID(familiesAt(evening)),
		"RecoveryCodes": byID(recoveryCodesOf), "KnownAddresses": byID(knownAddressesOf),
	} {
		uses = append(uses, use{name, func(ctx context.Context, tx clinic.Tx) error { return method(ctx, tx) }})
	}
	return uses
}

// absentStaffWrites write to a clinician who is not there, or take away what is not there.
func absentStaffWrites(w world) []use {
	return []use{
		{"SetPassword", func(ctx context.Context, tx clinic.Tx) error { return tx.SetPassword(ctx, nobody, "") }},
		{"SetDisabled", func(ctx context.Context, tx clinic.Tx) error { return tx.SetDisabled(ctx, nobody, evening) }},
		{"SetRecoveryCodes", func(ctx context.Context, tx clinic.Tx) error { return tx.SetRecoveryCodes(ctx, nobody, nil) }},
		{"SpendRecoveryCode", func(ctx context.Context, tx clinic.Tx) error { return tx.SpendRecoveryCode(ctx, nobody, nil) }},
		{"SpendRecoveryCode of none", func(ctx context.Context, tx clinic.Tx) error {
			return tx.SpendRecoveryCode(ctx, w.member, []byte{9})
		}},
		{"KeepAddress", func(ctx context.Context, tx clinic.Tx) error {
			return tx.KeepAddress(ctx, nobody, clinic.KnownAddress{})
		}},
		{"ForgetAddress", func(ctx context.Context, tx clinic.Tx) error { return tx.ForgetAddress(ctx, nobody, nil) }},
		{"ForgetAddress of none", func(ctx context.Context, tx clinic.Tx) error {
			return tx.ForgetAddress(ctx, w.member, []byte{9})
		}},
	}
}

// letStaffIn gives a full world what lets its clinician in.
func (w world) letStaffIn(ctx context.Context, tx clinic.Tx) error {
	second := sampleMember(there, w.clinic)
	return errors.Join(
		tx.AddMember(ctx, second), tx.SetRecoveryCodes(ctx, w.member, [][]byte{{1}, {2}}),
		tx.SetRecoveryCodes(ctx, second.ID, [][]byte{{1}}),
		tx.KeepAddress(ctx, w.member, clinic.KnownAddress{Hash: []byte{1}, Last: minutes(1)}),
		tx.KeepAddress(ctx, second.ID, clinic.KnownAddress{Hash: []byte{1}, Last: minutes(1)}),
	)
}

// changeOfStaff writes with every method of clinic.StaffTx.
func (w world) changeOfStaff() []use {
	second := sampleMember(there, w.clinic).ID
	return []use{
		{"SetPassword", func(ctx context.Context, tx clinic.Tx) error { return tx.SetPassword(ctx, second, "another") }},
		{"SetDisabled", func(ctx context.Context, tx clinic.Tx) error { return tx.SetDisabled(ctx, second, minutes(9)) }},
		{"SetRecoveryCodes", func(ctx context.Context, tx clinic.Tx) error {
			return tx.SetRecoveryCodes(ctx, second, [][]byte{{9}})
		}},
		{"SpendRecoveryCode", func(ctx context.Context, tx clinic.Tx) error {
			return tx.SpendRecoveryCode(ctx, w.member, []byte{1})
		}},
		{"KeepAddress", func(ctx context.Context, tx clinic.Tx) error {
			return tx.KeepAddress(ctx, second, clinic.KnownAddress{Hash: []byte{9}, Last: minutes(9)})
		}},
		{"ForgetAddress", func(ctx context.Context, tx clinic.Tx) error { return tx.ForgetAddress(ctx, w.member, []byte{1}) }},
	}
}

// questionsOfStaff ask with every method of clinic.StaffView.
func (w world) questionsOfStaff() []question {
	second := sampleMember(there, w.clinic).ID
	return []question{
		asked("Members", "changed", membersOf, w.clinic),
		asked("TokenFamily", "ended", tokenFamilyOf, id(aFamily, 2)),
		asked("OpenFamilies", "ended", familiesAt(minutes(1)), w.member),
		asked("RecoveryCodes", "spent", recoveryCodesOf, w.member), asked("RecoveryCodes", "set", recoveryCodesOf, second),
		asked("KnownAddresses", "forgotten", knownAddressesOf, w.member), asked("KnownAddresses", "kept", knownAddressesOf, second),
	}
}
