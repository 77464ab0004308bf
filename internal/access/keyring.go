package access

import (
	"crypto/ed25519"
	"crypto/hmac"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"time"
)

// keyRing is the signing keys of one state of the key file. It never changes.
type keyRing struct {
	signing []signingKey // the first signs
	file    fs.FileInfo  // what the file was when it was read
}

type signingKey struct {
	id      string
	created time.Time
	until   time.Time // from then on it verifies nothing; zero while that is not known
	private ed25519.PrivateKey
}

func (s *signingKey) public() ed25519.PublicKey { return publicKey(s.private) }

func (s *signingKey) verifies(at time.Time) bool { return s.until.IsZero() || at.Before(s.until) }

var (
	errUnknownKey = errors.New("unknown key id")
	errEndedKey   = errors.New("the key verifies nothing any more")
)

// verifyingKey returns the key that a token names.
func (r *keyRing) verifyingKey(id string, at time.Time) (ed25519.PublicKey, error) {
	i := slices.IndexFunc(r.signing, func(s signingKey) bool { return s.id == id })
	if i < 0 {
		return nil, errUnknownKey
	}
	if s := &r.signing[i]; s.verifies(at) {
		return s.public(), nil
	}
	return nil, errEndedKey
}

// KeyInfo is what may be told of a signing key.
type KeyInfo struct {
	ID            string // the kid of its tokens
	Created       time.Time
	Signs         bool
	VerifiesUntil time.Time // zero while it signs
}

// List returns the signing keys that the file had when it was read last, the one that signs first.
func (k *Keys) List() []KeyInfo { return k.ring.Load().list() }

func (r *keyRing) list() []KeyInfo {
	infos := make([]KeyInfo, 0, len(r.signing))
	for i, s := range r.signing {
		infos = append(infos, KeyInfo{ID: s.id, Created: s.created, Signs: i == 0, VerifiesUntil: s.until})
	}
	return infos
}

// Reload takes up the key file if it is another than the one that was read last. On an error, as for a file that is gone,
// damaged or open to others, the keys stay as they were; so they do when the file holds another root secret, since that makes
// other keys of everything and is for a restart alone.
func (k *Keys) Reload() error {
	k.rereading.Lock()
	defer k.rereading.Unlock()
	info, err := os.Stat(k.path)
	if err != nil {
		return fmt.Errorf("look at key file: %w", err)
	}
	if sameFile(k.ring.Load().file, info) {
		return nil
	}
	fresh, err := LoadKeys(k.path)
	if err != nil {
		return err
	}
	if !hmac.Equal(k.seal, fresh.seal) {
		return fmt.Errorf("key file %s: it holds another secret than the one that this process began with", k.path)
	}
	k.ring.Store(fresh.ring.Load())
	return nil
}

// sameFile reports whether a file is as it was. Whoever writes one anew makes another, or at least touches it.
func sameFile(was, is fs.FileInfo) bool {
	return os.SameFile(was, is) && was.ModTime().Equal(is.ModTime()) && was.Size() == is.Size()
}

// lookEvery bounds how often tokens under unknown keys, which anybody can make, have the key file looked at.
const lookEvery = time.Second

// lookForKey looks whether the key file has changed, as when another process on it has rotated the keys, unless that was done
// within the last second; true if there are other keys now. What is wrong with the file is for whoever calls Reload regularly.
func (k *Keys) lookForKey(now time.Time) bool {
	last := k.looked.Load()
	if now.Sub(time.UnixMilli(last)).Abs() < lookEvery || !k.looked.CompareAndSwap(last, now.UnixMilli()) {
		return false
	}
	before := k.ring.Load()
	return k.Reload() == nil && k.ring.Load() != before
}
