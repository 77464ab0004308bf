package access_test

import (
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

func TestLinksProveWhatTheyWereGivenOutFor(t *testing.T) {
	t.Parallel()
	keys, _ := newKeys(t)
	others, _ := newKeys(t)
	id := uuid.New()
	link := keys.Link(access.LinkUnsubscribe, id)
	got, ours := keys.OpenLink(access.LinkUnsubscribe, link)
	require.True(t, ours)
	assert.Equal(t, id, got)
	assert.Regexp(t, `^[A-Za-z0-9_-]{43}$`, link, "it stands in an address")
	for name, bad := range map[string]string{
		"empty": "", "short": link[:42], "long": link + "A", "a line break": link[:20] + "\n" + link[20:], "padding": link + "=",
		"another seal": link[:40] + strings.Repeat("A", 3), "another id": keys.Link(access.LinkUnsubscribe, uuid.New())[:21] + link[21:],
		"another purpose": keys.Link("else", id), "another's keys": others.Link(access.LinkUnsubscribe, id), "no base64": strings.Repeat("!", 43),
	} {
		_, ours := keys.OpenLink(access.LinkUnsubscribe, bad)
		assert.False(t, ours, name)
	}
}

func TestACodeIsTheDeliverysThatCarriesIt(t *testing.T) {
	t.Parallel()
	keys, _ := newKeys(t)
	id := uuid.New()
	code := keys.AddressCode(id)
	assert.Regexp(t, `^[0-9A-HJKMNP-TV-Z]{4}-[0-9A-HJKMNP-TV-Z]{4}$`, code)
	assert.Equal(t, code, keys.AddressCode(id), "it is stored nowhere")
	assert.NotEqual(t, code, keys.AddressCode(uuid.New()))
	for _, typed := range []string{code, strings.ToLower(code), " " + strings.ReplaceAll(code, "-", " ") + " ", strings.ReplaceAll(strings.ReplaceAll(code, "0", "O"), "1", "l")} {
		assert.True(t, keys.CheckAddressCode(id, typed), typed)
	}
	for _, typed := range []string{"", code[:8], code + "0", keys.AddressCode(uuid.New())} {
		assert.False(t, keys.CheckAddressCode(id, typed), typed)
	}
}

func TestAFeedsSecret(t *testing.T) {
	t.Parallel()
	secret := access.NewFeedSecret([17]byte{1, 2, 3, 255})
	assert.Regexp(t, `^[0-9a-hjkmnp-tv-z]{26}$`, secret)
	keys, _ := newKeys(t)
	again, _ := newKeys(t)
	assert.NotEqual(t, keys.HashFeed(secret), again.HashFeed(secret), "another server's")
	assert.NotEqual(t, keys.HashFeed(secret), keys.HashFeed(access.NewFeedSecret([17]byte{1, 2, 3, 254})))
}
