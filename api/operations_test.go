package api_test

import (
	"encoding/json"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/openapi"
)

const builtinParameters = `{"nights":14,"positions":["centre","right","left","up","down"],"night_turns_at":"04:00",
	"sitting_minutes":60,"silent_after_days":7,"recalled_after_hours":24,"written_together_minutes":10,"follow_up_run":3,
	"quiet_from":"21:00","quiet_until":"08:00","practised_nights_wanted":12,
	"preference_half_life_nights":4,"leader_probability":0.6,"leader_nights":4,"success_tries":10,"success_look_every":4,
	"success_rate":0.7,"success_probability":0.8,"too_few_probability":0.5,
	"advice_nights":2,"same_answer_nights":3,"sequence_nights":2,"sequence_below_years":6,"extra_screening_questions":[]}`

const builtinPlan = `{"id":"01940000-0000-7000-8000-000000000001","name":"Fourteen evenings","version":1,"builtin":true,
	"parameters":` + builtinParameters + `}`

func TestPublic(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	anybody := h.nobody("")
	assert.JSONEq(t, `{"status":"ok"}`, string(anybody.get("/healthz").ok(http.StatusOK).body))
	assert.JSONEq(t, `{"status":"ready"}`, string(anybody.get("/readyz").ok(http.StatusOK).body))
	assert.Equal(t, openapi.YAML(), anybody.get("/openapi.yaml").ok(http.StatusOK).body)
	converted, err := openapi.JSON()
	require.NoError(t, err)
	assert.JSONEq(t, string(converted), string(anybody.get("/openapi.json").ok(http.StatusOK).body))
	page := string(anybody.get("/docs").ok(http.StatusOK).body)
	assert.Contains(t, page, "<html")
	assert.Contains(t, page, "/v1/sync")
	assert.NotContains(t, page, "http://")
	assert.NotContains(t, page, "https://")
	consent := anybody.get("/v1/consent-text").ok(http.StatusOK).doc()
	assert.Equal(t, map[string]any{"version": clinic.ConsentVersion, "text": clinic.ConsentText}, consent)
}

func TestReadinessWithoutAStore(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	require.NoError(t, h.store.Close())
	r := h.nobody("").get("/readyz")
	assert.GreaterOrEqual(t, r.status, http.StatusInternalServerError)
	h.nobody("").get("/healthz").ok(http.StatusOK)
}

func TestPlans(t *testing.T) {
	t.Parallel()
	s := newHouse(t).newSite("north")
	first := s.clinician.post("/v1/plans", map[string]any{"name": "Ours"}).ok(http.StatusCreated)
	assert.JSONEq(t, `{"id":"`+first.text("id")+`","name":"Ours","version":1,"builtin":false,"parameters":`+builtinParameters+`}`,
		string(first.body))

	parameters := map[string]any{
		"nights": 21, "positions": []any{"left", "centre"}, "night_turns_at": "05:30", "sitting_minutes": 30,
		"silent_after_days": 5, "recalled_after_hours": 12, "written_together_minutes": 5, "follow_up_run": 2,
		"quiet_from": "22:00", "quiet_until": "07:00", "practised_nights_wanted": 18, "extra_screening_questions": []any{"wears_a_brace"},
		"preference_half_life_nights": 5.5, "leader_probability": 0.7, "leader_nights": 5, "success_tries": 12, "success_look_every": 2,
		"success_rate": 0.75, "success_probability": 0.9, "too_few_probability": 0.4,
		"advice_nights": 3, "same_answer_nights": 4, "sequence_nights": 1, "sequence_below_years": 7,
	}
	second := s.lead.post("/v1/plans", map[string]any{"name": "Ours", "parameters": parameters}).ok(http.StatusCreated)
	assert.InDelta(t, 2, second.at("version"), 0)
	wanted, err := json.Marshal(parameters)
	require.NoError(t, err)
	got, err := json.Marshal(second.at("parameters"))
	require.NoError(t, err)
	assert.JSONEq(t, string(wanted), string(got))
	assert.NotEqual(t, first.text("id"), second.text("id"))
	other := s.clinician.post("/v1/plans", map[string]any{"name": "ours", "parameters": map[string]any{}}).ok(http.StatusCreated)
	assert.InDelta(t, 1, other.at("version"), 0, "another name")

	for _, r := range []reply{first, second, other} {
		assert.JSONEq(t, string(r.body), string(s.clinician.get("/v1/plans/"+r.text("id")).ok(http.StatusOK).body))
	}
	list := s.clinician.get("/v1/plans").ok(http.StatusOK)
	assert.JSONEq(t, `{"plans":[`+builtinPlan+`,`+string(first.body)+`,`+string(second.body)+`,`+string(other.body)+`],"cursor":null}`,
		string(list.body))
	assert.JSONEq(t, builtinPlan, string(s.clinician.get("/v1/plans/"+clinic.BuiltinPlan.String()).ok(http.StatusOK).body))
}

func TestHouseholds(t *testing.T) {
	t.Parallel()
	s := newHouse(t).newSite("north")
	created := s.clinician.post("/v1/households", map[string]any{"label": "two homes, blue folder"}).ok(http.StatusCreated)
	id := created.text("id")
	assert.Equal(t, []string{"id"}, keys(created.doc()))
	assert.JSONEq(t, `{"households":[{"id":"`+id+`","label":"two homes, blue folder"}],"cursor":null}`,
		string(s.lead.get("/v1/households").ok(http.StatusOK).body))
	assert.JSONEq(t, `{"id":"`+id+`","label":"two homes, blue folder","learners":[],"caregivers":[]}`,
		string(s.lead.get("/v1/households/"+id).ok(http.StatusOK).body))

	f := &family{site: s, household: id}
	f.learner = f.addLearner("Otter")
	sibling := s.clinician.post("/v1/households/"+id+"/learners", map[string]any{"nickname": "Ünal 🦦"}).ok(http.StatusCreated).text("id")
	papa := f.newPhone("Papa")
	s.clock.advance(90 * time.Second)
	papa.sync()
	tablet := papa.further()
	assert.JSONEq(t, `{"id":"`+id+`","label":"two homes, blue folder",
		"learners":[{"id":"`+f.learner+`","nickname":"Otter","age_band":"6-7"},{"id":"`+sibling+`","nickname":"Ünal 🦦","age_band":null}],
		"caregivers":[{"id":"`+papa.caregiver+`","name":"Papa",
			"consent":{"caregiver_id":"`+papa.caregiver+`","version":"1","given_at":"2027-03-01T22:01:30Z","withdrawn_at":null},"devices":[
			{"id":"`+papa.device+`","name":"phone","platform":"android","enrolled_at":"2027-03-01T22:00:00Z",
			 "last_heard_at":"2027-03-01T22:01:30Z","revoked_at":null},
			{"id":"`+tablet.device+`","name":"phone","platform":"android","enrolled_at":"2027-03-01T22:01:30Z",
			 "last_heard_at":null,"revoked_at":null}]}]}`,
		string(s.clinician.get("/v1/households/"+id).ok(http.StatusOK).body))
}

func TestScreeningAndEnrolment(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	enrolment := map[string]any{"first_night": "2027-03-01", "timezone": halifax, "reminder_time": "19:30"}
	f.clinician.post(f.path("enrolments"), enrolment).refused(http.StatusUnprocessableEntity, "screening-required")

	yes := answers()
	yes["sugar_restricted"] = true
	r := f.clinician.post(f.path("screening"), map[string]any{"answers": yes, "decision": "go", "note": "Sugar-free sweets."}).ok(http.StatusCreated)
	encodedAnswers, err := json.Marshal(yes)
	require.NoError(t, err)
	assert.JSONEq(t, `{"id":"`+r.text("id")+`","learner_id":"`+f.learner+`","answers":`+string(encodedAnswers)+`,"decision":"go",
		"note":"Sugar-free sweets.","recorded_at":"2027-03-01T22:00:00Z","recorded_by":"`+f.members[access.RoleClinician].ID.String()+`"}`, string(r.body))

	f.clock.advance(time.Minute)
	f.clinician.post(f.path("screening"), map[string]any{"answers": yes, "decision": "no_go"}).ok(http.StatusCreated)
	f.clinician.post(f.path("enrolments"), enrolment).refused(http.StatusUnprocessableEntity, "screening-required")
	f.clock.advance(time.Minute)
	f.screen()

	e := f.clinician.post(f.path("enrolments"), with(enrolment, "target", map[string]any{"capsule_size": "00"})).ok(http.StatusCreated)
	wanted := func(status, endedOn string) string {
		return `{"id":"` + e.text("id") + `","learner_id":"` + f.learner + `","plan":` + builtinPlan + `,"first_night":"2027-03-01",
			"timezone":"America/Halifax","reminder_time":"19:30","positions":["centre","right","left","up","down"],
			"target":{"capsule_size":"00"},"status":"` + status + `","ended_on":` + endedOn + `}`
	}
	assert.JSONEq(t, wanted("running", "null"), string(e.body))
	set := func(status string) reply {
		return f.lead.post("/v1/enrolments/"+e.text("id")+"/status", map[string]any{"status": status, "note": "Why."})
	}
	assert.JSONEq(t, wanted("paused", "null"), string(set("paused").ok(http.StatusOK).body))
	assert.JSONEq(t, wanted("running", "null"), string(set("running").ok(http.StatusOK).body))
	f.clock.set(inHalifax(t, "2027-03-04 03:59"))
	assert.JSONEq(t, wanted("ended", `"2027-03-03"`), string(set("ended").ok(http.StatusOK).body))
	f.clock.advance(48 * time.Hour)
	assert.JSONEq(t, wanted("ended", `"2027-03-03"`), string(set("ended").ok(http.StatusOK).body), "the end stays where it was")
	set("running").refused(http.StatusConflict, "enrolment-ended")
	set("paused").refused(http.StatusConflict, "enrolment-ended")

	tablet := f.clinician.post(f.path("enrolments"), map[string]any{
		"first_night": "2026-12-24", "timezone": "Asia/Kathmandu", "reminder_time": "18:00", "positions": []string{"left", "down"},
		"target": map[string]any{"length_mm": 12.5, "width_mm": 5},
	}).ok(http.StatusCreated)
	assert.Equal(t, map[string]any{"length_mm": 12.5, "width_mm": 5.0}, tablet.at("target"))
	assert.Equal(t, []any{"left", "down"}, tablet.at("positions"))
	f.checked()
}

func TestAPlanMayAskMore(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	plan := f.clinician.post("/v1/plans", map[string]any{"name": "Braces", "parameters": map[string]any{
		"extra_screening_questions": []string{"wears_a_brace"},
	}}).ok(http.StatusCreated).text("id")
	f.screen()
	request := map[string]any{"plan_id": plan, "first_night": "2027-03-01", "timezone": "UTC", "reminder_time": "19:30"}
	f.clinician.post(f.path("enrolments"), request).refused(http.StatusUnprocessableEntity, "screening-required")
	all := answers()
	all["wears_a_brace"] = false
	f.clock.advance(time.Second)
	f.clinician.post(f.path("screening"), map[string]any{"answers": all, "decision": "go"}).ok(http.StatusCreated)
	e := f.clinician.post(f.path("enrolments"), request).ok(http.StatusCreated)
	// A later version of the plan is none of this enrolment's.
	f.clinician.post("/v1/plans", map[string]any{"name": "Braces", "parameters": map[string]any{"nights": 3}}).ok(http.StatusCreated)
	assert.InDelta(t, 14, f.summary().at("plan", "parameters", "nights"), 0)
	assert.Equal(t, e.text("plan", "id"), f.summary().text("plan", "id"))
}

func TestOwnHousehold(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	first := f.enrolAs(map[string]any{"first_night": "2027-02-01", "target": map[string]any{"capsule_size": "0"}})
	second := f.enrolAs(map[string]any{"first_night": "2027-03-01", "positions": []string{"left"}})
	mama, papa := f.newPhone("Mama"), f.newPhone("Papa")
	r := papa.get("/v1/household").ok(http.StatusOK)
	assert.JSONEq(t, `{"household":{"id":"`+f.household+`","label":"Otter's"},
		"learners":[{"id":"`+f.learner+`","nickname":"Otter","age_band":"6-7","enrolments":[
			{"id":"`+first+`","plan":`+builtinPlan+`,"first_night":"2027-02-01","timezone":"America/Halifax","reminder_time":"19:30",
			 "positions":["centre","right","left","up","down"],"status":"ended","ended_on":"2027-02-28"},
			{"id":"`+second+`","plan":`+builtinPlan+`,"first_night":"2027-03-01","timezone":"America/Halifax","reminder_time":"19:30",
			 "positions":["left"],"status":"running","ended_on":null}]}],
		"caregivers":[{"id":"`+mama.caregiver+`","name":"Mama"},{"id":"`+papa.caregiver+`","name":"Papa"}],
		"you":{"caregiver_id":"`+papa.caregiver+`","device_id":"`+papa.device+`"}}`, string(r.body))
}
