package door

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/packing"
	"swallowtail/internal/practice"
)

// TestEveryKindIsPacked packs an entry of every kind that the door knows.
func TestEveryKindIsPacked(t *testing.T) {
	t.Parallel()
	for _, spec := range specs {
		role := practice.Caregiver
		if spec.clinical {
			role = practice.Clinician
		}
		read := Examine([]byte(entryOf(spec.kind, bodies[spec.kind])), KnownSchema, role).Reading
		require.NotNil(t, read, spec.kind)
		require.NotNil(t, read.Entry.Body, spec.kind)
		u := packing.Unpack([]packing.Packed{packing.Pack([]packing.Reading{{Entry: read.Entry}})})
		var again packing.Reading
		u.Next(read.Entry.ID.UUID, &again)
		assert.Equal(t, packing.Reading{Entry: read.Entry}, again, spec.kind)
	}
}
