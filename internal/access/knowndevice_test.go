package access_test

import (
	"crypto/rand"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

func TestKnownDevice(t *testing.T) {
	t.Parallel()
	keys, _ := newKeys(t)
	member := uuid.New()
	device, err := access.NewKnownDevice(rand.Reader, noon)
	require.NoError(t, err)
	sealed := keys.SealKnownDevice(device, member, "hash")
	open := func(sealed string, member uuid.UUID, hash string, at time.Time) bool {
		got, ok := keys.OpenKnownDevice(sealed, member, hash, at)
		assert.True(t, !ok || got == device)
		return ok
	}
	assert.True(t, open(sealed, member, "hash", noon.Add(access.KnownDeviceLife-time.Second)))
	assert.False(t, open(sealed, member, "hash", noon.Add(access.KnownDeviceLife)), "over")
	assert.False(t, open(sealed, uuid.New(), "hash", noon), "another member's")
	assert.False(t, open(sealed, member, "other", noon), "of another password")
	other, _ := newKeys(t)
	_, ok := other.OpenKnownDevice(sealed, member, "hash", noon)
	assert.False(t, ok, "another server's")
	for i := range sealed {
		altered := []byte(sealed)
		altered[i] = map[bool]byte{true: 'B', false: 'A'}[altered[i] == 'A']
		assert.False(t, open(string(altered), member, "hash", noon), i)
	}
	for _, wrong := range []string{"", "x", sealed + "A", sealed + "\n", sealed[:len(sealed)-1]} {
		assert.False(t, open(wrong, member, "hash", noon), "%q", wrong)
	}
	later := device.Renewed(noon.AddDate(0, 1, 0))
	assert.Equal(t, device.ID, later.ID)
	assert.True(t, later.Until.After(device.Until))
}
