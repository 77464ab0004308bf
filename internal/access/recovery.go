package access

import (
	"io"

	"github.com/google/uuid"
)

// RecoveryCodes is how many recovery codes a clinician gets at a time.
const RecoveryCodes = 10

// A recovery code has 16 letters of 5 bits: 80 bits. NIST SP 800-63B-4, section 3.1.2, asks of a look-up secret for at least 20
// bits with throttling, and lets one be stored with a plain hash from 64 bits on.
const (
	recoveryLetters = 16
	recoveryGroup   = 4 // letters between dashes
)

// NewRecoveryCode makes a recovery code of 80 bits from random, such as "7ZK3-…", to be written down. Store its HashRecovery,
// never the code.
func NewRecoveryCode(random io.Reader) (string, error) {
	code, err := newLetters(random, recoveryLetters)
	if err != nil {
		return "", errRandom("recovery code", err)
	}
	return grouped(code, recoveryGroup), nil
}

// NormalRecovery brings a recovery code as somebody typed it to the form that is hashed, as NormalInvite does with invites. False
// where it can't be one, as a one-time code of six digits.
func NormalRecovery(typed string) (string, bool) { return normalLetters(typed, recoveryLetters) }

// HashRecovery is how a member's recovery code is stored and looked up: 32 bytes, keyed, and another for every member. The code
// must be in its normal form.
func (k *Keys) HashRecovery(member uuid.UUID, normal string) []byte {
	return keyedHash(k.seal, []byte("recovery code"), member[:], []byte(normal))
}
