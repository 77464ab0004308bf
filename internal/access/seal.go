package access

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"hash"
	"strings"

	"swallowtail/internal/fault"
)

// SealSize is the length of a seal in bytes: HMAC-SHA256 cut to 128 bits (RFC 2104, section 5).
const SealSize = 16

// SealStamp is the purpose of the seal on an entry's stamp.
const SealStamp = "stamp"

// Seal proves later that the parts, in this order and for this purpose, were sealed here. It is short enough to travel
// with what it seals, and differs between purposes.
func (k *Keys) Seal(purpose string, parts ...[]byte) []byte {
	s, ok := k.seals.Get().(*sealer)
	if !ok {
		s = &sealer{mac: hmac.New(sha256.New, k.seal)}
	}
	defer k.seals.Put(s)
	s.text = appendPart(s.text[:0], purpose)
	for _, part := range parts {
		s.text = appendPart(s.text, part)
	}
	s.mac.Reset()
	s.mac.Write(s.text)
	s.sum = s.mac.Sum(s.sum[:0])
	return bytes.Clone(s.sum[:SealSize])
}

// sealer is what seals are made with, and room to make them: the parts are brought together there, so that whoever has one sealed needs none.
type sealer struct {
	mac       hash.Hash
	text, sum []byte
}

// CheckSeal tells whether seal is what Seal returned for the same purpose and parts. The time it takes does not depend
// on where they differ.
func (k *Keys) CheckSeal(seal []byte, purpose string, parts ...[]byte) bool {
	return hmac.Equal(seal, k.Seal(purpose, parts...))
}

func cutHash(key []byte, label string, parts ...[]byte) []byte {
	all := append([][]byte{[]byte(label)}, parts...)
	return keyedHash(key, all...)[:SealSize]
}

// SealCursor wraps a position in a list so that a client can carry it, unable to read it, to change it unnoticed or to use
// it for a list of another kind. It is encrypted with AES-256-GCM, since a cursor stands in addresses and so in logs, and a
// position in the roster tells of health. The nonce comes from the payload, as in a synthetic initialisation vector, so
// that the same position has the same cursor. The result is base64url.
func (k *Keys) SealCursor(kind string, payload []byte) string {
	nonce := cutHash(k.cursor, "nonce", []byte(kind), payload)[:k.hidden.NonceSize()]
	return base64.RawURLEncoding.EncodeToString(k.hidden.Seal(nonce, nonce, payload, []byte(kind)))
}

// OpenCursor returns the payload of a cursor that SealCursor made for the same kind. Any other string is
// fault.Unreadable, "cursor-invalid".
func (k *Keys) OpenCursor(kind, cursor string) ([]byte, error) {
	payload, err := k.openCursor(kind, cursor)
	if err != nil {
		return nil, fault.New(fault.Unreadable, "cursor-invalid", "The cursor is not one that this server gave out.").Because(err)
	}
	return payload, nil
}

func (k *Keys) openCursor(kind, cursor string) ([]byte, error) {
	// Base64 decoding skips line breaks even when strict, so a cursor could otherwise be altered and still be opened.
	if strings.ContainsAny(cursor, "\r\n") {
		return nil, errors.New("line break")
	}
	sealed, err := base64.RawURLEncoding.Strict().DecodeString(cursor)
	if err != nil {
		return nil, err
	}
	if len(sealed) < k.hidden.NonceSize() {
		return nil, errors.New("too short")
	}
	nonce, hidden := sealed[:k.hidden.NonceSize()], sealed[k.hidden.NonceSize():]
	payload, err := k.hidden.Open(nil, nonce, hidden, []byte(kind))
	if err != nil {
		return nil, fmt.Errorf("open: %w", err)
	}
	return payload, nil
}
