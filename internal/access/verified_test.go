package access_test

import (
	"crypto/rand"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

// TestWhatIsRememberedOfATokenIsNoMoreThanItsText: a token that was found good is looked at anew by the clock and by the keys.
func TestWhatIsRememberedOfATokenIsNoMoreThanItsText(t *testing.T) {
	t.Parallel()
	keys, _ := newKeys(t)
	p := device()
	token, err := keys.Issue(p, access.AccessTTL, noon, "a")
	require.NoError(t, err)
	for range 2 {
		got, err := keys.Verify(token, noon)
		require.NoError(t, err)
		assert.Equal(t, p.DeviceID, got.DeviceID)
		assertUnauthenticated(t, second(keys.Verify(token, noon.Add(access.AccessTTL))), "token-expired")
		assertUnauthenticated(t, second(keys.Verify(token, noon.Add(-time.Hour))), "token-invalid")
		assertUnauthenticated(t, second(keys.Verify(token+"A", noon)), "token-invalid")
	}
	_, err = keys.Rotate(rand.Reader, noon, noon.Add(time.Minute))
	require.NoError(t, err)
	require.NoError(t, second(keys.Verify(token, noon.Add(time.Minute-time.Millisecond))))
	assertUnauthenticated(t, second(keys.Verify(token, noon.Add(time.Minute))), "token-invalid")
	other, _ := newKeys(t)
	assertUnauthenticated(t, second(other.Verify(token, noon)), "token-invalid")
}

func second(_ access.Principal, err error) error { return err }
