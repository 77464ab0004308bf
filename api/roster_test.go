package api_test

import (
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// newClinicOfFour is a clinic of four families that differ in all that orders a roster.
func newClinicOfFour(t *testing.T) (s *site, families map[string]*family) {
	t.Helper()
	s = newHouse(t).newSite("north")
	families = map[string]*family{}
	phones := map[string]*phone{}
	for _, name := range []string{"otter", "Badger", "vole", "Ant"} {
		f := s.newFamily(name)
		families[name], phones[name] = f, f.newPhone("Mama")
		if name != "Ant" {
			f.enrol("2027-03-01")
		}
	}
	for day := 1; day <= 5; day++ {
		s.clock.set(inHalifax(t, march(day)+" 19:00"))
		phones["otter"].accepted(phones["otter"].evening(s.clock.now())...)
		if day <= 3 { // then two nights unheard
			phones["Badger"].accepted(phones["Badger"].evening(s.clock.now())...)
		}
		if day == 1 { // then nights missed, and a hold
			phones["vole"].accepted(phones["vole"].evening(s.clock.now())...)
		}
	}
	s.clock.set(inHalifax(t, "2027-03-06 12:00"))
	phones["vole"].sync()
	phones["otter"].accepted(phones["otter"].entry("incident", map[string]any{"what": "pain"}))
	return s, families
}

func nicknames(t *testing.T, r reply) []any {
	t.Helper()
	return pluck(t, r.ok(http.StatusOK).list("learners"), "learner", "nickname")
}

func TestRosterOrders(t *testing.T) {
	t.Parallel()
	s, _ := newClinicOfFour(t)
	for order, wanted := range map[string][]any{
		"":                  {"otter", "vole", "Badger", "Ant"}, // on hold, four nights in a row, two nights, nothing
		"?order=needs_call": {"otter", "vole", "Badger", "Ant"},
		"?order=nickname":   {"Ant", "Badger", "otter", "vole"},
		"?order=last_heard": {"Ant", "Badger", "vole", "otter"}, // never, on the third, by the clock alike: by id
		"?order=missed":     {"vole", "Badger", "otter", "Ant"},
		"?order=verdict":    {"otter", "Badger", "vole", "Ant"}, // on hold, two who practise (by id), not started
	} {
		got := nicknames(t, s.clinician.get("/v1/roster"+order))
		if order == "?order=last_heard" { // otter and vole were heard from at the same instant: by id
			wanted = []any{"Ant", "Badger", "otter", "vole"}
		}
		assert.Equal(t, wanted, got, order)
		assert.Equal(t, wanted, nicknames(t, s.lead.get("/v1/roster"+order)), order)
	}
	s.checked()
}

func TestRosterFilters(t *testing.T) {
	t.Parallel()
	s, families := newClinicOfFour(t)
	status := func(f *family, status string) {
		id := f.summary().text("enrolment", "id")
		f.clinician.post("/v1/enrolments/"+id+"/status", map[string]any{"status": status}).ok(http.StatusOK)
	}
	assert.Equal(t, []any{"vole"}, nicknames(t, s.clinician.get("/v1/roster?flag=follow_up")))
	for query, wanted := range map[string][]any{
		"verdict=practising&order=nickname": {"Badger", "vole"}, "verdict=hold": {"otter"}, "verdict=not_started": {"Ant"}, "verdict=nearing": {},
		"heard_before=2027-03-04T00:00:00Z&order=nickname": {"Ant", "Badger"}, "heard_before=2027-03-03T22:59:59Z": {"Ant"},
		"missed_at_least=1&order=nickname": {"Badger", "vole"}, "missed_at_least=3": {"vole"}, "missed_at_least=5": {},
		"missed_at_least=1&verdict=practising&heard_before=2027-03-04T00:00:00Z": {"Badger"},
	} {
		assert.Equal(t, wanted, nicknames(t, s.clinician.get("/v1/roster?"+query)), query)
	}
	status(families["Badger"], "paused")
	status(families["vole"], "ended") // nothing is to be followed up any more
	for query, wanted := range map[string][]any{
		"?status=running": {"otter"}, "?status=paused": {"Badger"}, "?status=ended": {"vole"}, "?status=none": {"Ant"},
		"?flag=on_hold": {"otter"}, "?flag=unheard": {"Badger"}, "?flag=nothing": {}, "?flag=follow_up": {},
		"?flag=on_hold&status=paused": {}, "?flag=unheard&status=paused&order=nickname": {"Badger"},
	} {
		assert.Equal(t, wanted, nicknames(t, s.clinician.get("/v1/roster"+query)), query)
	}
	s.checked()
}

// TestRosterLine compares a line whole.
func TestRosterLine(t *testing.T) {
	t.Parallel()
	s, families := newClinicOfFour(t)
	f := families["otter"]
	r := s.clinician.get("/v1/roster").ok(http.StatusOK)
	assert.Equal(t, "2027-03-06T16:00:00Z", r.text("as_of"))
	line, err := encodedJSON(r.at("learners", 0))
	require.NoError(t, err)
	assert.JSONEq(t, `{"learner":{"id":"`+f.learner+`","nickname":"otter","age_band":"6-7"},"household_id":"`+f.household+`",
		"enrolment_id":"`+f.summary().text("enrolment", "id")+`","enrolment_status":"running",
		"nights":{"planned":14,"elapsed":6,"practised":5,"complete":5,"partial":0,"excused":0,"attempted":1,"missed":0,"unheard":0,"recalled":0},
		"streak":{"current":5,"longest":5},"verdict":"hold","reasons":["On hold: 1 incident that no clinician has cleared."],"hold":true,"open_disagreements":0,"flags":["on_hold","same_answer"],
		"last_heard_at":"2027-03-06T16:00:00Z"}`, line)
	ant, err := encodedJSON(r.at("learners", 3))
	require.NoError(t, err)
	assert.JSONEq(t, `{"learner":{"id":"`+families["Ant"].learner+`","nickname":"Ant","age_band":"6-7"},"household_id":"`+families["Ant"].household+`",
		"nights":{"planned":0,"elapsed":0,"practised":0,"complete":0,"partial":0,"excused":0,"attempted":0,"missed":0,"unheard":0,"recalled":0},
		"streak":{"current":0,"longest":0},"verdict":"not_started","reasons":[],"hold":false,"open_disagreements":0,"flags":[],"last_heard_at":null}`, ant)
}

// TestTheRosterKeepsUpWithTime asks again later, with nothing handed in between: every line must be what a summary of that
// instant says.
func TestTheRosterKeepsUpWithTime(t *testing.T) {
	t.Parallel()
	s, families := newClinicOfFour(t)
	families["Ant"].enrol("2027-03-08")
	steps := 30
	if raceDetector {
		steps = 8
	}
	for range steps {
		s.clock.advance(11 * time.Hour)
		for _, line := range s.clinician.get("/v1/roster").ok(http.StatusOK).list("learners") {
			summary := families[at(t, line, "learner", "nickname").(string)].summary()
			for _, name := range []string{"learner", "nights", "streak", "flags", "last_heard_at"} {
				assert.Equal(t, summary.at(name), at(t, line, name), "%s of %s", name, at(t, line, "learner", "nickname"))
			}
			assert.Equal(t, summary.at("enrolment", "status"), at(t, line, "enrolment_status"))
			assert.Equal(t, summary.at("hold") != nil, at(t, line, "hold"))
		}
	}
	s.checked()
}
