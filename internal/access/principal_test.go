package access_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"

	"swallowtail/internal/access"
)

func device() access.Principal {
	return access.Principal{
		Role: access.RoleDevice, ClinicID: uuid.New(), HouseholdID: uuid.New(), CaregiverID: uuid.New(), DeviceID: uuid.New(),
	}
}

func clinician() access.Principal {
	return access.Principal{Role: access.RoleClinician, ClinicID: uuid.New(), ClinicianID: uuid.New()}
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
