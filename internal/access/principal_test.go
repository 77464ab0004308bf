package access_test

import (
	"net/netip"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"

	"swallowtail/internal/access"
)

func device() access.Principal {
	return access.Principal{
		Role: access.RoleDevice, ClinicID: uuid.New(), HouseholdID: uuid.New(), CaregiverID: uuid.New(), DeviceID: uuid.New(),
		Session: uuid.New(),
	}
}

func clinician() access.Principal {
	return access.Principal{Role: access.RoleClinician, ClinicID: uuid.New(), ClinicianID: uuid.New(), Session: uuid.New()}
}

func scheduler() access.Principal {
	return access.Principal{Role: access.RoleScheduler, ClinicID: uuid.New()}
}

func TestPrincipalTravelsInTheContext(t *testing.T) {
	t.Parallel()
	_, ok := access.PrincipalFrom(t.Context())
	assert.False(t, ok)

	want := device()
	got, ok := access.PrincipalFrom(access.WithPrincipal(t.Context(), want))
	assert.True(t, ok)
	assert.Equal(t, want, got)
}

func TestStaff(t *testing.T) {
	t.Parallel()
	assert.True(t, access.RoleClinician.Staff())
	assert.True(t, access.RoleLead.Staff())
	assert.False(t, access.RoleDevice.Staff())
	assert.False(t, access.RoleScheduler.Staff())
	assert.False(t, access.Role("").Staff())
}

func TestOrigin(t *testing.T) {
	t.Parallel()
	assert.False(t, access.OriginFrom(t.Context()).IsValid(), "nobody said where it came from")
	for sent, kept := range map[string]string{
		"192.0.2.7": "192.0.2.7", "::ffff:192.0.2.7": "192.0.2.7", "2001:db8::7": "2001:db8::7", "fe80::1%eth0": "fe80::1",
	} {
		from := access.OriginFrom(access.WithOrigin(t.Context(), netip.MustParseAddr(sent)))
		assert.Equal(t, netip.MustParseAddr(kept), from, sent)
	}
}
