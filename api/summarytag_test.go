package api_test

import (
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// TestASummaryIsGivenOnceToThoseWhoKnowIt asks again with the tag of the summary that it has.
func TestASummaryIsGivenOnceToThoseWhoKnowIt(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	mama.accepted(mama.evening(start)...)
	path := f.path("summary")
	ask := func(as who, path, known string) reply {
		t.Helper()
		return f.do(call{method: http.MethodGet, path: path, as: as, header: map[string]string{"If-None-Match": known}})
	}
	first := f.clinician.get(path).ok(http.StatusOK)
	tag := first.header.Get("ETag")
	assert.Regexp(t, `^W/"[A-Za-z0-9_-]{43}"$`, tag)

	f.clock.advance(time.Minute)
	for _, known := range []string{tag, tag[2:], "*", `"another", ` + tag, `W/"another",` + tag + `, "a third"`} {
		r := ask(f.clinician, path, known).ok(http.StatusNotModified)
		assert.Empty(t, r.body, known)
		assert.Equal(t, tag, r.header.Get("ETag"), known)
	}
	for _, known := range []string{"", `"another"`, `W/"another"`, tag[:len(tag)-2], tag[3 : len(tag)-1]} {
		r := ask(f.clinician, path, known).ok(http.StatusOK)
		assert.NotEqual(t, first.text("as_of"), r.text("as_of"), "a minute has passed")
		assert.Equal(t, tag, r.header.Get("ETag"), "and nothing else")
	}
	assert.Equal(t, tag, f.clinician.get(path+"?as_of=2027-03-01T23:30:00Z").header.Get("ETag"), "of another instant, it says the same")
	earlier := ask(f.clinician, path+"?as_of=2027-03-01T12:00:00Z", tag).ok(http.StatusOK)
	assert.NotEqual(t, tag, earlier.header.Get("ETag"), "before the evening it says something else")

	// Another reader has another document: the tag of one says nothing to the other.
	family := ask(mama.who, path, tag).ok(http.StatusOK).header.Get("ETag")
	assert.NotEqual(t, tag, family)
	ask(mama.who, path, family).ok(http.StatusNotModified)

	mama.sync()
	assert.NotEqual(t, tag, ask(f.clinician, path, tag).ok(http.StatusOK).header.Get("ETag"), "the phone has been heard from")
	assert.Equal(t, family, ask(mama.who, path, family).ok(http.StatusNotModified).header.Get("ETag"), "which the family's does not say")
	mama.accepted(mama.entry("incident", map[string]any{"what": "pain"}))
	ask(mama.who, path, family).ok(http.StatusOK)
}
