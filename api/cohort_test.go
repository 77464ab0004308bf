package api_test

import (
	"fmt"
	"net/http"
	"testing"

	"github.com/stretchr/testify/assert"
)

// TestCohort has twenty learners on one plan, of whom six never practise and eight swallow nothing, and two on another.
func TestCohort(t *testing.T) {
	t.Parallel()
	s := newHouse(t).newSite("north")
	f := s.newFamily("Otter")
	mama := f.newPhone("Mama")
	mine := s.clinician.post("/v1/plans", map[string]any{"name": "Ours", "parameters": map[string]any{"nights": 7}}).ok(http.StatusCreated)
	for i := range 22 {
		f.learner = f.addLearner(fmt.Sprintf("Vole %d", i))
		with := map[string]any{"first_night": "2027-03-01"}
		if i >= 20 {
			with["plan_id"] = mine.text("id")
		}
		f.enrolAs(with)
		if i >= 14 {
			continue
		}
		session := mama.session(start)
		try := mama.try(session, "left", 4)
		if i >= 6 {
			try.body()["outcome"] = "not_swallowed"
		}
		mama.accepted(session, try)
	}
	s.clock.set(inHalifax(t, "2027-03-03 12:00"))
	r := s.lead.get("/v1/cohort").ok(http.StatusOK)
	assert.Equal(t, "2027-03-03T16:00:00Z", r.text("as_of"))
	assert.Contains(t, r.text("caution"), "not of a study")
	assert.InDelta(t, 5, r.at("fewest"), 0)
	plans := r.list("plans")
	assert.Len(t, plans, 2)
	builtin, ours := plans[0], plans[1]
	if at(t, builtin, "plan", "name") == "Ours" {
		builtin, ours = ours, builtin
	}
	assert.Equal(t, map[string]any{"id": "01940000-0000-7000-8000-000000000001", "name": "Fourteen evenings", "version": 1.0}, at(t, builtin, "plan"))
	all := at(t, builtin, "all_ages")
	assert.InDelta(t, 20, at(t, all, "enrolled"), 0)
	assert.InDelta(t, 14, at(t, all, "practised"), 0)
	assert.Nil(t, at(t, all, "over"), "none is, which is too few to tell")
	assert.InDelta(t, 0.7, at(t, all, "nights_practised", "of_enrolled"), 1e-9)
	assert.InDelta(t, 1, at(t, all, "nights_practised", "of_practised"), 1e-9)
	assert.Nil(t, at(t, all, "completed", "of_enrolled"))
	assert.Nil(t, at(t, all, "off_centre", "of_practised"))
	assert.InDelta(t, 6, at(t, all, "first_swallow", "events"), 0)
	assert.Nil(t, at(t, all, "ready", "events"))
	assert.Len(t, at(t, all, "first_swallow", "by_night"), 4)
	assert.Len(t, at(t, builtin, "bands"), 1)
	assert.Equal(t, "6-7", at(t, builtin, "bands", 0, "age_band"))
	assert.InDelta(t, 20, at(t, builtin, "bands", 0, "enrolled"), 0)
	for _, block := range []any{at(t, ours, "all_ages"), at(t, ours, "bands", 0)} {
		for _, figure := range []string{"enrolled", "practised", "over"} {
			assert.Nil(t, at(t, block, figure), "two are too few: %s", figure)
		}
		assert.Empty(t, at(t, block, "ready", "by_night"))
	}
	assert.Empty(t, s.house.newSite("south").lead.get("/v1/cohort").ok(http.StatusOK).list("plans"), "another clinic's")
	s.checked()
}
