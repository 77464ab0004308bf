package access

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/ed25519"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"time"
)

// Keys are the server's secrets, as their file has them. Those derived from its root secret never change. Which keys sign and
// verify changes when they are rotated: the whole ring is exchanged then, so any number of goroutines may use Keys meanwhile.
type Keys struct {
	path      string
	ring      atomic.Pointer[keyRing]
	rereading sync.Mutex   // held by the one who reads the file anew
	looked    atomic.Int64 // when an unknown key last made us look at the file, in milliseconds since 1970

	verified *verified

	seal    []byte
	seals   sync.Pool // of sealers by that key, since making one takes longer than the seal: each entry that goes out has one
	cursor  []byte
	hidden  cipher.AEAD // for cursors
	invite  []byte
	refresh []byte
}

// publicKey reads the public half out of a private key, which package crypto/ed25519 keeps behind the seed.
func publicKey(private ed25519.PrivateKey) ed25519.PublicKey {
	return ed25519.PublicKey(private[ed25519.SeedSize:])
}

// secretSize is the length in bytes of the root secret and of every key derived from it.
const secretSize = 32

// newKeys derives the keys for each purpose from the root secret.
func newKeys(path string, secret []byte, ring *keyRing) (*Keys, error) {
	if len(secret) != secretSize {
		return nil, fmt.Errorf("secret has %d bytes, want %d", len(secret), secretSize)
	}
	remembered, err := newVerified()
	if err != nil {
		return nil, err
	}
	k := &Keys{path: path, verified: remembered}
	k.ring.Store(ring)
	purposes := []struct {
		name string
		key  *[]byte
	}{{"seal", &k.seal}, {"cursor", &k.cursor}, {"invite", &k.invite}, {"refresh", &k.refresh}}
	for _, p := range purposes {
		key, err := hkdf.Key(sha256.New, secret, nil, "swallowtail/"+p.name, secretSize)
		if err != nil {
			return nil, fmt.Errorf("derive the %s key: %w", p.name, err)
		}
		*p.key = key
	}
	block, err := aes.NewCipher(k.cursor)
	if err != nil {
		return nil, fmt.Errorf("make the cursor cipher: %w", err)
	}
	if k.hidden, err = cipher.NewGCM(block); err != nil {
		return nil, fmt.Errorf("make the cursor cipher: %w", err)
	}
	return k, nil
}

// Format keeps the secrets out of logs and error texts, whatever the verb.
func (k *Keys) Format(f fmt.State, _ rune) {
	_, _ = io.WriteString(f, "access.Keys(secret)") // fmt has no way to take this error either
}

// JWKS is the set of public keys that verify access tokens; it marshals to a JWK Set document (RFC 7517, section 5).
type JWKS struct {
	Keys []JWK `json:"keys"`
}

// JWK is an Ed25519 public key in the form of RFC 8037, section 2.
type JWK struct {
	KeyType   string `json:"kty"` // always "OKP"
	Curve     string `json:"crv"` // always "Ed25519"
	X         string `json:"x"`   // the public key, base64url
	KeyID     string `json:"kid"`
	Use       string `json:"use"` // always "sig"
	Algorithm string `json:"alg"` // always "EdDSA"
}

// JWKS returns the public keys that verify at an instant, the signing one first.
func (k *Keys) JWKS(at time.Time) JWKS {
	signing := k.ring.Load().signing
	set := JWKS{Keys: make([]JWK, 0, len(signing))}
	for _, s := range signing {
		if !s.verifies(at) {
			continue
		}
		set.Keys = append(set.Keys, JWK{
			KeyType: "OKP", Curve: "Ed25519", X: base64.RawURLEncoding.EncodeToString(s.public()),
			KeyID: s.id, Use: "sig", Algorithm: "EdDSA",
		})
	}
	return set
}

// thumbprint is the key's name: its SHA-256 JWK thumbprint (RFC 7638, members for OKP from RFC 8037, section 2).
func thumbprint(public ed25519.PublicKey) string {
	canonical := fmt.Sprintf(`{"crv":"Ed25519","kty":"OKP","x":"%s"}`, base64.RawURLEncoding.EncodeToString(public))
	sum := sha256.Sum256([]byte(canonical))
	return base64.RawURLEncoding.EncodeToString(sum[:])
}

// keyedHash is HMAC-SHA256 over the parts, each preceded by its length, so that no two lists of parts look alike.
func keyedHash(key []byte, parts ...[]byte) []byte {
	var text []byte
	for _, part := range parts {
		text = appendPart(text, part)
	}
	mac := hmac.New(sha256.New, key)
	mac.Write(text)
	return mac.Sum(nil)
}

// appendPart appends a part preceded by its length.
func appendPart[T string | []byte](to []byte, part T) []byte {
	return append(binary.BigEndian.AppendUint64(to, uint64(len(part))), part...)
}
