package api_test

import (
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

// TestFollowUpsWhole: reminders that reach nobody make the clinic call, and what comes of that is noted, to the letter.
func TestFollowUpsWhole(t *testing.T) {
	t.Parallel()
	f, _, _ := newDue(t)
	held := f.claimed()[0]
	f.report(held, map[string]any{"outcome": "failed", "permanent": true, "detail": "550 5.1.1"}).ok(http.StatusOK)
	list := f.clinician.get("/v1/follow-ups").ok(http.StatusOK)
	require.Len(t, list.list("follow_ups"), 1)
	id := list.text("follow_ups", 0, "id")
	assert.NotEmpty(t, list.text("caution"))
	whole := func(outcomes string) string {
		return `{"follow_ups":[{"id":"` + id + `","reason":"not_reached","learner_id":"` + f.learner + `","household_id":"` + f.household + `",
			"nickname":"Otter","night":"2027-03-01","since":"2027-03-01T23:30:00Z","run":0,"last_heard_at":"2027-03-01T22:00:00Z",
			"tried":[{"kind":"tonight","night":"2027-03-01","due_at":"2027-03-01T23:30:00Z","state":"given_up","at":"2027-03-01T23:30:00Z",
				"detail":"550 5.1.1","channel":null}],"outcomes":[` + outcomes + `]}],"cursor":null,"caution":"` + list.text("caution") + `"}`
	}
	assert.JSONEq(t, whole(""), string(list.body))

	path := "/v1/follow-ups/" + id + "/outcome"
	f.clock.advance(time.Minute)
	r := f.clinician.post(path, map[string]any{"outcome": "no_answer", "note": "Rang twice."}).ok(http.StatusOK)
	assert.JSONEq(t, `{"id":"`+r.text("id")+`","outcome":"no_answer","at":"2027-03-01T23:31:00Z","open":true}`, string(r.body))
	assert.JSONEq(t, whole(`{"outcome":"no_answer","note":"Rang twice.","at":"2027-03-01T23:31:00Z",
		"clinician_id":"`+f.members[access.RoleClinician].ID.String()+`"}`), string(f.lead.get("/v1/follow-ups").ok(http.StatusOK).body))
	r = f.lead.post(path, map[string]any{"outcome": "resumes"}).ok(http.StatusOK)
	assert.Equal(t, false, r.at("open"))
	assert.Empty(t, f.clinician.get("/v1/follow-ups").ok(http.StatusOK).list("follow_ups"))
	f.lead.post(path, map[string]any{"outcome": "resumes"}).refused(http.StatusNotFound, "not-found")
	f.checked()
}

// TestAFamilyThatStopsIsRemindedNoMore: the enrolment gets its status in the same go.
func TestAFamilyThatStopsIsRemindedNoMore(t *testing.T) {
	t.Parallel()
	f, _, _ := newDue(t)
	f.clock.set(inHalifax(t, "2027-03-04 19:30")) // three nights on
	list := f.clinician.get("/v1/follow-ups").ok(http.StatusOK)
	require.Equal(t, []any{"run"}, pluck(t, list.list("follow_ups"), "reason"))
	assert.InDelta(t, 3, list.at("follow_ups", 0, "run"), 0)
	require.NotEmpty(t, f.due())
	path := "/v1/follow-ups/" + list.text("follow_ups", 0, "id") + "/outcome"
	assert.Equal(t, false, f.clinician.post(path, map[string]any{"outcome": "stops", "status": "paused"}).ok(http.StatusOK).at("open"))
	assert.Empty(t, f.due())
	assert.Equal(t, "paused", f.summary().text("enrolment", "status"))
	f.checked()
}
