package access_test

import (
	"bytes"
	"encoding/base32"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

// rfcSecret is the SHA-1 secret of RFC 6238, appendix B: the digits 1 to 0, twice.
var rfcSecret = base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString([]byte("12345678901234567890"))

func TestTOTPMatchesThePublishedVectors(t *testing.T) {
	t.Parallel()
	// RFC 6238, appendix B, the SHA-1 rows. The table has eight digits; six-digit codes are their last six, since the
	// truncation is a remainder (RFC 4226, section 5.3).
	vectors := map[int64]string{
		59:          "94287082",
		1111111109:  "07081804",
		1111111111:  "14050471",
		1234567890:  "89005924",
		2000000000:  "69279037",
		20000000000: "65353130",
	}
	for at, code := range vectors {
		step, ok, err := access.CheckTOTP(rfcSecret, code[2:], time.Unix(at, 0))
		require.NoError(t, err)
		assert.True(t, ok, "at %d", at)
		assert.Equal(t, at/30, step)
	}
}

func TestTOTPWindow(t *testing.T) {
	t.Parallel()
	const code, step = "287082", 1 // good from second 30 to 59
	cases := map[int64]bool{0: true, 29: true, 30: true, 59: true, 60: true, 89: true, 90: false, 1_000_000: false}
	for at, want := range cases {
		got, ok, err := access.CheckTOTP(rfcSecret, code, time.Unix(at, 999_999_999))
		require.NoError(t, err)
		assert.Equal(t, want, ok, "at %d", at)
		if want {
			assert.EqualValues(t, step, got, "the step of the code, not of the clock: at %d", at)
		}
	}
	const later = "081804" // of step 37037036, which begins at second 1111111080
	for at, want := range map[int64]bool{1111111049: false, 1111111050: true, 1111111139: true, 1111111140: false} {
		_, ok, err := access.CheckTOTP(rfcSecret, later, time.Unix(at, 0))
		require.NoError(t, err)
		assert.Equal(t, want, ok, "at %d", at)
	}
}

func TestTOTPAsTyped(t *testing.T) {
	t.Parallel()
	cases := map[string]bool{
		"287082": true, "287 082": true, " 287082 ": true,
		"": false, "28708": false, "2870820": false, "94287082": false, "28708x": false, "28708\t": false, "٢٨٧": false,
	}
	for code, want := range cases {
		_, ok, err := access.CheckTOTP(rfcSecret, code, time.Unix(59, 0))
		require.NoError(t, err, "%q", code)
		assert.Equal(t, want, ok, "%q", code)
	}
}

func TestDamagedTOTPSecretIsAnError(t *testing.T) {
	t.Parallel()
	_, ok, err := access.CheckTOTP("not base 32!", "287082", time.Unix(59, 0))
	require.Error(t, err)
	assert.False(t, ok)
}

func TestNewTOTP(t *testing.T) {
	t.Parallel()
	made, err := access.NewTOTP("lead@clinic.example", bytes.NewReader([]byte("12345678901234567890")))
	require.NoError(t, err)
	assert.Equal(t, rfcSecret, made.Secret)

	uri, err := url.Parse(made.URI)
	require.NoError(t, err)
	assert.Equal(t, "otpauth://totp/Swallowtail:lead@clinic.example", uri.Scheme+"://"+uri.Host+uri.Path)
	assert.Equal(t, url.Values{
		"secret": {rfcSecret}, "issuer": {"Swallowtail"}, "period": {"30"}, "digits": {"6"}, "algorithm": {"SHA1"},
	}, uri.Query())

	_, err = access.NewTOTP("lead@clinic.example", bytes.NewReader(make([]byte, 19)))
	require.Error(t, err)
	_, err = access.NewTOTP("", bytes.NewReader(make([]byte, 20)))
	require.Error(t, err)
}
