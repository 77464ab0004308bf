package api_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// TestACalendarIsReadByWhoeverHasItsAddress from when it is made to when it is revoked.
func TestACalendarIsReadByWhoeverHasItsAddress(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	r := mama.post("/v1/calendar-feeds", map[string]any{}).ok(http.StatusCreated)
	assert.Equal(t, "2027-03-01T22:00:00Z", r.text("created_at"))
	id, path := r.text("id"), pathOf(t, r.at("url"))
	assert.JSONEq(t, `{"feeds":[{"id":"`+id+`","created_at":"2027-03-01T22:00:00Z"}]}`, string(mama.get("/v1/calendar-feeds").ok(http.StatusOK).body),
		"its address is shown once")
	assert.JSONEq(t, `{"feeds":[]}`, string(papa.get("/v1/calendar-feeds").ok(http.StatusOK).body))
	anybody := f.nobody("")
	whole := anybody.get(path).ok(http.StatusOK)
	assert.Equal(t, "text/calendar; charset=utf-8", whole.header.Get("Content-Type"))
	assert.Equal(t, "private, no-cache", whole.header.Get("Cache-Control"))
	assert.Contains(t, string(whole.body), "BEGIN:VCALENDAR\r\n")
	assert.NotContains(t, string(whole.body), "Otter")
	assert.True(t, strings.HasSuffix(path, ".ics"))
	assert.Equal(t, whole.body, anybody.get(strings.TrimSuffix(path, ".ics")).ok(http.StatusOK).body)
	gone := func() {
		t.Helper()
		r := anybody.get(path).refused(http.StatusNotFound, "not-found")
		assert.Equal(t, "no-store", r.header.Get("Cache-Control"), "nor is it kept that there is none")
	}
	mama.withdraw()
	gone()
	mama.consents()
	anybody.get(path).ok(http.StatusOK)
	assert.Empty(t, mama.post("/v1/calendar-feeds/"+id+"/revoke", nil).ok(http.StatusNoContent).body)
	gone()
	for _, no := range []string{"/v1/calendars/.ics", "/v1/calendars/" + secret, "/v1/calendars/" + repeated("a", 600)} {
		anybody.get(no).refused(http.StatusNotFound, "not-found")
	}
	f.checked()
}

// TestACalendarIsGivenOnceToThoseWhoKnowIt: it has another tag when anything has moved, and only then.
func TestACalendarIsGivenOnceToThoseWhoKnowIt(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	enrolment := f.summary().text("enrolment", "id")
	_, path := mama.fed()
	ask := func(known string) reply {
		t.Helper()
		return f.do(call{method: http.MethodGet, path: path, header: map[string]string{"If-None-Match": known}})
	}
	tag := ask(`"another"`).ok(http.StatusOK).header.Get("ETag")
	assert.Regexp(t, `^W/"[A-Za-z0-9_-]{43}"$`, tag)
	f.clock.advance(time.Hour)
	mama.accepted(mama.evening(f.clock.now())...)
	for _, known := range []string{tag, tag[2:], "*", `"another", ` + tag} {
		r := ask(known).ok(http.StatusNotModified)
		assert.Empty(t, r.body)
		assert.Equal(t, tag, r.header.Get("ETag"))
		assert.Equal(t, "private, no-cache", r.header.Get("Cache-Control"))
	}
	mama.post("/v1/enrolments/"+enrolment+"/reminder-time", map[string]any{"reminder_time": "18:45"}).ok(http.StatusOK)
	moved := ask(tag).ok(http.StatusOK)
	assert.NotEqual(t, tag, moved.header.Get("ETag"))
	ask(moved.header.Get("ETag")).ok(http.StatusNotModified)
	mama.accepted(mama.entry("excuse", map[string]any{"night": march(5), "reason": "travel"}))
	assert.NotEqual(t, moved.body, ask(moved.header.Get("ETag")).ok(http.StatusOK).body, "an evening that is excused is none")
}
