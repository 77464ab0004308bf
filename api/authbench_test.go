package api_test

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// BenchmarkAuthenticate is what it adds to a call that its caller is looked up.
func BenchmarkAuthenticate(b *testing.B) {
	f := newHouse(b).newSite("north").newFamily("Otter")
	papa := f.newPhone("Papa")
	for name, token := range map[string]string{"device": papa.token(), "clinician": f.clinician.token()} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				_, err := f.service.Authenticate(b.Context(), token, "getOwnHousehold", f.clock.now())
				require.NoError(b, err)
			}
		})
	}
}
