package access

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/pquerna/otp"
	"github.com/pquerna/otp/hotp"
	"github.com/pquerna/otp/totp"
)

// Time-based one-time passwords (RFC 6238) as every authenticator app understands them: SHA-1, six digits, steps of
// 30 seconds, and one step either side for clocks that differ (section 5.2).
const (
	totpStep   = 30 // seconds
	totpSkew   = 1  // steps
	totpSecret = 20 // bytes: RFC 4226, section 4, R6, recommends 160 bits
)

// TOTP is a new second factor, to be shown once.
type TOTP struct {
	Secret string // base32 without padding; store it
	URI    string // otpauth address, for a QR code
}

// NewTOTP makes a second factor from random. account, usually the e-mail address, is what an authenticator app shows
// beside the code; it must not be empty.
func NewTOTP(account string, random io.Reader) (TOTP, error) {
	key, err := totp.Generate(totp.GenerateOpts{
		Issuer: "Swallowtail", AccountName: account, Period: totpStep, SecretSize: totpSecret,
		Digits: otp.DigitsSix, Algorithm: otp.AlgorithmSHA1, Rand: random,
	})
	if err != nil {
		return TOTP{}, fmt.Errorf("make second factor: %w", err)
	}
	return TOTP{Secret: key.Secret(), URI: key.URL()}, nil
}

// CheckTOTP tells whether code belongs to the secret at the instant, and to which time step (30-second steps since
// 1970). A code must work only once (RFC 6238, section 5.2): the caller keeps the step and refuses one that is not
// later than the last. Spaces in the code do not matter. An error means that the stored secret is damaged.
func CheckTOTP(secret, code string, at time.Time) (step int64, ok bool, err error) {
	code = strings.ReplaceAll(code, " ", "")
	opts := hotp.ValidateOpts{Digits: otp.DigitsSix, Algorithm: otp.AlgorithmSHA1}
	now := at.Unix() / totpStep
	for step := max(now-totpSkew, 0); step <= now+totpSkew; step++ {
		match, err := hotp.ValidateCustom(code, uint64(step), secret, opts)
		if errors.Is(err, otp.ErrValidateInputInvalidLength) {
			return 0, false, nil
		}
		if err != nil {
			return 0, false, fmt.Errorf("check second factor: %w", err)
		}
		if match {
			return step, true, nil
		}
	}
	return 0, false, nil
}
