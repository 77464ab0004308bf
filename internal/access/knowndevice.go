package access

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/google/uuid"
)

// KnownDeviceLife is how long a browser or program counts as known after the last sign-in with it.
const KnownDeviceLife = 30 * 24 * time.Hour

// sealKnownDevice is the purpose of the seal on what makes a device known.
const sealKnownDevice = "known device"

// KnownDevice is what a browser or program keeps of a sign-in, so that the next one is told from a stranger's. It lets nobody in:
// it only sees to it that failures elsewhere don't hold its owner up. Another password makes it worthless.
type KnownDevice struct {
	ID    uuid.UUID
	Until time.Time // in whole seconds
}

// NewKnownDevice makes a device known, from random, until KnownDeviceLife has passed.
func NewKnownDevice(random io.Reader, now time.Time) (KnownDevice, error) {
	var d KnownDevice
	if _, err := io.ReadFull(random, d.ID[:]); err != nil {
		return d, fmt.Errorf("make known device: %w", err)
	}
	return d.Renewed(now), nil
}

// Renewed returns the device with its whole life before it.
func (d KnownDevice) Renewed(now time.Time) KnownDevice {
	d.Until = now.Add(KnownDeviceLife).UTC().Truncate(time.Second)
	return d
}

// SealKnownDevice writes a device as its owner keeps it, for a member with a password of this hash.
func (k *Keys) SealKnownDevice(d KnownDevice, member uuid.UUID, passwordHash string) string {
	until := binary.BigEndian.AppendUint64(nil, uint64(d.Until.Unix())) //nolint:gosec // read back the same
	raw := append(append(d.ID[:len(d.ID):len(d.ID)], until...), k.Seal(sealKnownDevice, member[:], []byte(passwordHash), d.ID[:], until)...)
	return base64.RawURLEncoding.EncodeToString(raw)
}

// OpenKnownDevice reads what SealKnownDevice wrote for the same member and password. False for anything else, and for what is over.
func (k *Keys) OpenKnownDevice(sealed string, member uuid.UUID, passwordHash string, now time.Time) (KnownDevice, bool) {
	raw, err := base64.RawURLEncoding.Strict().DecodeString(sealed)
	var d KnownDevice
	if err != nil || strings.ContainsAny(sealed, "\r\n") || len(raw) != len(d.ID)+8+SealSize {
		return d, false
	}
	until := raw[len(d.ID) : len(d.ID)+8]
	copy(d.ID[:], raw)
	d.Until = time.Unix(int64(binary.BigEndian.Uint64(until)), 0).UTC() //nolint:gosec // sealed by us
	ours := k.CheckSeal(raw[len(d.ID)+8:], sealKnownDevice, member[:], []byte(passwordHash), d.ID[:], until)
	return d, ours && now.Before(d.Until)
}
