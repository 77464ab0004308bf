package access

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"time"

	"swallowtail/internal/durable"
)

// KeyRotation is what a rotation did.
type KeyRotation struct {
	Keys    []KeyInfo // those in the file now, the new one first
	Dropped []KeyInfo // those that verify nothing any more, with the instant at which that began
}

// Rotate writes the key file anew, with a new signing key made from random in front, and takes it up. Each former key verifies
// until the instant until, or until the one that it was given before, whichever is earlier; those that do not verify at now are
// dropped. Whatever the root secret yields stays as it is. Several rotations at once, also of several processes, are carried out
// one after the other. It fails, and changes nothing, where the file can't be read or written.
func (k *Keys) Rotate(random io.Reader, now, until time.Time) (KeyRotation, error) {
	if err := k.Reload(); err != nil {
		return KeyRotation{}, err
	}
	var done KeyRotation
	err := durable.Update(k.path, func(content []byte) ([]byte, error) {
		file, err := decodeKeyFile(content)
		if err != nil {
			return nil, err
		}
		fresh, err := newSigning(random, now)
		if err != nil {
			return nil, err
		}
		file.Version = keyFileVersion
		file.Signing, done.Dropped = rotated(file.Signing, fresh, now, until)
		return json.MarshalIndent(file, "", "  ") //nolint:gosec // the key file is where the secret belongs
	})
	if err != nil {
		return KeyRotation{}, fmt.Errorf("rotate keys: %w", err)
	}
	if err := k.Reload(); err != nil {
		return KeyRotation{}, err
	}
	done.Keys = k.List()
	return done, nil
}

// rotated puts a fresh key before the former ones, ends those, and takes out those that have ended.
func rotated(former []keyFileSigning, fresh keyFileSigning, now, until time.Time) (kept []keyFileSigning, dropped []KeyInfo) {
	kept = append(kept, fresh)
	for _, s := range former {
		if s.VerifyUntil.IsZero() || until.Before(s.VerifyUntil) {
			s.VerifyUntil = until.UTC().Truncate(time.Millisecond)
		}
		if now.Before(s.VerifyUntil) {
			kept = append(kept, s)
			continue
		}
		dropped = append(dropped, KeyInfo{ID: s.ID, Created: s.CreatedAt, VerifiesUntil: s.VerifyUntil})
	}
	return kept, dropped
}

// Signer returns the key under which a token was signed at an instant, by the instants at which the keys were made: false where
// none of those that the rotation knew was there yet.
func (r KeyRotation) Signer(at time.Time) (KeyInfo, bool) {
	keys := slices.Concat(r.Keys, r.Dropped)
	keys = slices.DeleteFunc(keys, func(k KeyInfo) bool { return at.Before(k.Created.Truncate(time.Millisecond)) })
	if len(keys) == 0 {
		return KeyInfo{}, false
	}
	return slices.MaxFunc(keys, func(a, b KeyInfo) int { return a.Created.Compare(b.Created) }), true
}
