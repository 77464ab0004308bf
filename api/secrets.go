package api

import (
	"net/url"
	"regexp"
	"strings"
)

// The addresses that end in a secret, which is to stand in no log and in no answer.
const (
	calendarPath    = "/v1/calendars/"
	unsubscribePath = "/v1/unsubscribe/"

	unsubscribeRoute = unsubscribePath + ":token"
)

// secretForm is how such a secret is spelled. None of ours is as long as it may be.
var secretForm = regexp.MustCompile(`^[A-Za-z0-9_-]{1,512}$`)

// withoutSecret returns an address as it may be told, and whether it ends in a secret, which is left out.
func withoutSecret(u *url.URL) (told string, secret bool) {
	for _, before := range []string{calendarPath, unsubscribePath} {
		if strings.HasPrefix(u.Path, before) {
			return strings.TrimSuffix(before, "/"), true
		}
	}
	return u.EscapedPath(), false
}
