package clinic_test

import (
	"encoding/json"
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
	require.Len(t, operations, 36)
	return operations
}

func TestRightsCoverTheDescription(t *testing.T) {
	t.Parallel()
	rights := clinic.NewRights()
	operations := described(t)
	for operation, open := range operations {
		assert.True(t, rights.Known(operation), operation)
		assert.Equal(t, open, rights.Open(operation), operation)
	}
	assert.False(t, rights.Known("eraseEverything"))
	assert.ElementsMatch(t, clinic.KnownOperations(), keysOf(operations), "nothing else is in the table")
}

func keysOf(operations map[clinic.Operation]bool) []clinic.Operation {
	var names []clinic.Operation
	for operation := range operations {
		names = append(names, operation)
	}
	return names
}

func TestRights(t *testing.T) {
	t.Parallel()
	rights := clinic.NewRights()
	device := []access.Role{access.RoleDevice}
	staff := []access.Role{access.RoleClinician, access.RoleLead}
	wanted := map[clinic.Operation][]access.Role{
		"sync": device, "streamSync": device, "getOwnHousehold": device, "listOverdue": {access.RoleScheduler}, "getCohort": {access.RoleLead},
		"getSummary": append(device, staff...), "getNights": append(device, staff...),
	}
	for operation, open := range described(t) {
		roles, special := wanted[operation]
		if !special && !open {
			roles = staff
		}
		for _, role := range []access.Role{access.RoleDevice, access.RoleClinician, access.RoleLead, access.RoleScheduler, "", "operator"} {
			err := rights.Check(access.Principal{Role: role}, operation)
			if contains(roles, role) {
				assert.NoError(t, err, "%s %s", role, operation)
			} else {
				assert.Equal(t, fault.Forbidden, fault.KindOf(err), "%s %s", role, operation)
			}
		}
		revoked := access.Principal{Role: access.RoleDevice, DeviceID: uuid.New(), UploadOnly: true}
		if operation == "sync" {
			require.NoError(t, rights.Check(revoked, operation))
		} else {
			assert.Equal(t, fault.Forbidden, fault.KindOf(rights.Check(revoked, operation)), operation)
		}
	}
	assert.Error(t, rights.Check(access.Principal{Role: access.RoleLead}, "eraseEverything"))
}

func contains(roles []access.Role, role access.Role) bool {
	for _, r := range roles {
		if r == role {
			return true
		}
	}
	return false
}
