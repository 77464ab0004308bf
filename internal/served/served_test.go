package served_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
	"swallowtail/internal/served"
	"swallowtail/internal/stats"
)

func TestInstant(t *testing.T) {
	t.Parallel()
	east := time.FixedZone("", 5*3600+45*60)
	for wanted, at := range map[string]time.Time{
		"2027-03-01T22:00:00Z":     time.Date(2027, 3, 2, 3, 45, 0, 0, east),
		"2027-03-01T22:00:00.25Z":  time.Date(2027, 3, 1, 22, 0, 0, 250_000_000, time.UTC),
		"2027-03-01T22:00:00.001Z": time.Date(2027, 3, 1, 22, 0, 0, 1_999_999, time.UTC),
	} {
		assert.Equal(t, wanted, served.Instant(at))
		assert.Equal(t, wanted, *served.InstantOrNull(at))
	}
	assert.Nil(t, served.InstantOrNull(time.Time{}))
}

func TestEncode(t *testing.T) {
	t.Parallel()
	encoded, err := served.Encode(struct {
		List []int          `json:"list"`
		Map  map[string]int `json:"map"`
	}{Map: map[string]int{"b": 2, "a": 1}})
	require.NoError(t, err)
	// In order, and never null for an empty list.
	const inOrder = `{"list":[],"map":{"a":1,"b":2}}`
	assert.Equal(t, inOrder, string(encoded)) //nolint:testifylint // to the letter, since stored documents are compared so
	_, err = served.Encode(math.NaN())
	assert.Error(t, err)
}

func TestAgeBand(t *testing.T) {
	t.Parallel()
	at := time.Date(2027, time.March, 1, 22, 0, 0, 0, time.UTC)
	for _, test := range [][2]string{
		{"2027-03", "0-3"},
		{"2023-04", "0-3"},
		{"2023-03", "4-5"},
		{"2021-04", "4-5"},
		{"2021-03", "6-7"},
		{"2019-04", "6-7"},
		{"2019-03", "8-11"},
		{"2015-04", "8-11"},
		{"2015-03", "12-17"},
		{"2009-04", "12-17"},
		{"2009-03", "18+"},
		{"1950-01", "18+"},
	} {
		card := served.CardOf(uuid.Nil, "Otter", test[0], at)
		require.NotNil(t, card.AgeBand, test[0])
		assert.Equal(t, test[1], *card.AgeBand, test[0])
	}
	assert.Nil(t, served.CardOf(uuid.Nil, "Otter", "", at).AgeBand)
	// The band turns with the month in UTC, wherever it is looked at.
	behind := time.FixedZone("", -10*3600)
	assert.Equal(t, "4-5", *served.CardOf(uuid.Nil, "Otter", "2023-03", time.Date(2027, 2, 28, 20, 0, 0, 0, behind)).AgeBand)
}

var (
	learner = practice.LearnerID{UUID: uuid.MustParse("01953a10-0000-7000-8000-000000000020")}
	mama    = practice.Author{Role: practice.Caregiver, ID: practice.PersonID{UUID: uuid.MustParse("01953a10-0000-7000-8000-000000000040")}}
	papa    = practice.Author{Role: practice.Caregiver, ID: practice.PersonID{UUID: uuid.MustParse("01953a10-0000-7000-8000-000000000041")}}
)

func entryID(n byte) practice.EntryID {
	id := uuid.MustParse("01954f2e-1a00-7000-8000-000000000100")
	id[15] = n
	return practice.EntryID{UUID: id}
}

// told folds an evening on which two caregivers differ, an incident, an excuse of the next night and a settlement that holds
// no longer, seen from the next noon.
func told(t *testing.T) practice.View {
	t.Helper()
	zone, err := practice.LoadZone("America/Halifax")
	require.NoError(t, err)
	at := time.Date(2027, time.March, 1, 19, 0, 0, 0, zone)
	enrolment := practice.Enrolment{
		ID: practice.EnrolmentID{UUID: uuid.MustParse("01953a10-0000-7000-8000-000000000030")}, Learner: learner,
		Plan: practice.DefaultPlan(), FirstNight: practice.NightOn(2027, time.March, 1), Zone: zone,
		Positions: []practice.Position{practice.Left, practice.Up}, ReminderAt: 19*60 + 30, Written: at.Add(-time.Hour),
	}
	write := func(n byte, by practice.Author, body practice.Body) practice.Stamped {
		return practice.Stamped{
			Entry:  practice.Entry{ID: entryID(n), Subject: practice.SubjectID(entryID(n)), Learner: learner, Recorded: practice.MomentOf(at), Body: body},
			Stamp:  practice.Stamp{Received: at.UTC()},
			Author: by, Status: practice.Accepted,
		}
	}
	session := &practice.Session{Practised: practice.MomentOf(at), Zone: "America/Halifax"}
	try := func(session byte, p practice.Position, ease practice.Ease, snags ...practice.Snag) *practice.Try {
		return &practice.Try{
			Session: practice.SubjectID(entryID(session)), Position: p, Number: 1, Medium: practice.Sweet, SizeMM: 6,
			Outcome: practice.Swallowed, Ease: ease, Snags: snags,
		}
	}
	refused := &practice.Try{Session: practice.SubjectID(entryID(1)), Position: practice.Up, Number: 1, Medium: practice.Sweet, Outcome: practice.Refused}
	return practice.NewRecord([]practice.Stamped{
		write(1, mama, session), write(2, papa, session), write(3, mama, try(1, practice.Left, 5)),
		write(4, papa, try(2, practice.Left, 2, practice.SnagWater)), write(5, mama, refused),
		write(6, papa, &practice.Incident{What: "pain"}),
		write(7, papa, &practice.Excuse{Night: practice.NightOn(2027, time.March, 2), Reason: "travel"}),
		write(8, papa, &practice.Settle{Judged: []practice.EntryID{entryID(3)}, Outcome: practice.Swallowed, Ease: 5, Reason: "Sure."}),
	}).Fold(learner, []practice.Enrolment{enrolment}, nil, time.Date(2027, time.March, 2, 12, 0, 0, 0, zone))
}

func TestNight(t *testing.T) {
	t.Parallel()
	v := told(t)
	p := v.Current()
	encoded, err := served.Encode(served.NightOf(learner, p, &p.Nights[0]))
	require.NoError(t, err)
	assert.JSONEq(t, `{"learner_id":"01953a10-0000-7000-8000-000000000020","night":"2027-03-01","status":"partial","recalled":false,
		"marks":[],"counted":true,"enrolment_id":"01953a10-0000-7000-8000-000000000030","positions":["left","up"],
		"sittings":[{"number":1,"practised_at":"2027-03-01T19:00:00-04:00","timezone":"America/Halifax",
			"caregivers":["01953a10-0000-7000-8000-000000000040","01953a10-0000-7000-8000-000000000041"],"marks":[],
			"sessions":["01954f2e-1a00-7000-8000-000000000101","01954f2e-1a00-7000-8000-000000000102"],
			"tries":[{"position":"left","number":1,"medium":"sweet","size_mm":6,"outcome":"swallowed","ease":2,"snags":["water"],
				"agreement":"disagreed","ease_range":[2,5],"readings":[
					{"entry":"01954f2e-1a00-7000-8000-000000000104","caregiver":"01953a10-0000-7000-8000-000000000041","outcome":"swallowed",
					 "ease":2,"medium":"sweet","snags":["water"],"copied":false},
					{"entry":"01954f2e-1a00-7000-8000-000000000103","caregiver":"01953a10-0000-7000-8000-000000000040","outcome":"swallowed",
					 "ease":5,"medium":"sweet","snags":[],"copied":false}],
				"past_settlements":[{"entry":"01954f2e-1a00-7000-8000-000000000108","outcome":"swallowed","ease":5,"reason":"Sure.",
					"by":{"role":"caregiver","id":"01953a10-0000-7000-8000-000000000041"}}]},
				{"position":"up","number":1,"medium":"sweet","outcome":"refused","snags":[],"agreement":"single","readings":[
					{"entry":"01954f2e-1a00-7000-8000-000000000105","caregiver":"01953a10-0000-7000-8000-000000000040","outcome":"refused",
					 "medium":"sweet","snags":[],"copied":false}]}]}],
		"score":{"left":{"outcome":"swallowed","ease":2}},"excuses":[],
		"incidents":[{"entry":"01954f2e-1a00-7000-8000-000000000106","what":"pain"}]}`, string(encoded))

	excused, err := served.Encode(served.NightOf(learner, p, &p.Nights[1]))
	require.NoError(t, err)
	assert.JSONEq(t, `{"learner_id":"01953a10-0000-7000-8000-000000000020","night":"2027-03-02","status":"excused","recalled":false,
		"marks":[],"counted":true,"enrolment_id":"01953a10-0000-7000-8000-000000000030","positions":["left","up"],"sittings":[],"score":{},
		"excuses":[{"reason":"travel","author":{"role":"caregiver","id":"01953a10-0000-7000-8000-000000000041"}}],"incidents":[]}`, string(excused))

	outside := served.NightOf(learner, nil, &p.Nights[0])
	assert.False(t, outside.Counted)
	assert.Nil(t, outside.Enrolment)
}

// subject is what the summaries of the story are about.
func subject(v *practice.View) served.Subject {
	return served.Subject{
		Card: served.CardOf(learner.UUID, "Otter", "2019-05", v.At), View: v, Programme: v.Current(), LastHeard: v.At.Add(-time.Hour),
	}
}

func members(t *testing.T, document any) map[string]json.RawMessage {
	t.Helper()
	encoded, err := served.Encode(document)
	require.NoError(t, err)
	var members map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(encoded, &members))
	return members
}

func TestClinicSummary(t *testing.T) {
	t.Parallel()
	v := told(t)
	j := judgement.Judge(&v, v.Current(), time.Time{})
	w := judgement.Weigh(judgement.Case{
		View: &v, Programme: v.Current(), Known: func(time.Time) *practice.Programme { return v.Current() },
	}, &j)
	w.Preference.Positions = []judgement.Standing{{Position: practice.Left, Nights: 3, Rank: 0.75, Best: 0.5}}
	w.Agreement = stats.Agreement{Pairs: 4, Equal: 2, WithinOne: 3, Alpha: 0.25, Defined: true}
	doc := served.ClinicSummaryOf(subject(&v), &j, &w)
	left := doc.Preference.Positions[practice.Left]
	require.NotNil(t, left.Interval)
	assert.InDelta(t, 0.2065, left.Interval[0], 0.0001, "Wilson's interval of 1 of 1")
	left.Interval = nil
	doc.Preference.Positions[practice.Left] = left
	m := members(t, doc)
	for name, wanted := range map[string]string{
		"learner":       `{"id":"01953a10-0000-7000-8000-000000000020","nickname":"Otter","age_band":"6-7"}`,
		"as_of":         `"2027-03-02T16:00:00Z"`,
		"last_heard_at": `"2027-03-02T15:00:00Z"`,
		"nights": `{"planned":14,"elapsed":2,"practised":1,"complete":0,"partial":1,"excused":1,"attempted":0,"missed":0,"unheard":0,
			"recalled":0}`,
		"streak": `{"current":1,"longest":1}`,
		"preference": `{"says":"No night has two positions to compare yet.","positions":{
			"left":{"tries":1,"swallowed":1,"share":1,"ease":2,"ranked_nights":3,"mean_rank":0.75,"probability_best":0.5},
			"up":{"tries":0,"swallowed":0}}}`,
		"agreement": `{"pairs":4,"percent":0.5,"within_one":0.75,"alpha":0.25}`,
		"progress":  `{"positions":{},"towards":"neither"}`,
		"hold": `{"incidents":[{"entry":"01954f2e-1a00-7000-8000-000000000106","what":"pain","recorded_at":"2027-03-01T19:00:00-04:00"}],
			"since":"2027-03-01T23:00:00Z"}`,
		"flags": `["on_hold","open_disagreement"]`,
		"snags": `{"water":1}`,
	} {
		assert.JSONEq(t, wanted, string(m[name]), name)
	}
	assert.NotContains(t, m, "enrolment")
	assert.Contains(t, string(m["caution"]), "never says to give medicine")
}

// TestFamilySummary: what a family sees says nothing of readiness, and on hold says what to do.
func TestFamilySummary(t *testing.T) {
	t.Parallel()
	v := told(t)
	j := judgement.Judge(&v, v.Current(), time.Time{})
	m := members(t, served.FamilySummaryOf(subject(&v), &j))
	names := []string{}
	for name := range m {
		names = append(names, name)
	}
	assert.ElementsMatch(t, []string{
		"learner", "nights", "streak", "positions", "disagreements", "snags", "advice", "hold", "caution",
	}, names)
	for _, wanted := range []string{"stop", "call your clinic", "emergency number"} {
		assert.Contains(t, string(m["hold"]), wanted)
	}
	for _, wanted := range []string{"adult", "upright", "choke", "four", "swallowing trouble", "sugar", "allergies", "fear", "pharmacist", "emergency number", "clinician"} {
		assert.Contains(t, strings.ToLower(string(m["caution"])), wanted)
	}
	v.Hold = nil
	assert.NotContains(t, members(t, served.FamilySummaryOf(subject(&v), &j)), "hold")
}

// TestAnUnreadIncident tells neither what it can't, nor when.
func TestAnUnreadIncident(t *testing.T) {
	t.Parallel()
	v := told(t)
	v.Hold = []practice.OpenIncident{
		{Entry: entryID(9), Received: v.At, Unread: true}, {Entry: entryID(6), What: "pain", Received: v.At.Add(-time.Hour)},
	}
	j := judgement.Judge(&v, v.Current(), time.Time{})
	hold := members(t, served.ClinicSummaryOf(subject(&v), &j, &judgement.Weighing{}))["hold"]
	assert.JSONEq(t, `{"incidents":[{"entry":"01954f2e-1a00-7000-8000-000000000109","what":null,"recorded_at":null},
		{"entry":"01954f2e-1a00-7000-8000-000000000106","what":"pain","recorded_at":null}],"since":"2027-03-02T15:00:00Z"}`, string(hold))
}

func TestRosterLine(t *testing.T) {
	t.Parallel()
	v := told(t)
	j := judgement.Judge(&v, v.Current(), time.Time{})
	household := uuid.MustParse("01953a10-0000-7000-8000-000000000010")
	line := served.RosterLineOf(subject(&v), household, &j)
	assert.Equal(t, v.Current().Enrolment.ID.UUID, *line.Enrolment)
	assert.True(t, line.Hold)
	assert.Equal(t, 1, line.Disagreements)
	assert.Equal(t, judgement.Hold, line.Verdict)

	none := judgement.Judgement{Verdict: judgement.NotStarted}
	m := members(t, served.RosterLineOf(served.Subject{Card: subject(&v).Card, View: &practice.View{}}, household, &none))
	assert.NotContains(t, m, "enrolment_id")
	assert.NotContains(t, m, "enrolment_status")
	assert.JSONEq(t, `[]`, string(m["flags"]))
	assert.JSONEq(t, `null`, string(m["last_heard_at"]))
}
