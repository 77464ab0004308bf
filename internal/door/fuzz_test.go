package door

import (
	"testing"

	"swallowtail/internal/practice"
)

func FuzzExamine(f *testing.F) {
	for _, raw := range seeds(f) {
		f.Add(raw, 1, uint8(practice.Caregiver))
		f.Add(raw, 2, uint8(practice.Clinician))
	}
	f.Fuzz(func(t *testing.T, raw []byte, schema int, role uint8) {
		checkAlways(t, raw, schema, practice.Role(role))
	})
}
