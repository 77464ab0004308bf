package clinic_test

import (
	"encoding/json"
	"maps"
	"slices"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
	"swallowtail/openapi"
)

// described returns the operations of the description, and whether each is open to anybody.
func described(t *testing.T) map[clinic.Operation]bool {
	t.Helper()
	converted, err := openapi.JSON()
	require.NoError(t, err)
	var doc struct {
		Paths map[string]map[string]struct {
			ID       string `json:"operationId"`
			Security *[]any `json:"security"`
		} `json:"paths"`
	}
	require.NoError(t, json.Unmarshal(converted, &doc))
	operations := map[clinic.Operation]bool{}
	for _, item := range doc.Paths {
		for _, operation := range item {
			operations[clinic.Operation(operation.ID)] = operation.Security != nil && len(*operation.Security) == 0
		}
	}
	require.Len(t, operations, 59)
	return operations
}

func TestRightsCoverTheDescription(t *testing.T) {
	t.Parallel()
	rights := clinic.NewRights()
	operations := described(t)
	for operation, open := range operations {
		rule, known := rights.Rule(operation)
		assert.True(t, known, operation)
		assert.Equal(t, open, rule.Open, operation)
		assert.Equal(t, open, len(rule.Reach) == 0, "%s: open to anybody, or to some role", operation)
	}
	_, known := rights.Rule("eraseEverything")
	assert.False(t, known)
	assert.ElementsMatch(t, clinic.KnownOperations(), slices.Collect(maps.Keys(operations)), "nothing else is in the table")
}

func TestRights(t *testing.T) {
	t.Parallel()
	rights := clinic.NewRights()
	device := []access.Role{access.RoleDevice}
	staff := []access.Role{access.RoleClinician, access.RoleLead}
	lead := []access.Role{access.RoleLead}
	scheduler := []access.Role{access.RoleScheduler}
	wanted := map[clinic.Operation][]access.Role{
		"sync": device, "streamSync": device, "getOwnHousehold": device,
		"listOverdue": scheduler, "claimReminders": scheduler, "giveGoAhead": scheduler, "reportReminder": scheduler,
		"addReminderAddress": device, "listReminderAddresses": device, "sendAddressCode": device, "verifyReminderAddress": device,
		"setReminderWanted": device, "removeReminderAddress": device,
		"createCalendarFeed": device, "listCalendarFeeds": device, "revokeCalendarFeed": device, "setReminderTime": append(device, staff...),
		"listOwnDevices": device, "getConsent": device, "giveConsent": device, "revokeDevice": append(device, staff...),
		"withdrawConsent": append(device, staff...), "getCohort": lead, "listAudit": lead,
		"getSummary": append(device, staff...), "getNights": append(device, staff...),
	}
	for operation, open := range described(t) {
		roles, special := wanted[operation]
		if !special && !open {
			roles = staff
		}
		for _, role := range []access.Role{access.RoleDevice, access.RoleClinician, access.RoleLead, access.RoleScheduler, "", "operator"} {
			err := rights.Permit(access.Principal{Role: role}, operation)
			if slices.Contains(roles, role) {
				assert.NoError(t, err, "%s %s", role, operation)
			} else {
				assert.Equal(t, fault.Forbidden, fault.KindOf(err), "%s %s", role, operation)
			}
		}
		// Of whoever is unproven it is not known whether the device has been revoked, or its consent withdrawn.
		if rule, _ := rights.Rule(operation); rule.Proves {
			assert.True(t, rule.Revoked && rule.Withdrawn, operation)
			assert.Equal(t, clinic.Operation("sync"), operation, "which of them proves it must be tested")
		}
		revoked := access.Principal{Role: access.RoleDevice, DeviceID: uuid.New(), UploadOnly: true}
		if operation == "sync" {
			require.NoError(t, rights.Permit(revoked, operation))
		} else {
			assert.Equal(t, fault.Forbidden, fault.KindOf(rights.Permit(revoked, operation)), operation)
		}
	}
	assert.Error(t, rights.Permit(access.Principal{Role: access.RoleLead}, "eraseEverything"))
}

// TestWhoseThings asks for everybody's things by every operation: a device reaches those of its own household, staff and
// programs those of their own clinic, nobody any other, nor what is nobody's.
func TestWhoseThings(t *testing.T) {
	t.Parallel()
	rights := clinic.NewRights()
	north, south, home, next, mama := uuid.New(), uuid.New(), uuid.New(), uuid.New(), uuid.New()
	callers := []access.Principal{
		{Role: access.RoleDevice, ClinicID: north, HouseholdID: home, CaregiverID: mama},
		{Role: access.RoleClinician, ClinicID: north},
		{Role: access.RoleLead, ClinicID: north},
		{Role: access.RoleScheduler, ClinicID: north},
	}
	for operation := range described(t) {
		for _, p := range callers {
			asks := rights.Permit(p, operation) == nil
			assert.Equal(t, asks, rights.Reaches(p, operation, north, home, mama), "%s %s: their own", p.Role, operation)
			assert.Equal(t, asks && p.Role != access.RoleDevice, rights.Reaches(p, operation, north, next, uuid.New()),
				"%s %s: of another household of the clinic", p.Role, operation)
			assert.False(t, rights.Reaches(p, operation, south, uuid.New(), uuid.New()), "%s %s: of another clinic", p.Role, operation)
			assert.False(t, rights.Reaches(p, operation, uuid.Nil, uuid.Nil, uuid.Nil), "%s %s: nobody's", p.Role, operation)
			nowhere := access.Principal{Role: p.Role}
			assert.False(t, rights.Reaches(nowhere, operation, uuid.Nil, uuid.Nil, uuid.Nil), "%s %s: of nowhere", p.Role, operation)
		}
	}
}
