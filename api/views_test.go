package api_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestMissedAndUnheard: absence of news is not news of absence.
func TestMissedAndUnheard(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	at := func(text string) { f.clock.set(inHalifax(t, text)) }
	state := func() string { return f.states()["2027-03-01"] }
	assert.Equal(t, "open", state())
	assert.Equal(t, "upcoming", f.states()["2027-03-02"])
	mama.sync()
	papa.sync()
	at("2027-03-02 03:59")
	assert.Equal(t, "open", state())
	at("2027-03-02 04:00")
	assert.Equal(t, "unheard", state())
	papa.sync()
	assert.Equal(t, "unheard", state(), "mama's phone may still hold the evening")
	mama.further().sync()
	assert.Equal(t, "missed", state(), "mama has been heard from, on another phone")

	// A phone of somebody new is waited for from when it came in, for seven days.
	f.newPhone("Gran")
	assert.Equal(t, "unheard", state())
	at("2027-03-09 03:59")
	papa.sync()
	mama.sync()
	assert.Equal(t, "unheard", state())
	at("2027-03-09 04:00")
	assert.Equal(t, "missed", state())
	f.checked()
}

// TestAllSilent: where no phone is heard from any more, the last nights stay unheard for good.
func TestAllSilent(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	mama.accepted(mama.evening(start)...)
	papa.sync()
	f.clock.set(inHalifax(t, "2027-03-20 12:00"))
	states := f.states()
	assert.Equal(t, "complete", states["2027-03-01"])
	for day := 2; day <= 14; day++ {
		assert.Equal(t, "unheard", states[march(day)])
	}
	s := f.summary()
	assert.InDelta(t, 13, s.at("nights", "unheard"), 0)
	assert.InDelta(t, 0, s.at("nights", "missed"), 0)
	assert.InDelta(t, 0, s.at("streak", "current"), 0)
	assert.ElementsMatch(t, []any{"follow_up", "unheard"}, s.list("flags"))
	f.checked()
}

// TestALateUploadRepairsTheStreak hands in the second evening four days later.
func TestALateUploadRepairsTheStreak(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	var late []entry
	for day := 1; day <= 6; day++ {
		f.clock.set(inHalifax(t, march(day)+" 19:00"))
		papa.sync()
		evening := mama.evening(f.clock.now())
		switch day {
		case 2:
			late = evening
			mama.sync()
		case 4:
			mama.accepted(f.refusals(mama)...) // recorded, but no sweet tried
		case 5:
			mama.accepted(mama.entry("excuse", map[string]any{"night": "2027-03-05", "reason": "ill"}))
		default:
			mama.accepted(evening...)
		}
	}
	streak := func() [2]any { s := f.summary(); return [2]any{s.at("streak", "current"), s.at("streak", "longest")} }
	assert.Equal(t, map[string]string{"2": "missed", "4": "attempted", "5": "excused"}, pick(f.states(), 2, 4, 5))
	assert.Equal(t, [2]any{2.0, 2.0}, streak())
	mama.accepted(late...)
	assert.Equal(t, [2]any{4.0, 4.0}, streak())
	assert.Equal(t, "complete", f.states()["2027-03-02"])
	assert.Equal(t, false, f.night("2027-03-02")["recalled"], "it was written down in time")
	n := f.summary().at("nights").(map[string]any)
	assert.Equal(t, map[string]any{
		"planned": 14.0, "elapsed": 6.0, "practised": 4.0, "complete": 4.0, "partial": 0.0, "excused": 1.0, "attempted": 1.0,
		"missed": 0.0, "unheard": 0.0, "recalled": 0.0,
	}, n)
	f.checked()
}

// refusals is an evening on which nothing was tried.
func (f *family) refusals(p *phone) []entry {
	session := p.session(f.clock.now())
	refused := p.entry("try", map[string]any{
		"session": session.id(), "position": "left", "number": 1, "medium": "sweet", "outcome": "refused", "snags": []string{"fear"},
	})
	water := p.entry("try", map[string]any{
		"session": session.id(), "position": "up", "number": 1, "medium": "water", "outcome": "swallowed", "ease": 5,
	})
	return []entry{session, refused, water}
}

func pick(states map[string]string, days ...int) map[string]string {
	picked := map[string]string{}
	for _, day := range days {
		picked[fmt.Sprint(day)] = states[march(day)]
	}
	return picked
}

// TestRecalled writes three evenings down on the last.
func TestRecalled(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	f.clock.set(inHalifax(t, "2027-03-05 20:00"))
	for day := 3; day <= 5; day++ {
		mama.accepted(mama.evening(inHalifax(t, march(day)+" 19:00"))...)
	}
	s := f.summary()
	assert.InDelta(t, 3, s.at("nights", "practised"), 0)
	assert.InDelta(t, 1, s.at("nights", "recalled"), 0, "a day is allowed after the night has closed")
	assert.Equal(t, true, f.night("2027-03-03")["recalled"])
	assert.Equal(t, []any{"recalled", "written_together"}, f.night("2027-03-03")["marks"])
	assert.Equal(t, []any{"written_together"}, f.night("2027-03-05")["marks"])
	criterion := at(t, s.list("readiness", "criteria"), 1)
	assert.Equal(t, "practised_nights", at(t, criterion, "id"))
	assert.Empty(t, at(t, criterion, "nights"), "readiness does not rest on them")
	f.checked()
}

// TestNightsAcrossZones: the wall clock at the place of practice decides the night.
func TestNightsAcrossZones(t *testing.T) {
	t.Parallel()
	for name, test := range map[string]struct{ zone, at, night string }{
		"just before the day turns":        {halifax, "2027-03-02T03:59:59-04:00", "2027-03-01"},
		"as it turns":                      {halifax, "2027-03-02T04:00:00-04:00", "2027-03-02"},
		"the night clocks go forward":      {halifax, "2027-03-14T03:30:00-03:00", "2027-03-13"},
		"the morning after":                {halifax, "2027-03-14T04:00:00-03:00", "2027-03-14"},
		"half an hour off":                 {"Asia/Kolkata", "2027-03-05T19:00:00+05:30", "2027-03-05"},
		"a half-hour change, before":       {"Australia/Lord_Howe", "2027-04-04T03:59:00+10:30", "2027-04-03"},
		"beyond the date line":             {"Pacific/Kiritimati", "2027-03-06T01:00:00+14:00", "2027-03-05"},
		"this side of it, the same moment": {"Pacific/Honolulu", "2027-03-05T01:00:00-10:00", "2027-03-04"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f, mama, _ := newTwoPhones(t)
			f.clock.set(inHalifax(t, "2027-04-05 12:00"))
			session := mama.session(start)
			session.body()["practised_at"], session.body()["timezone"] = test.at, test.zone
			mama.accepted(session, mama.try(session, "left", 4))
			n := f.clinician.get(f.path("nights")).ok(http.StatusOK)
			found := ""
			for _, night := range append(n.list("nights"), n.list("earlier")...) {
				if len(at(t, night, "sittings").([]any)) > 0 {
					found += at(t, night, "night").(string)
					assert.Equal(t, test.at, at(t, night, "sittings", 0, "practised_at"))
					assert.Equal(t, test.zone, at(t, night, "sittings", 0, "timezone"))
					assert.NotContains(t, at(t, night, "marks"), "offset_unknown")
				}
			}
			assert.Equal(t, test.night, found)
		})
	}
}

// TestSecondEnrolment: the first ends on the eve of the second, and each can be asked for.
func TestSecondEnrolment(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	mama := f.newPhone("Mama")
	teaching := mama.evening(inHalifax(t, "2027-02-27 15:00"), "left")
	first := f.enrol("2027-03-01")
	mama.accepted(append(teaching, mama.evening(start)...)...)
	second := f.enrolAs(map[string]any{"first_night": "2027-03-10", "positions": []string{"left", "down"}})
	assert.Equal(t, first, f.summary().text("enrolment", "id"), "the second has not begun")
	assert.InDelta(t, 9, f.summary().at("nights", "planned"), 0)

	f.clock.set(inHalifax(t, "2027-03-11 12:00"))
	mama.accepted(mama.evening(inHalifax(t, "2027-03-10 19:00"), "left", "down")...)
	s := f.summary()
	assert.Equal(t, second, s.text("enrolment", "id"))
	assert.Equal(t, []any{"left", "down"}, s.list("enrolment", "positions"))
	assert.InDelta(t, 1, s.at("nights", "complete"), 0)
	assert.Equal(t, "running", s.text("enrolment", "status"))

	old := f.clinician.get(f.path("summary") + "?enrolment=" + first).ok(http.StatusOK)
	assert.Equal(t, first, old.text("enrolment", "id"))
	assert.Equal(t, "ended", old.text("enrolment", "status"))
	assert.InDelta(t, 9, old.at("nights", "planned"), 0)
	assert.InDelta(t, 1, old.at("nights", "complete"), 0)
	nights := f.clinician.get(f.path("nights") + "?enrolment=" + first).ok(http.StatusOK)
	assert.Len(t, nights.list("nights"), 9)
	assert.Equal(t, first, nights.text("enrolment_id"))
	for _, n := range nights.list("nights") {
		assert.Equal(t, first, at(t, n, "enrolment_id"))
	}
	earlier := f.clinician.get(f.path("nights")).ok(http.StatusOK).list("earlier")
	assert.Equal(t, []any{"2027-02-27"}, pluck(t, earlier, "night"))
	assert.Equal(t, false, at(t, earlier, 0, "counted"))
	assert.Nil(t, at(t, earlier, 0, "enrolment_id"))
	f.checked()
}

func TestALearnerWithoutEnrolment(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	s := f.summary()
	assert.NotContains(t, keys(s.doc()), "enrolment")
	assert.NotContains(t, keys(s.doc()), "plan")
	assert.Equal(t, "not_started", s.text("readiness", "verdict"))
	assert.Nil(t, s.at("last_heard_at"))
	nights := f.clinician.get(f.path("nights")).ok(http.StatusOK)
	assert.Equal(t, map[string]any{"nights": []any{}, "earlier": []any{}, "enrolment_id": nil, "as_of": "2027-03-01T22:00:00Z"}, nights.doc())
	f.newPhone("Mama").get(f.path("summary")).ok(http.StatusOK)
}

// TestTheFamilysView holds nothing else than it may, whatever has happened.
func TestTheFamilysView(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	f.enrolAs(map[string]any{"first_night": "2027-03-01", "target": map[string]any{"capsule_size": "0"}})
	f.added(f.entry("choose", map[string]any{"position": "left"}))
	for day := 1; day <= 3; day++ {
		f.clock.set(inHalifax(t, march(day)+" 19:00"))
		evening := mama.evening(f.clock.now())
		evening[1].body()["snags"] = []string{"water"}
		mama.accepted(evening...)
		session := papa.session(f.clock.now())
		papa.accepted(session, papa.try(session, "centre", 1))
	}
	allowed := []string{"learner", "nights", "streak", "positions", "disagreements", "snags", "advice", "caution"}
	view := papa.get(f.path("summary")).ok(http.StatusOK)
	assert.ElementsMatch(t, allowed, keys(view.doc()))
	assert.Len(t, view.list("disagreements"), 3)
	assert.Equal(t, []any{"water"}, pluck(t, view.list("advice"), "snag"))
	assert.Equal(t, map[string]any{"water": 3.0}, view.at("snags"))
	mama.accepted(mama.entry("incident", map[string]any{"what": "choking", "note": "frightening"}))
	held := papa.get(f.path("summary")).ok(http.StatusOK)
	assert.ElementsMatch(t, append(allowed, "hold"), keys(held.doc()))
	assert.Equal(t, []string{"what_to_do"}, keys(held.at("hold")))
	for _, never := range []string{
		"readiness", "verdict", "ready", "target", "capsule", "agreement\":{", "flags", "judged", "choking", "frightening",
		"preference", "leader", "interval", "rank", "progress",
	} {
		assert.NotContains(t, string(held.body), never)
	}
	clinicsView := f.summary()
	assert.ElementsMatch(t, []string{
		"learner", "as_of", "enrolment", "plan", "nights", "streak", "preference", "readiness", "agreement", "progress",
		"disagreements", "hold", "flags", "snags", "advice", "last_heard_at", "caution",
	}, keys(clinicsView.doc()))
	assert.Equal(t, map[string]any{"capsule_size": "0"}, clinicsView.at("enrolment", "target"))
	for position := range view.at("positions").(map[string]any) {
		for _, figure := range []string{"tries", "swallowed", "share", "ease"} {
			assert.Equal(t, view.at("positions", position, figure), clinicsView.at("preference", "positions", position, figure))
		}
		assert.Len(t, view.at("positions", position), 4, "a family sees no more of it")
	}
	f.checked()
}

// TestThePreferenceOnTheWire has a learner whose best position moves from the centre to the left.
func TestThePreferenceOnTheWire(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	start := f.summary()
	assert.Equal(t, "No night has two positions to compare yet.", start.text("preference", "says"))
	assert.Equal(t, map[string]any{"pairs": 0.0}, start.at("agreement"))
	assert.Equal(t, map[string]any{"positions": map[string]any{}, "towards": "neither"}, start.at("progress"))
	assert.NotContains(t, keys(start.at("preference")), "test")
	for day := 1; day <= 14; day++ {
		f.clock.set(inHalifax(t, march(day)+" 19:00"))
		left, centre := 2, 4
		if day > 7 {
			left, centre = 5, 3
		}
		session := mama.session(f.clock.now())
		entries := []entry{session}
		for position, ease := range map[string]int{"left": left, "centre": centre, "down": 1} {
			try := mama.try(session, position, 1)
			try.body()["ease"] = ease
			entries = append(entries, try)
		}
		mama.accepted(entries...)
	}
	s := f.summary()
	assert.Equal(t, []any{"left", "centre", "centre", "left"}, []any{
		s.at("preference", "leader"), s.at("preference", "runner_up"), s.at("preference", "first_week"), s.at("preference", "second_week"),
	})
	assert.Greater(t, s.at("preference", "probability_best"), 0.6)
	assert.Positive(t, s.at("preference", "margin_over_centre"))
	assert.Contains(t, s.text("preference", "says"), "Left goes best so far")
	assert.Equal(t, "skillings_mack_tie_corrected", s.text("preference", "test", "name"))
	assert.Equal(t, []any{14.0, 2.0, true}, []any{s.at("preference", "test", "nights"), s.at("preference", "test", "df"), s.at("preference", "test", "comparable")})
	assert.Len(t, s.list("preference", "positions", "left", "interval"), 2)
	assert.InDelta(t, 14, s.at("preference", "positions", "left", "ranked_nights"), 0)
	assert.Equal(t, "neither", s.text("progress", "towards"), "the left got easier, the centre as much harder")
	assert.InDelta(t, 49, s.at("progress", "positions", "left", "s"), 0)
	assert.Equal(t, s.body, f.summary().body, "the same again")
	other := papa.session(f.clock.now())
	papa.accepted(other, papa.try(other, "left", 1))
	assert.InDelta(t, 1, f.summary().at("agreement", "pairs"), 0)
	f.checked()
}

// TestAsOf moves the instant, not the set.
func TestAsOf(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	f.clock.set(inHalifax(t, "2027-03-04 20:00"))
	for day := 1; day <= 4; day++ {
		mama.accepted(mama.evening(inHalifax(t, march(day)+" 19:00"))...)
	}
	papa.sync()
	for instant, wanted := range map[string][2]float64{ // elapsed, practised
		"2027-03-01T18:59:59-04:00": {0, 0}, "2027-03-01T19:00:00-04:00": {1, 1}, "2027-03-03T12:00:00-04:00": {2, 2},
		"2027-03-04T23:59:59Z": {4, 4}, "2027-03-05T23:59:59Z": {4, 4},
	} {
		s := f.clinician.get(f.path("summary") + "?as_of=" + strings.ReplaceAll(instant, "+", "%2B")).ok(http.StatusOK)
		assert.InDelta(t, wanted[0], s.at("nights", "elapsed"), 0, instant)
		assert.InDelta(t, wanted[1], s.at("nights", "practised"), 0, instant)
		asked, err := time.Parse(time.RFC3339, instant)
		require.NoError(t, err)
		assert.Equal(t, asked.UTC().Format(time.RFC3339), s.text("as_of"))
		nights := f.clinician.get(f.path("nights") + "?as_of=" + instant).ok(http.StatusOK)
		assert.Equal(t, asked.UTC().Format(time.RFC3339), nights.text("as_of"))
	}
}
