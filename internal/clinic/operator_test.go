package clinic_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// pointers returns the places that an error points at.
func pointers(err error) []string {
	var places []string
	if f, ok := errors.AsType[*fault.Error](err); ok {
		for _, field := range f.Fields {
			places = append(places, field.Pointer)
		}
	}
	return places
}

func TestAddClinic(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for name, test := range map[string]struct {
		name, zone, second string
		wrong              []string
	}{
		"fine":            {"North", "Europe/Paris", "lead", nil},
		"nothing":         {"", "", "", []string{"/name", "/timezone", "/second_factor"}},
		"a name too long": {strings.Repeat("x", 81), "UTC", "none", []string{"/name"}},
		"a zone of none":  {"North", "Local", "all", []string{"/timezone"}},
		"some":            {"North", "UTC", "some", []string{"/second_factor"}},
	} {
		_, err := h.AddClinic(t.Context(), newClinic(test.name, test.zone, test.second), started)
		assert.Equal(t, test.wrong, pointers(err), name)
		assert.Equal(t, test.wrong == nil, err == nil, name)
	}
}

func TestAddMember(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	c, err := h.AddClinic(t.Context(), newClinic("North", "UTC", "none"), started)
	require.NoError(t, err)
	good := clinic.NewMember{Clinic: c.ID, Email: " Ines@Clinic.example ", Name: "Ines", Role: access.RoleClinician, Password: "seven slow snails"}
	m, err := h.AddMember(t.Context(), good, started)
	require.NoError(t, err)
	assert.Equal(t, "ines@clinic.example", m.Email)
	assert.NotContains(t, m.PasswordHash, "snails")

	_, err = h.AddMember(t.Context(), good, started)
	assert.Equal(t, fault.Conflict, fault.KindOf(err), "the address is taken, in whatever letters")
	stranger := good
	stranger.Clinic, stranger.Email = uuid.New(), "other@clinic.example"
	_, err = h.AddMember(t.Context(), stranger, started)
	assert.Equal(t, fault.NotFound, fault.KindOf(err))

	for name, test := range map[string]struct {
		change func(*clinic.NewMember)
		wrong  string
	}{
		"no name":       {func(n *clinic.NewMember) { n.Name = "" }, "/name"},
		"a device":      {func(n *clinic.NewMember) { n.Role = access.RoleDevice }, "/role"},
		"no address":    {func(n *clinic.NewMember) { n.Email = "ines" }, "/email"},
		"a named one":   {func(n *clinic.NewMember) { n.Email = "Ines <ines@clinic.example>" }, "/email"},
		"too long":      {func(n *clinic.NewMember) { n.Email = strings.Repeat("x", 250) + "@clinic.example" }, "/email"},
		"a short word":  {func(n *clinic.NewMember) { n.Password = "snails" }, "/password"},
		"the clinic":    {func(n *clinic.NewMember) { n.Password = "North-clinic-2027" }, "/password"},
		"their name":    {func(n *clinic.NewMember) { n.Password = "Ines Ines Ines 1!" }, "/password"},
		"their address": {func(n *clinic.NewMember) { n.Password = "other@clinic.example" }, "/password"},
	} {
		n := good
		n.Email = "other@clinic.example"
		test.change(&n)
		_, err := h.AddMember(t.Context(), n, started)
		assert.Equal(t, fault.Invalid, fault.KindOf(err), name)
		assert.Equal(t, []string{test.wrong}, pointers(err), name)
	}
}

func TestIssueServiceToken(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	c, err := h.AddClinic(t.Context(), newClinic("North", "UTC", "none"), started)
	require.NoError(t, err)
	token, err := h.IssueServiceToken(t.Context(), c.ID, access.RoleScheduler, 720*time.Hour, started)
	require.NoError(t, err)
	p, err := h.Authenticate(t.Context(), token, "getOwnHousehold", started.Add(719*time.Hour))
	require.NoError(t, err)
	assert.Equal(t, access.RoleScheduler, p.Role)
	assert.Equal(t, c.ID, p.ClinicID)
	_, err = h.Authenticate(t.Context(), token, "getOwnHousehold", started.Add(720*time.Hour))
	assert.Equal(t, fault.Unauthenticated, fault.KindOf(err))

	for name, test := range map[string]struct {
		clinic uuid.UUID
		role   access.Role
		ttl    time.Duration
		kind   fault.Kind
	}{
		"a lead":          {c.ID, access.RoleLead, time.Hour, fault.Invalid},
		"no time":         {c.ID, access.RoleScheduler, time.Second, fault.Invalid},
		"too long":        {c.ID, access.RoleScheduler, 367 * 24 * time.Hour, fault.Invalid},
		"nobody's clinic": {uuid.New(), access.RoleScheduler, time.Hour, fault.NotFound},
	} {
		_, err := h.IssueServiceToken(t.Context(), test.clinic, test.role, test.ttl, started)
		assert.Equal(t, test.kind, fault.KindOf(err), name)
	}
}

// TestPrepareAgain leaves the plan built in as it is.
func TestPrepareAgain(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	require.NoError(t, h.Prepare(t.Context(), started.Add(time.Hour)))
	plans, err := h.Plans(t.Context(), h.clinician, started)
	require.NoError(t, err)
	require.Len(t, plans, 1)
	assert.Equal(t, clinic.BuiltinPlan, plans[0].ID)
	assert.True(t, plans[0].Created.Equal(started))
}
