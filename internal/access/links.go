package access

import (
	"crypto/hmac"
	"encoding/base64"
	"strings"

	"github.com/google/uuid"
)

// The purposes of links.
const (
	// LinkUnsubscribe ends the messages to an address.
	LinkUnsubscribe = "unsubscribe"
)

// Link makes the secret part of a web address that proves, to whoever has the keys, for which thing and purpose it was given out:
// base64url of the id and a seal of 128 bits. Nothing of it need be stored, and it holds for as long as the keys do.
func (k *Keys) Link(purpose string, id uuid.UUID) string {
	return base64.RawURLEncoding.EncodeToString(append(id[:], k.Seal("link "+purpose, id[:])...))
}

// OpenLink returns the id of a link that Link made for the same purpose; false for any other text.
func (k *Keys) OpenLink(purpose, link string) (uuid.UUID, bool) {
	if strings.ContainsAny(link, "\r\n") { // which decoding skips
		return uuid.Nil, false
	}
	raw, err := base64.RawURLEncoding.Strict().DecodeString(link)
	if err != nil || len(raw) != len(uuid.Nil)+SealSize {
		return uuid.Nil, false
	}
	id := uuid.UUID(raw[:len(uuid.Nil)])
	return id, k.CheckSeal(raw[len(uuid.Nil):], "link "+purpose, id[:])
}

// addressLetters is how long the code is that shows that an address is read: 40 bits, good for one address, a day and a few
// tries (NIST SP 800-63B-4 asks that much of a code that is typed).
const (
	addressLetters = 8
	addressGroup   = 4
)

// AddressCode returns the code that shows that an address is read, such as "7ZK3-9QXM", for the delivery that carries it. It is
// worked out anew whenever it is needed, and stored nowhere.
func (k *Keys) AddressCode(delivery uuid.UUID) string {
	return grouped(lettersOf(k.Seal("address code", delivery[:]), addressLetters), addressGroup)
}

// CheckAddressCode tells whether a code, as somebody typed it, is the one that a delivery carried.
func (k *Keys) CheckAddressCode(delivery uuid.UUID, typed string) bool {
	code, ok := normalLetters(typed, addressLetters)
	wanted, _ := normalLetters(k.AddressCode(delivery), addressLetters)
	return ok && hmac.Equal([]byte(code), []byte(wanted))
}

// A calendar feed's secret has 26 letters of 5 bits: 130 bits, since it stands alone.
const feedLetters = 26

// NewFeedSecret makes the secret part of a calendar feed's address from 17 octets of random. Store its HashFeed, never the secret.
func NewFeedSecret(random [17]byte) string { return strings.ToLower(lettersOf(random[:], feedLetters)) }

// HashFeed is how the secret of a feed is stored and looked up. Any string has one; what is no secret of ours is not found.
func (k *Keys) HashFeed(secret string) []byte {
	return keyedHash(k.seal, []byte("calendar feed"), []byte(secret))
}
