package api_test

import (
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestTheLimitUnlessAsked(t *testing.T) {
	t.Parallel()
	_, mama, _ := newTwoPhones(t)
	var sessions []entry
	for minute := range 101 {
		sessions = append(sessions, mama.session(start.Add(-time.Duration(minute)*time.Minute)))
	}
	r := mama.post("/v1/sync", with(mama.envelope(sessions...), "limit", nil)).ok(http.StatusOK)
	assert.Len(t, r.list("results"), 101)
	assert.Len(t, r.list("changes"), 100)
	assert.Equal(t, true, r.at("more"))
}

func TestTooMany(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	small := func(n int) string {
		return `{"schema":1,"cursor":null,"limit":1,"sent_at":"2027-03-01T18:00:00-04:00","entries":[` +
			strings.TrimSuffix(strings.Repeat(`{},`, n), ",") + `]}`
	}
	r := mama.post("/v1/sync", small(1001)).refused(http.StatusRequestEntityTooLarge, "too-large")
	assert.Equal(t, map[string]any{"entries": 1000.0, "bytes": 1048576.0}, r.at("limits"))
	assert.Empty(t, mama.sync().list("changes"), "nothing of it was stored")
	r = mama.post("/v1/sync", small(1000)).ok(http.StatusOK)
	assert.Equal(t, "quarantined", r.text("results", 0, "status"))
	assert.Equal(t, "duplicate", r.text("results", 999, "status"))

	var entries []entry
	for range 1001 {
		entries = append(entries, f.entry("choose", map[string]any{"position": "left"}))
	}
	f.clinician.post(f.path("entries"), map[string]any{"entries": entries}).refused(http.StatusRequestEntityTooLarge, "too-large")
}

// TestAFullCaregiver hands in up to the last entry that is taken of one caregiver. Nobody else is kept out by it, and
// nothing keeps an incident out.
func TestAFullCaregiver(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	for range 5 {
		var entries []entry
		for range 1000 {
			entries = append(entries, mama.entry("excuse", map[string]any{"night": "2027-03-02", "reason": "ill"}))
		}
		mama.post("/v1/sync", with(mama.envelope(entries...), "limit", 1)).ok(http.StatusOK)
	}
	more := func(p *phone, e entry) reply { return p.post("/v1/sync", with(p.envelope(e), "limit", 1)) }
	r := more(mama, mama.session(start)).refused(http.StatusConflict, "caregiver-full")
	assert.Equal(t, map[string]any{"caregiver_entries": 5000.0}, r.at("limits"))
	assert.InDelta(t, 5001, more(papa, papa.session(start)).ok(http.StatusOK).at("head"), 0, "nothing of the refused call was kept")
	more(mama, mama.entry("incident", map[string]any{"session": nil, "what": "choking"})).ok(http.StatusOK)
	assert.Equal(t, "hold", f.summary().at("readiness", "verdict"))
	f.write(f.entry("choose", map[string]any{"position": "left"}))
}

// TestManyPhonesAtOnce pushes from several devices at the same time: the revisions have no gap, and every phone ends up
// with the same.
func TestManyPhonesAtOnce(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	phones := []*phone{mama, papa, mama.further(), papa.further(), f.newPhone("Gran")}
	var work sync.WaitGroup
	for i, p := range phones {
		var evenings [][]entry
		for n := range 6 {
			evenings = append(evenings, p.evening(start.Add(time.Duration(i*10+n)*time.Minute), "left", "up"))
		}
		work.Go(func() {
			for _, evening := range evenings {
				assert.Equal(t, http.StatusOK, p.post("/v1/sync", p.envelope(evening...)).status)
				assert.Equal(t, http.StatusOK, p.post("/v1/sync", p.envelope(evening...)).status)
			}
		})
	}
	work.Wait()
	var first reply
	for i, p := range phones {
		p.cursor = nil
		r := p.sync()
		if i == 0 {
			first = r
		}
		assert.Equal(t, pluck(t, first.list("changes"), "id"), pluck(t, r.list("changes"), "id"))
		assert.Equal(t, first.text("digest"), r.text("digest"))
		assert.Equal(t, first.list("nights"), r.list("nights"))
	}
	require.Len(t, first.list("changes"), 5*6*3)
	for i, rev := range pluck(t, first.list("changes"), "rev") {
		assert.InDelta(t, i+1, rev, 0)
	}
	f.checked()
}
