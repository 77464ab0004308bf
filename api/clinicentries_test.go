package api_test

import (
	"net/http"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

// added writes a clinician's entries that must all be accepted.
func (f *family) added(entries ...entry) reply {
	f.t.Helper()
	r := f.write(entries...)
	for i, status := range pluck(f.t, r.list("results"), "status") {
		require.Equal(f.t, "accepted", status, "entry %d: %s", i, r.body)
	}
	return r
}

// apart records one evening by two phones that differ on one try, and returns the two readings.
func apart(t testing.TB) (f *family, mamas, papas entry) {
	t.Helper()
	f, mama, papa := newTwoPhones(t)
	ours, theirs := mama.session(start.Add(-time.Hour)), papa.session(start.Add(-50*time.Minute))
	mamas, papas = mama.try(ours, "left", 5), papa.try(theirs, "left", 2)
	mama.accepted(ours, mamas)
	papa.accepted(theirs, papas)
	return f, mamas, papas
}

func TestSettle(t *testing.T) {
	t.Parallel()
	f, mamas, papas := apart(t)
	try := func() any { return at(t, f.night("2027-03-01"), "sittings", 0, "tries", 0) }
	assert.Equal(t, "disagreed", at(t, try(), "agreement"))
	assert.InDelta(t, 2, at(t, try(), "ease"), 0, "the more cautious reading counts")
	require.Len(t, f.summary().list("disagreements"), 1)
	assert.Contains(t, f.summary().list("flags"), "open_disagreement")

	half := f.entry("settle", map[string]any{"judged": []string{mamas.id()}, "outcome": "swallowed", "ease": 5})
	f.added(half)
	assert.Equal(t, "disagreed", at(t, try(), "agreement"), "it judged but one of the two")
	settle := f.entry("settle", map[string]any{"judged": []string{mamas.id(), papas.id()}, "outcome": "swallowed", "ease": 4, "reason": "We watched the video."})
	r := f.added(settle)
	assert.Equal(t, "2027-03-01", r.text("nights", 0, "night"))
	assert.Len(t, r.list("nights"), 1)
	assert.Equal(t, "settled", at(t, try(), "agreement"))
	assert.InDelta(t, 4, at(t, try(), "ease"), 0)
	assert.Equal(t, map[string]any{
		"entry": settle.id(), "outcome": "swallowed", "ease": 4.0, "reason": "We watched the video.",
		"by": map[string]any{"role": "clinician", "id": f.members[access.RoleClinician].ID.String()},
	}, at(t, try(), "settlement"))
	assert.Empty(t, f.summary().list("disagreements"))
	f.checked()
}

// TestAnEditReopens: a settlement holds only while what it judged stands.
func TestAnEditReopens(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	ours, theirs := mama.session(start.Add(-time.Hour)), papa.session(start.Add(-50*time.Minute))
	mamas, papas := mama.try(ours, "left", 5), papa.try(theirs, "left", 2)
	mama.accepted(ours, mamas)
	papa.accepted(theirs, papas)
	settle := papa.entry("settle", map[string]any{"judged": []string{mamas.id(), papas.id()}, "outcome": "swallowed", "ease": 3, "reason": "Agreed."})
	papa.accepted(settle)
	assert.Empty(t, f.summary().list("disagreements"))
	mama.accepted(f.edited(mamas, with(mamas.body(), "ease", 4)))
	open := f.summary().list("disagreements")
	require.Len(t, open, 1)
	assert.Equal(t, settle.id(), at(t, open, 0, "past_settlements", 0, "entry"))
	assert.ElementsMatch(t, []any{4.0, 2.0}, pluck(t, at(t, open, 0, "readings").([]any), "ease"))
	f.checked()
}

func TestLink(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	early, late := mama.session(start.Add(-4*time.Hour)), papa.session(start.Add(-time.Hour))
	mama.accepted(early)
	papa.accepted(late)
	sittings := func() []any { return f.night("2027-03-01")["sittings"].([]any) }
	require.Len(t, sittings(), 2)
	same := f.entry("link", map[string]any{"sessions": []string{early.id(), late.id()}, "same": true})
	f.added(same)
	require.Len(t, sittings(), 1)
	assert.ElementsMatch(t, []any{early.id(), late.id()}, at(t, sittings(), 0, "sessions"))
	retract := f.entry("retract", map[string]any{"reason": "A mistake."})
	retract["subject"], retract["replaces"] = same["subject"], []string{same.id()}
	f.added(retract)
	require.Len(t, sittings(), 2)

	near := papa.session(start.Add(-3*time.Hour - 50*time.Minute))
	papa.accepted(near)
	require.Len(t, sittings(), 2, "ten minutes apart is one sitting")
	f.added(f.entry("link", map[string]any{"sessions": []string{early.id(), near.id()}, "same": false}))
	require.Len(t, sittings(), 3)
	f.checked()
}

func TestExcuse(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	f.added(f.entry("excuse", map[string]any{"night": "2027-03-02", "reason": "clinic_advice"}),
		f.entry("excuse", map[string]any{"night": "2027-03-03", "reason": "ill"}))
	f.clock.set(inHalifax(t, "2027-03-04 12:00"))
	// The other phone has not been heard from, but what is excused is excused.
	assert.Equal(t, "excused", f.states()["2027-03-02"])
	assert.Equal(t, []any{map[string]any{"reason": "clinic_advice", "author": map[string]any{
		"role": "clinician", "id": f.members[access.RoleClinician].ID.String(),
	}}}, f.night("2027-03-02")["excuses"])
	// Practised after all.
	mama.accepted(mama.evening(inHalifax(t, "2027-03-03 19:00"))...)
	assert.Equal(t, "complete", f.states()["2027-03-03"])
	assert.Len(t, f.night("2027-03-03")["excuses"], 1)
	f.checked()
}

// TestHoldAndClear: any incident holds, and a clear lifts exactly those it names.
func TestHoldAndClear(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	coughing := mama.entry("incident", map[string]any{"session": nil, "what": "coughing_fit", "note": "Sweet went down the wrong way."})
	pain := papa.entry("incident", map[string]any{"what": "pain"})
	mama.accepted(coughing)
	papa.accepted(pain)
	s := f.summary()
	assert.Equal(t, "hold", s.text("readiness", "verdict"))
	assert.Contains(t, s.list("flags"), "on_hold")
	assert.Equal(t, []any{
		map[string]any{"entry": coughing.id(), "what": "coughing_fit", "recorded_at": coughing["recorded_at"]},
		map[string]any{"entry": pain.id(), "what": "pain", "recorded_at": pain["recorded_at"]},
	}, s.list("hold", "incidents"))
	assert.Equal(t, "2027-03-01T22:00:00Z", s.text("hold", "since"))
	assert.NotEmpty(t, mama.get(f.path("summary")).ok(http.StatusOK).text("hold", "what_to_do"))

	// Withdrawn, it holds still; cleared by a device, it holds still.
	retract := mama.entry("retract", map[string]any{})
	retract["subject"], retract["replaces"] = coughing.id(), []string{coughing.id()}
	mama.accepted(retract)
	r := papa.sync(papa.entry("clear", map[string]any{"incidents": []string{coughing.id(), pain.id()}, "note": "fine"}))
	assert.Equal(t, "quarantined", r.text("results", 0, "status"))
	assert.Len(t, f.summary().list("hold", "incidents"), 2)

	f.added(f.entry("clear", map[string]any{"incidents": []string{coughing.id()}, "note": "Seen in clinic."}))
	assert.Equal(t, []any{pain.id()}, pluck(t, f.summary().list("hold", "incidents"), "entry"))
	f.added(f.entry("clear", map[string]any{"incidents": []string{pain.id()}, "note": "Seen in clinic."}))
	assert.Nil(t, f.summary().at("hold"))
	assert.NotContains(t, keys(mama.get(f.path("summary")).ok(http.StatusOK).doc()), "hold")
	assert.NotContains(t, f.summary().list("flags"), "on_hold")

	// One that can't be read holds as well, and so does the clinician's own.
	r = mama.sync(mama.entry("incident", map[string]any{"what": "a fright"}))
	bad := r.text("results", 0, "id")
	assert.Equal(t, "quarantined", r.text("results", 0, "status"))
	own := f.entry("incident", map[string]any{"what": "vomited"})
	f.added(own)
	hold := f.summary().list("hold", "incidents")
	assert.ElementsMatch(t, []any{bad, own.id()}, pluck(t, hold, "entry"))
	f.added(f.entry("clear", map[string]any{"incidents": []string{bad, own.id()}}))
	assert.Nil(t, f.summary().at("hold"))
	f.checked()
}

func TestChoose(t *testing.T) {
	t.Parallel()
	f, _, _ := newTwoPhones(t)
	assert.NotContains(t, keys(f.summary().at("preference")), "judged_position")
	f.clock.set(inHalifax(t, "2027-03-03 03:59"))
	f.added(f.entry("choose", map[string]any{"position": "left"}))
	assert.Equal(t, "left", f.summary().text("preference", "judged_position"))
	assert.Equal(t, "2027-03-02", f.summary().text("preference", "judged_from"))
	f.clock.advance(time.Hour)
	f.added(f.entry("choose", map[string]any{"position": "down"}))
	assert.Equal(t, "down", f.summary().text("preference", "judged_position"))
	assert.Equal(t, "2027-03-03", f.summary().text("preference", "judged_from"))
	f.checked()
}

// TestPositionsOff switches a position off in mid-programme and on again.
func TestPositionsOff(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	four := []string{"centre", "right", "left", "down"}
	mama.accepted(mama.evening(start, four...)...)
	assert.Equal(t, "partial", f.states()["2027-03-01"])
	f.added(f.entry("positions", map[string]any{"off": []string{"up"}, "from": "2027-03-02"}),
		f.entry("positions", map[string]any{"off": []string{}, "from": "2027-03-03"}))
	for day := 2; day <= 3; day++ {
		f.clock.set(inHalifax(t, march(day)+" 19:00"))
		mama.accepted(mama.evening(f.clock.now(), four...)...)
	}
	assert.Equal(t, "partial", f.states()["2027-03-01"], "the past stays as it was")
	assert.Equal(t, "complete", f.states()["2027-03-02"])
	assert.Equal(t, []any{"centre", "right", "left", "down"}, f.night("2027-03-02")["positions"])
	assert.Equal(t, "partial", f.states()["2027-03-03"])
	f.checked()
}

// TestSheetsOffPaper copies a sheet that a caregiver filled in: it is that caregiver's account, marked.
func TestSheetsOffPaper(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	f.clock.set(inHalifax(t, "2027-03-02 10:00"))
	sheet := f.entry("session", map[string]any{"practised_at": "2027-03-01T19:00:00-04:00", "timezone": halifax, "witness": mama.caregiver})
	var entries []entry
	for _, position := range positions {
		entries = append(entries, f.entry("try", map[string]any{
			"session": sheet.id(), "position": position, "number": 1, "medium": "sweet", "outcome": "swallowed", "ease": 3,
		}))
	}
	f.added(append(entries, sheet)...)
	night := f.night("2027-03-01")
	assert.Equal(t, "complete", night["status"])
	assert.Equal(t, []any{"copied"}, night["marks"])
	assert.Equal(t, []any{mama.caregiver}, at(t, night, "sittings", 0, "caregivers"))
	assert.Equal(t, true, at(t, night, "sittings", 0, "tries", 0, "readings", 0, "copied"))
	// In the feed it says who wrote it down.
	change := papa.sync().at("changes", 0)
	assert.Equal(t, map[string]any{"role": "clinician", "id": f.members[access.RoleClinician].ID.String()}, at(t, change, "author"))
	assert.Nil(t, at(t, change, "device"))

	stranger := f.entry("session", map[string]any{"practised_at": "2027-03-01T21:00:00-04:00", "timezone": halifax, "witness": uuid.NewString()})
	none := f.entry("session", map[string]any{"practised_at": "2027-03-01T21:00:00-04:00", "timezone": halifax})
	good := f.entry("excuse", map[string]any{"night": "2027-03-05", "reason": "travel"})
	r := f.write(stranger, none, good)
	assert.Equal(t, []any{"quarantined", "quarantined", "accepted"}, pluck(t, r.list("results"), "status"))
	for i := range 2 {
		assert.Equal(t, "/entries/"+string(rune('0'+i))+"/body/witness", at(t, r.at("results", i, "problem"), "errors", 0, "pointer"))
	}
	f.checked()
}

// TestEntriesOfAnotherLearner: what a clinician writes about a learner names that learner.
func TestEntriesOfAnotherLearner(t *testing.T) {
	t.Parallel()
	f, _, _ := newTwoPhones(t)
	sibling := f.addLearner("Stoat")
	stranger := f.site.newFamily("Badger").learner
	for _, learner := range []string{sibling, stranger, uuid.NewString()} {
		r := f.write(f.made(learner, "choose", f.clock.now(), map[string]any{"position": "up"}), f.entry("choose", map[string]any{"position": "left"}))
		assert.Equal(t, []any{"quarantined", "accepted"}, pluck(t, r.list("results"), "status"))
		assert.Equal(t, "/entries/0/learner_id", at(t, r.at("results", 0, "problem"), "errors", 0, "pointer"))
	}
	assert.Equal(t, "left", f.summary().text("preference", "judged_position"))
	assert.NotContains(t, keys(f.clinician.get("/v1/learners/"+sibling+"/summary").ok(http.StatusOK).at("preference")), "judged_position")
	f.checked()
}

// TestListedEntries lists the originals, each with what it does now.
func TestListedEntries(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	session := mama.session(start)
	try := mama.try(session, "left", 4)
	edit := f.edited(try, with(try.body(), "ease", 2))
	gone := mama.try(session, "up", 3)
	retract := mama.entry("retract", map[string]any{"reason": "Wrong."})
	retract["subject"], retract["replaces"] = gone.id(), []string{gone.id()}
	bad := mama.try(session, "down", 7)
	nowhere := mama.try(mama.session(start), "down", 3)
	mama.sync(session, try, edit, gone, retract, bad, nowhere)
	listed := f.clinician.get(f.path("entries")).ok(http.StatusOK).list("entries")
	assert.Equal(t, []any{"counts", "replaced", "counts", "withdrawn", "counts", "none", "none"}, pluck(t, listed, "effect"))
	for i, e := range listed {
		_, told := e.(map[string]any)["why"]
		assert.Equal(t, at(t, e, "effect") != "counts", told, "%d", i)
	}
	f.checked()
}
