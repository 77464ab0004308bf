package api_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func encodedJSON(v any) (string, error) {
	b, err := json.Marshal(v)
	return string(b), err
}

// due returns what is overdue now, as kind and night each.
func (s *site) due() []string { s.t.Helper(); return s.dueBy("") }

// dueAsOf returns what is overdue at an instant.
func (s *site) dueAsOf(at time.Time) []string {
	s.t.Helper()
	return s.dueBy("?as_of=" + url.QueryEscape(at.Format(time.RFC3339Nano)))
}

func (s *site) dueBy(query string) []string {
	s.t.Helper()
	due := []string{}
	for _, o := range s.scheduler.get("/v1/reminders/overdue" + query).ok(http.StatusOK).list("overdue") {
		due = append(due, fmt.Sprintf("%s %s", at(s.t, o, "kind"), at(s.t, o, "night")))
	}
	return due
}

func TestOverdueWhole(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	f.clock.advance(time.Minute)
	mama.sync()
	f.clock.set(inHalifax(t, "2027-03-01 19:30"))
	r := f.scheduler.get("/v1/reminders/overdue").ok(http.StatusOK)
	require.Len(t, r.list("overdue"), 1)
	id := r.text("overdue", 0, "id")
	assert.JSONEq(t, `{"overdue":[{"id":"`+id+`","kind":"tonight","learner_id":"`+f.learner+`","household_id":"`+f.household+`",
		"night":"2027-03-01","due_at":"2027-03-01T23:30:00Z","lapses_at":"2027-03-02T01:00:00Z",
		"claimed_until":null,"run":0,"last_heard_at":"2027-03-01T22:01:00Z"}],"cursor":null}`, string(r.body))
	f.clock.advance(time.Hour)
	assert.Equal(t, id, f.scheduler.get("/v1/reminders/overdue").ok(http.StatusOK).text("overdue", 0, "id"), "the same, whenever it is worked out")
}

// TestOverdueThroughAFortnight looks at each instant at which anything changes, across the night on which clocks go forward,
// for a family that practises on the 9th, the 13th and the 19th only.
func TestOverdueThroughAFortnight(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	f.clock.set(inHalifax(t, "2027-03-08 12:00"))
	f.enrol("2027-03-08")
	mama := f.newPhone("Mama")
	for _, step := range []struct {
		at   string
		due  []string
		push bool // an evening is handed in then, and due is what is so after it
	}{
		{"2027-03-08 19:29", nil, false},
		{"2027-03-08 19:30", []string{"tonight 2027-03-08"}, false},
		{"2027-03-08 20:59", []string{"tonight 2027-03-08"}, false},
		{"2027-03-08 21:00", nil, false}, // quiet
		{"2027-03-09 08:00", nil, false},
		{"2027-03-09 19:00", nil, true},
		{"2027-03-09 19:30", []string{"missed 2027-03-08"}, false}, // tonight is done, so yesterday's is due
		{"2027-03-10 19:30", []string{"tonight 2027-03-10"}, false},
		{"2027-03-11 19:30", []string{"tonight 2027-03-11"}, false}, // one a day
		{"2027-03-12 19:30", []string{"tonight 2027-03-12"}, false},
		{"2027-03-13 19:30", []string{"follow_up 2027-03-12", "tonight 2027-03-13"}, false}, // three in a row
		{"2027-03-13 20:00", []string{"follow_up 2027-03-12"}, true},
		{"2027-03-13 21:00", nil, false},
		{"2027-03-14 19:29", nil, false},
		{"2027-03-14 19:30", []string{"tonight 2027-03-14"}, false}, // summer time
		{"2027-03-15 19:30", []string{"tonight 2027-03-15"}, false},
		{"2027-03-16 19:30", []string{"tonight 2027-03-16"}, false},
		{"2027-03-17 19:30", []string{"follow_up 2027-03-16", "tonight 2027-03-17"}, false},
		{"2027-03-18 19:30", nil, false}, // once a run, and from then on more rarely
		{"2027-03-19 19:30", []string{"tonight 2027-03-19"}, false},
		{"2027-03-19 20:00", nil, true},
		{"2027-03-20 19:30", []string{"tonight 2027-03-20"}, false},
		{"2027-03-21 20:59", []string{"tonight 2027-03-21"}, false}, // the last planned
		{"2027-03-22 19:30", []string{"missed 2027-03-21"}, false},
		{"2027-03-22 21:00", nil, false},
		{"2027-03-23 19:30", nil, false}, // over
	} {
		f.clock.set(inHalifax(t, step.at))
		if step.push {
			mama.accepted(mama.evening(f.clock.now())...)
		}
		assert.ElementsMatch(t, step.due, f.due(), step.at)
		assert.ElementsMatch(t, step.due, f.dueAsOf(f.clock.now()), step.at)
	}
	// Looked back at, with all that is known by now.
	assert.ElementsMatch(t, []string{"follow_up 2027-03-16", "tonight 2027-03-17"}, f.dueAsOf(inHalifax(t, "2027-03-17 20:00")))
	assert.Empty(t, f.dueAsOf(inHalifax(t, "2027-03-09 18:00")))
	f.checked()
}

// TestDueInstantsFollowTheClocks: 19:30 at home, before and after.
func TestDueInstantsFollowTheClocks(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	f.clock.set(inHalifax(t, "2027-03-13 12:00"))
	f.enrol("2027-03-13")
	for _, test := range [][2]string{{"2027-03-13 19:30", "2027-03-13T23:30:00Z"}, {"2027-03-14 19:30", "2027-03-14T22:30:00Z"}} {
		f.clock.set(inHalifax(t, test[0]).Add(-time.Millisecond))
		assert.Empty(t, f.due())
		f.clock.advance(time.Millisecond)
		r := f.scheduler.get("/v1/reminders/overdue").ok(http.StatusOK)
		assert.Equal(t, test[1], r.text("overdue", 0, "due_at"))
	}
}

// TestWhatStopsReminders: something recorded, an excuse, a hold, a pause and an end.
func TestWhatStopsReminders(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	enrolment := f.summary().text("enrolment", "id")
	status := func(status string) {
		f.clinician.post("/v1/enrolments/"+enrolment+"/status", map[string]any{"status": status}).ok(http.StatusOK)
	}
	f.clock.set(inHalifax(t, "2027-03-01 19:45"))
	tonight := []string{"tonight 2027-03-01"}
	require.Equal(t, tonight, f.due())
	status("paused")
	assert.Empty(t, f.due())
	status("running")
	assert.Equal(t, tonight, f.due())
	incident := mama.entry("incident", map[string]any{"what": "coughing_fit"})
	mama.accepted(incident)
	assert.Empty(t, f.due())
	f.added(f.entry("clear", map[string]any{"incidents": []string{incident.id()}}))
	assert.Empty(t, f.due(), "the incident is something recorded of tonight")

	f.clock.set(inHalifax(t, "2027-03-02 19:45"))
	tonight = []string{"tonight 2027-03-02"}
	require.Equal(t, tonight, f.due())
	excuse := mama.entry("excuse", map[string]any{"night": "2027-03-02", "reason": "travel"})
	mama.accepted(excuse)
	assert.Empty(t, f.due())
	retract := mama.entry("retract", map[string]any{})
	retract["subject"], retract["replaces"] = excuse.id(), []string{excuse.id()}
	mama.accepted(retract)
	assert.Equal(t, tonight, f.due())
	mama.accepted(f.refusals(mama)...)
	assert.Empty(t, f.due(), "refusals are something recorded")

	f.clock.set(inHalifax(t, "2027-03-03 19:45"))
	require.Equal(t, []string{"tonight 2027-03-03"}, f.due())
	status("ended")
	assert.Empty(t, f.due())
	f.clock.set(inHalifax(t, "2027-03-04 19:45"))
	assert.Empty(t, f.due())
	f.checked()
}

// TestNightsBeforeTheEnrolmentWasWritten get no reminder.
func TestNightsBeforeTheEnrolmentWasWritten(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	f.clock.set(inHalifax(t, "2027-03-10 12:00"))
	f.enrol("2027-03-01")
	mama := f.newPhone("Mama")
	mama.accepted(mama.evening(f.clock.now())...)
	f.clock.set(inHalifax(t, "2027-03-10 19:45"))
	assert.Empty(t, f.due())
}

// TestALaterEnrolmentIsRemindedOf: between two programmes nothing is due, and then the second begins, though nobody has
// called in between.
func TestALaterEnrolmentIsRemindedOf(t *testing.T) {
	t.Parallel()
	for name, before := range map[string]func(f *family){
		"after a gap": func(f *family) { f.clock.set(inHalifax(t, "2027-03-20 12:00")) },
		"after an end": func(f *family) {
			id := f.summary().text("enrolment", "id")
			f.clinician.post("/v1/enrolments/"+id+"/status", map[string]any{"status": "ended"}).ok(http.StatusOK)
		},
		"after a pause": func(f *family) {
			id := f.summary().text("enrolment", "id")
			f.clinician.post("/v1/enrolments/"+id+"/status", map[string]any{"status": "paused"}).ok(http.StatusOK)
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f, _, _ := newTwoPhones(t)
			before(f)
			f.enrol("2027-04-01")
			assert.Empty(t, f.due())
			f.clock.set(inHalifax(t, "2027-03-31 20:00"))
			assert.Equal(t, []string{"tonight 2027-04-01"}, f.dueAsOf(inHalifax(t, "2027-04-01 19:30")))
			f.clock.set(inHalifax(t, "2027-04-01 19:30"))
			assert.Equal(t, []string{"tonight 2027-04-01"}, f.due())
			f.checked()
		})
	}
}

// TestOverdueOrder: by due instant, then id, across zones.
func TestOverdueOrder(t *testing.T) {
	t.Parallel()
	s := newHouse(t).newSite("north")
	for i, zone := range []string{"Asia/Kathmandu", halifax, "Europe/Lisbon", halifax, "Australia/Lord_Howe"} {
		f := s.newFamily(fmt.Sprintf("Vole %d", i))
		f.enrolAs(map[string]any{"first_night": "2027-03-01", "timezone": zone, "reminder_time": "20:00"})
	}
	s.clock.set(inHalifax(t, "2027-03-01 20:10"))
	list := s.scheduler.get("/v1/reminders/overdue").ok(http.StatusOK).list("overdue")
	require.Len(t, list, 2, "in the others it is quiet by now")
	assert.Less(t, at(t, list, 0, "id"), at(t, list, 1, "id"))
	assert.Equal(t, []string{"tonight 2027-03-01"}, s.dueAsOf(inHalifax(t, "2027-03-01 16:30")), "20:30 in Lisbon")
}

// TestOverdueAgrees plays invented fortnights and asks, again and again, in three ways: from the index, for that instant
// beforehand, and of a copy in which everything has just been folded anew.
func TestOverdueAgrees(t *testing.T) {
	t.Parallel()
	for seed := range uint64(6) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			random := rand.New(rand.NewPCG(seed, 7))
			s := newHouse(t).newSite("north")
			var phones []*phone
			zones := []string{halifax, "Australia/Lord_Howe", "Pacific/Chatham"}
			for i := range 3 {
				f := s.newFamily(fmt.Sprintf("Vole %d", i))
				f.enrolAs(map[string]any{
					"first_night": march(1 + random.IntN(9)), "timezone": zones[random.IntN(len(zones))],
					"reminder_time": []string{"08:00", "19:30", "20:59"}[random.IntN(3)],
				})
				phones = append(phones, f.newPhone("Mama"), f.newPhone("Papa"))
			}
			seen := 0
			for range 30 {
				for range random.IntN(3) {
					somethingHappens(phones[random.IntN(len(phones))], random)
				}
				next := s.clock.now().Add(time.Duration(1+random.IntN(23*60)) * time.Minute)
				if random.IntN(3) > 0 { // while something is due, somewhere
					next = nextAt(t, zones[random.IntN(len(zones))], []string{"08:10", "19:45", "20:59"}[random.IntN(3)], s.clock.now())
				}
				ahead := s.overdueBy("?as_of=" + url.QueryEscape(next.Format(time.RFC3339Nano)))
				s.clock.set(next)
				now := s.overdueBy("")
				require.Equal(t, now, ahead, "at %s", next)
				require.Equal(t, now, s.overdueBy("?as_of="+url.QueryEscape(next.Format(time.RFC3339Nano))), "at %s", next)
				fresh := (&family{site: s}).restored(s.backup())
				require.NoError(t, fresh.service.Rebuild(t.Context(), next))
				require.Equal(t, fresh.overdueBy(""), now, "at %s", next)
				require.NoError(t, fresh.store.Close())
				seen += len(now)
			}
			assert.Positive(t, seen, "nothing was ever due")
			s.checked()
		})
	}
}

// nextAt returns when a clock in a zone next shows a time, not more than a day from now.
func nextAt(t testing.TB, zone, clock string, now time.Time) time.Time {
	t.Helper()
	place, err := time.LoadLocation(zone)
	require.NoError(t, err)
	date := now.In(place).Format(time.DateOnly)
	if next := wall(t, zone, date+" "+clock); next.After(now) {
		return next
	}
	return now.Add(time.Hour)
}

func (s *site) overdueBy(query string) []any {
	s.t.Helper()
	return s.scheduler.get("/v1/reminders/overdue" + query).ok(http.StatusOK).list("overdue")
}

// somethingHappens lets a family do something that may change what is due.
func somethingHappens(p *phone, random *rand.Rand) {
	f := p.family
	now := p.house.clock.now()
	switch random.IntN(18) {
	default:
		p.accepted(p.evening(now, "left")...)
	case 0, 1:
		p.accepted(p.evening(now.Add(-time.Duration(random.IntN(30))*time.Hour), "left")...)
	case 3: // written a little ahead of time
		p.accepted(p.evening(now.Add(time.Duration(random.IntN(180))*time.Minute), "left")...)
	case 4:
		p.sync()
	case 5:
		night := now.AddDate(0, 0, random.IntN(4)-1).Format(time.DateOnly)
		p.accepted(p.entry("excuse", map[string]any{"night": night, "reason": "other"}))
	case 6:
		incident := p.entry("incident", map[string]any{"what": "other"})
		p.accepted(incident)
		if random.IntN(4) > 0 {
			f.added(f.entry("clear", map[string]any{"incidents": []string{incident.id()}}))
		}
	case 7:
		// One that was ended before it began is none.
		if e, ok := f.summary().doc()["enrolment"].(map[string]any); ok && e["status"] != "ended" {
			status := []string{"paused", "running", "running", "running", "ended"}[random.IntN(5)]
			f.clinician.post("/v1/enrolments/"+e["id"].(string)+"/status", map[string]any{"status": status}).ok(http.StatusOK)
		}
	case 8:
		f.enrol(now.AddDate(0, 0, random.IntN(5)).Format(time.DateOnly))
	}
}
