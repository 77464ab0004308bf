package api_test

import (
	"net/http"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// newDue is a family with a reminder that is due, and an address that was verified for it.
func newDue(t testing.TB) (f *family, mama *phone, address string) {
	t.Helper()
	f, mama, _ = newTwoPhones(t)
	mama.sync()
	address = mama.verified("mama@example.org")
	f.clock.set(inHalifax(t, "2027-03-01 19:30"))
	return f, mama, address
}

// TestAClaimWhole holds what is handed out to the letter, and looks at what is told of it meanwhile.
func TestAClaimWhole(t *testing.T) {
	t.Parallel()
	f, mama, address := newDue(t)
	r := f.scheduler.post("/v1/reminders/claims", map[string]any{}).ok(http.StatusOK)
	require.Len(t, r.list("claimed"), 1)
	id, claim := r.text("claimed", 0, "id"), r.text("claimed", 0, "claim")
	to := at(t, r.list("claimed"), 0, "destinations", 0).(map[string]any)
	told := string(encoded(t, to))
	assert.JSONEq(t, `{"claimed":[{"id":"`+id+`","kind":"tonight","learner_id":"`+f.learner+`","household_id":"`+f.household+`","night":"2027-03-01",
		"due_at":"2027-03-01T23:30:00Z","lapses_at":"2027-03-02T01:00:00Z","run":0,"last_heard_at":"2027-03-01T22:00:00Z",
		"claim":"`+claim+`","lease_until":"2027-03-01T23:32:00Z","attempt":1,"destinations":[`+told+`]}]}`, string(r.body))
	assert.Equal(t, map[string]any{"id": address, "channel": "email", "to": "mama@example.org"}, map[string]any{
		"id": to["id"], "channel": to["channel"], "to": to["to"],
	})
	assert.Equal(t, "Practice time", to["subject"])
	assert.NotContains(t, told, "Otter", "a locked phone may show all of it")
	assert.NotEmpty(t, to["key"])
	assert.Regexp(t, "^"+publicURL+"/v1/unsubscribe/[A-Za-z0-9_-]{22,}$", to["unsubscribe_url"])

	assert.Empty(t, f.claimed(), "nobody else gets it")
	due := f.scheduler.get("/v1/reminders/overdue").ok(http.StatusOK)
	assert.Equal(t, []any{"2027-03-01T23:32:00Z"}, pluck(t, due.list("overdue"), "claimed_until"))
	mama.accepted(mama.evening(f.clock.now())...)
	assert.Empty(t, f.due())
	assert.Empty(t, f.claimed(), "they have practised")
	f.checked()
}

// TestWhatAClaimAsksFor: how many, for how long, of which kinds, and as of when.
func TestWhatAClaimAsksFor(t *testing.T) {
	t.Parallel()
	f, _, _ := newTwoPhones(t)
	for range 2 {
		f.newFamily("Vole").enrol("2027-03-01")
	}
	f.clock.set(inHalifax(t, "2027-03-01 19:30"))
	claim := func(wish map[string]any) []any {
		t.Helper()
		return f.scheduler.post("/v1/reminders/claims", wish).ok(http.StatusOK).list("claimed")
	}
	assert.Empty(t, claim(map[string]any{"kinds": []any{"missed", "follow_up", "verification"}}))
	one := claim(map[string]any{"limit": 1, "lease_seconds": 10, "kinds": []any{"tonight"}})
	require.Len(t, one, 1)
	assert.Equal(t, "2027-03-01T23:30:10Z", at(t, one, 0, "lease_until"))
	others := claim(map[string]any{"lease_seconds": 900})
	require.Len(t, others, 2)
	assert.NotContains(t, pluck(t, others, "id"), at(t, one, 0, "id"))
	assert.Equal(t, []any{"2027-03-01T23:45:00Z", "2027-03-01T23:45:00Z"}, pluck(t, others, "lease_until"))
	f.clock.advance(10 * time.Second)
	again := claim(map[string]any{"as_of": "2027-03-01T23:30:10Z"})
	assert.Equal(t, pluck(t, one, "id"), pluck(t, again, "id"))
	assert.NotEqual(t, pluck(t, one, "claim"), pluck(t, again, "claim"))
	assert.InDelta(t, 1, at(t, again, 0, "attempt"), 0, "nobody has sent it")
}

// TestACodeIsClaimed: it is about no learner and no night, and comes only where it is asked for.
func TestACodeIsClaimed(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	address := mama.addressed("mama@example.org")
	assert.Empty(t, f.claimed())
	codes := f.claimed("verification")
	require.Len(t, codes, 1)
	code := codes[0].(map[string]any)
	assert.Equal(t, map[string]any{"kind": "verification", "learner_id": nil, "night": nil, "household_id": f.household}, map[string]any{
		"kind": code["kind"], "learner_id": code["learner_id"], "night": code["night"], "household_id": code["household_id"],
	})
	assert.Equal(t, address, at(t, code, "destinations", 0, "id"))
	leave := f.goAhead(code).ok(http.StatusOK)
	assert.Equal(t, []any{address}, leave.list("destinations"))
	assert.JSONEq(t, `{"state":"sent","retry_at":null}`, string(f.report(code, map[string]any{"outcome": "sent"}).ok(http.StatusOK).body))
	assert.Empty(t, f.claimed("verification"))
}

func TestTheGoAhead(t *testing.T) {
	t.Parallel()
	f, mama, address := newDue(t)
	held := f.claimed()[0]
	leave := `{"send_within_seconds":15,"report_by":"2027-03-01T23:32:00Z","destinations":["` + address + `"]}`
	assert.JSONEq(t, leave, string(f.goAhead(held).ok(http.StatusOK).body))
	assert.JSONEq(t, leave, string(f.goAhead(held).ok(http.StatusOK).body), "asking again, after an answer that was lost")
	assert.Empty(t, f.due(), "it is being sent")
	f.goAhead(with(held.(map[string]any), "claim", uuid.NewString())).refused(http.StatusConflict, "claim-not-held")
	f.goAhead(with(held.(map[string]any), "id", uuid.NewString())).refused(http.StatusNotFound, "not-found")
	f.clock.advance(2 * time.Minute)
	f.goAhead(held).refused(http.StatusConflict, "claim-not-held")

	f.clock.set(inHalifax(t, "2027-03-02 19:30"))
	held = f.claimed()[0]
	mama.accepted(mama.evening(f.clock.now())...)
	f.goAhead(held).refused(http.StatusConflict, "reminder-not-due")
	f.goAhead(held).refused(http.StatusConflict, "claim-not-held")
	f.checked()
}

// TestReports: what becomes of a reminder by what is reported of it.
func TestReports(t *testing.T) {
	t.Parallel()
	for name, test := range map[string]struct {
		report map[string]any
		answer string
	}{
		"it was sent":                   {map[string]any{"outcome": "sent", "detail": "250 2.0.0 Ok"}, `{"state":"sent","retry_at":null}`},
		"it failed":                     {map[string]any{"outcome": "failed"}, `{"state":"waiting","retry_at":"2027-03-01T23:31:00Z"}`},
		"it failed for good":            {map[string]any{"outcome": "failed", "permanent": true}, `{"state":"given_up","retry_at":null}`},
		"it was skipped":                {map[string]any{"outcome": "skipped"}, `{"state":"skipped","retry_at":null}`},
		"nobody can tell":               {map[string]any{"outcome": "unclear"}, `{"state":"unclear","retry_at":null}`},
		"the destination was reached":   {map[string]any{"outcome": "failed", "destinations": "sent"}, `{"state":"sent","retry_at":null}`},
		"the destination takes no more": {map[string]any{"outcome": "sent", "destinations": "failed"}, `{"state":"given_up","retry_at":null}`},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f, mama, address := newDue(t)
			held := f.claimed()[0]
			f.goAhead(held).ok(http.StatusOK)
			report := test.report
			if outcome, by := report["destinations"]; by {
				report = with(report, "destinations", []any{map[string]any{
					"id": address, "channel": "email", "outcome": outcome, "permanent": outcome == "failed", "detail": "as it was said",
				}})
			}
			assert.JSONEq(t, test.answer, string(f.report(held, report).ok(http.StatusOK).body))
			assert.JSONEq(t, test.answer, string(f.report(held, report).ok(http.StatusOK).body), "said again, after an answer that was lost")
			f.report(held, map[string]any{"outcome": "unclear", "detail": "another"}).refused(http.StatusConflict, "claim-not-held")
			failing := mama.get("/v1/reminder-addresses").ok(http.StatusOK).at("addresses", 0, "failing_since")
			assert.Equal(t, report["destinations"] != nil && report["outcome"] == "sent", failing != nil, "of this destination it was said")
			f.checked()
		})
	}
}

// TestReminderTimeByWhoeverLivesByIt: the clinic and the family may move it. A family is told nothing of a target.
func TestReminderTimeByWhoeverLivesByIt(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	enrolment := f.enrolAs(map[string]any{"first_night": "2027-03-01", "target": map[string]any{"capsule_size": "1"}})
	mama := f.newPhone("Mama")
	path := "/v1/enrolments/" + enrolment + "/reminder-time"
	to := func(as who, at string) reply { return as.post(path, map[string]any{"reminder_time": at}) }
	whole := to(f.clinician, "20:15").ok(http.StatusOK)
	assert.Equal(t, "20:15", whole.text("reminder_time"))
	assert.Equal(t, map[string]any{"capsule_size": "1"}, whole.at("target"))
	family := to(mama.who, "18:45").ok(http.StatusOK)
	assert.Equal(t, with(with(whole.doc(), "target", nil), "reminder_time", "18:45"), family.doc())
	f.clock.set(inHalifax(t, "2027-03-01 18:44"))
	assert.Empty(t, f.due())
	f.clock.advance(time.Minute)
	assert.Equal(t, []string{"tonight 2027-03-01"}, f.due())
	f.clinician.post("/v1/enrolments/"+enrolment+"/status", map[string]any{"status": "ended"}).ok(http.StatusOK)
	to(f.clinician, "19:30").refused(http.StatusConflict, "enrolment-ended")
	f.checked()
}
