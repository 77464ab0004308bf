package access

import (
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"
	"sync"
	"time"

	"github.com/hashicorp/golang-lru/v2/simplelru"
)

// verifiedKept is how many tokens are remembered, some 400 octets each.
const verifiedKept = 1 << 13

// verified remembers the tokens that were found good, by their hash, so that a signature is checked once and not with every call:
// that is most of what a token costs. What is remembered depends on the token's text alone. What depends on the instant, and on
// which keys are good at it, is looked at each time. Safe for concurrent use.
type verified struct {
	mu    sync.Mutex
	table *simplelru.LRU[[sha256.Size]byte, verifiedToken]
}

type verifiedToken struct {
	principal Principal
	keyID     string
	key       ed25519.PublicKey // that its signature was checked with
}

func newVerified() (*verified, error) {
	table, err := simplelru.NewLRU[[sha256.Size]byte, verifiedToken](verifiedKept, nil)
	if err != nil {
		return nil, fmt.Errorf("make table of tokens: %w", err)
	}
	return &verified{table: table}, nil
}

func (v *verified) add(hash [sha256.Size]byte, t verifiedToken) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.table.Add(hash, t)
}

// find returns a token that was found good and is good at now; false where the whole of it has to be looked at.
func (v *verified) find(hash [sha256.Size]byte, keys *keyRing, now time.Time) (Principal, bool) {
	v.mu.Lock()
	t, has := v.table.Get(hash)
	v.mu.Unlock()
	if !has || now.Before(t.principal.IssuedAt) || !now.Before(t.principal.ExpiresAt) {
		return Principal{}, false
	}
	key, err := keys.verifyingKey(t.keyID, now)
	return t.principal, err == nil && key.Equal(t.key)
}
