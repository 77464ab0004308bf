package api_test

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// publicURL is where the world finds the service of these tests.
const publicURL = "https://practice.example.org"

// pathOf returns the path of an address of the service.
func pathOf(t testing.TB, address any) string {
	t.Helper()
	text, is := address.(string)
	require.True(t, is, "%v is no address", address)
	require.True(t, strings.HasPrefix(text, publicURL+"/"), text)
	u, err := url.Parse(text)
	require.NoError(t, err)
	return u.EscapedPath()
}

// claimed claims what is due of certain kinds, of all kinds of reminder where none is given.
func (s *site) claimed(kinds ...string) []any {
	s.t.Helper()
	wish := map[string]any{}
	if len(kinds) > 0 {
		wish["kinds"] = kinds
	}
	return s.scheduler.post("/v1/reminders/claims", wish).ok(http.StatusOK).list("claimed")
}

// about returns a call's path and what it shows of a claimed reminder.
func (s *site) about(claimed any, what string) (path, claim string) {
	s.t.Helper()
	return "/v1/reminders/" + at(s.t, claimed, "id").(string) + "/" + what, at(s.t, claimed, "claim").(string)
}

// goAhead asks for the go-ahead for a claimed reminder.
func (s *site) goAhead(claimed any) reply {
	s.t.Helper()
	path, claim := s.about(claimed, "go-ahead")
	return s.scheduler.post(path, map[string]any{"claim": claim})
}

// report reports on a claimed reminder.
func (s *site) report(claimed any, report map[string]any) reply {
	s.t.Helper()
	path, claim := s.about(claimed, "outcome")
	return s.scheduler.post(path, with(report, "claim", claim))
}

// failed reports claimed reminders as failed for good.
func (s *site) failed(claimed ...any) {
	s.t.Helper()
	for _, c := range claimed {
		s.report(c, map[string]any{"outcome": "failed", "permanent": true}).ok(http.StatusOK)
	}
}

var addressCode = regexp.MustCompile(`\b[0-9A-Z]{4}-[0-9A-Z]{4}\b`)

// codes claims the codes that wait to be sent, and returns them by address.
func (s *site) codes() map[string]string {
	s.t.Helper()
	codes := map[string]string{}
	for _, c := range s.claimed("verification") {
		to := at(s.t, c, "destinations", 0)
		code := addressCode.FindString(at(s.t, to, "text").(string))
		require.NotEmpty(s.t, code, "%v", to)
		codes[at(s.t, to, "id").(string)] = code
	}
	return codes
}

// addressed adds an address of the phone's caregiver.
func (p *phone) addressed(to string) string {
	p.house.t.Helper()
	return p.post("/v1/reminder-addresses", map[string]any{"channel": "email", "to": to}).ok(http.StatusCreated).text("id")
}

// verified adds an address and verifies it.
func (p *phone) verified(to string) string {
	p.house.t.Helper()
	id := p.addressed(to)
	p.post("/v1/reminder-addresses/"+id+"/verify", map[string]any{"code": p.family.codes()[id]}).ok(http.StatusOK)
	return id
}

// fed makes a calendar feed, and returns its id and where it is read.
func (p *phone) fed() (id, path string) {
	p.house.t.Helper()
	r := p.post("/v1/calendar-feeds", nil).ok(http.StatusCreated)
	return r.text("id"), pathOf(p.house.t, r.at("url"))
}
