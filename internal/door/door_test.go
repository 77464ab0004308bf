package door

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
)

// idOf returns an invented id that tells its number.
func idOf(n int) string { return fmt.Sprintf("00000000-0000-7000-8000-%012d", n) }

func uuidOf(n int) uuid.UUID { return uuid.MustParse(idOf(n)) }

// entryOf returns an entry of a kind as a device writes it.
func entryOf(kind practice.Kind, body string) string {
	replaces := "[]"
	if kind == practice.KindRetract {
		replaces = `["` + idOf(4) + `"]`
	}
	return fmt.Sprintf(`{"id":"%s","kind":"%s","subject":"%s","replaces":%s,"learner_id":"%s",`+
		`"recorded_at":"2027-03-02T19:42:10-04:00","body":%s}`, idOf(1), kind, idOf(2), replaces, idOf(3), body)
}

// bodies has a full body of each kind, as the role that may write it does.
var bodies = map[practice.Kind]string{
	practice.KindSession: `{"practised_at":"2027-03-02T19:38:00-04:00","timezone":"America/Halifax","setting":"clinic",` +
		`"note":"tired","note_shared":true}`,
	practice.KindTry: `{"session":"` + idOf(5) + `","position":"left","number":2,"medium":"sweet","size_mm":6.5,` +
		`"outcome":"swallowed","ease":4,"snags":["water","gag"],"note":"well"}`,
	practice.KindExcuse:   `{"night":"2027-03-03","reason":"travel"}`,
	practice.KindIncident: `{"session":"` + idOf(5) + `","what":"coughing_fit","note":"at the end"}`,
	practice.KindRetract:  `{"reason":"wrong child"}`,
	practice.KindLink:     `{"sessions":["` + idOf(5) + `","` + idOf(6) + `"],"same":true}`,
	practice.KindSettle: `{"judged":["` + idOf(5) + `","` + idOf(6) + `"],"outcome":"not_swallowed","ease":2,` +
		`"reason":"saw it"}`,
	practice.KindClear:     `{"incidents":["` + idOf(5) + `","` + idOf(6) + `"],"note":"seen today"}`,
	practice.KindChoose:    `{"position":"down"}`,
	practice.KindPositions: `{"off":["up","down"],"from":"2027-03-05"}`,
	practice.KindReview:    `{"entry":"` + idOf(5) + `","take":true}`,
}

func authorOf(kind practice.Kind) practice.Role {
	switch kind {
	case practice.KindClear, practice.KindChoose, practice.KindPositions, practice.KindReview:
		return practice.Clinician
	}
	return practice.Caregiver
}

func momentOf(t *testing.T, text string) practice.Moment {
	t.Helper()
	m, err := practice.ParseMoment(text)
	require.NoError(t, err)
	return m
}

func TestEachKindIsRead(t *testing.T) {
	t.Parallel()
	five, six := uuidOf(5), uuidOf(6)
	want := map[practice.Kind]practice.Body{
		practice.KindSession: &practice.Session{
			Practised: momentOf(t, "2027-03-02T19:38:00-04:00"), Zone: "America/Halifax", Setting: practice.AtClinic,
			Note: "tired", NoteShared: true,
		},
		practice.KindTry: &practice.Try{
			Session: practice.SubjectID{UUID: five}, Position: practice.Left, Number: 2, Medium: practice.Sweet, SizeMM: 6.5,
			Outcome: practice.Swallowed, Ease: 4, Snags: []practice.Snag{practice.SnagWater, practice.SnagGag}, Note: "well",
		},
		practice.KindExcuse: &practice.Excuse{Night: practice.NightOn(2027, time.March, 3), Reason: "travel"},
		practice.KindIncident: &practice.Incident{
			Session: practice.SubjectID{UUID: five}, What: "coughing_fit", Note: "at the end",
		},
		practice.KindRetract: &practice.Retract{Reason: "wrong child"},
		practice.KindLink:    &practice.Link{Sessions: []practice.SubjectID{{UUID: five}, {UUID: six}}, Same: true},
		practice.KindSettle: &practice.Settle{
			Judged: []practice.EntryID{{UUID: five}, {UUID: six}}, Outcome: practice.NotSwallowed, Ease: 2, Reason: "saw it",
		},
		practice.KindClear: &practice.Clear{
			Incidents: []practice.EntryID{{UUID: five}, {UUID: six}}, Note: "seen today",
		},
		practice.KindChoose: &practice.Choose{Position: practice.Down},
		practice.KindPositions: &practice.SwitchPositions{
			Off: []practice.Position{practice.Up, practice.Down}, From: practice.NightOn(2027, time.March, 5),
		},
		practice.KindReview: &practice.Review{Entry: practice.EntryID{UUID: five}, Take: true},
	}
	require.Len(t, want, len(specs))
	for kind, body := range want {
		t.Run(string(kind), func(t *testing.T) {
			t.Parallel()
			o := Examine([]byte(entryOf(kind, bodies[kind])), 1, authorOf(kind))
			assert.Equal(t, practice.Accepted, o.Status)
			assert.Empty(t, o.Flaws)
			assert.False(t, o.MayBeIncident)
			assert.Equal(t, string(kind), o.Kind)
			assert.Equal(t, body, o.Entry.Body)
			assert.Equal(t, kind, o.Entry.Body.Kind())
			assert.Equal(t, uuidOf(1), o.Entry.ID.UUID)
			assert.Equal(t, uuidOf(2), o.Entry.Subject.UUID)
			assert.Equal(t, uuidOf(3), o.Entry.Learner.UUID)
			assert.Equal(t, momentOf(t, "2027-03-02T19:42:10-04:00"), o.Entry.Recorded)
			assert.Nil(t, o.Stamp)
		})
	}
}

func TestWhatMayBeLeftOut(t *testing.T) {
	t.Parallel()
	moment := momentOf(t, "2027-03-02T19:38:00-04:00")
	five, six := practice.SubjectID{UUID: uuidOf(5)}, practice.EntryID{UUID: uuidOf(6)}
	session := `{"practised_at":"2027-03-02T19:38:00-04:00","timezone":"America/Halifax"`
	try := `{"session":"` + idOf(5) + `","position":"up","number":1,"medium":"water",`
	refused := &practice.Try{
		Session: five, Position: practice.Up, Number: 1, Medium: practice.Water, Outcome: practice.Refused,
	}
	hard := &practice.Try{
		Session: five, Position: practice.Up, Number: 1, Medium: practice.Water, Outcome: practice.NotSwallowed, Ease: 1,
	}
	cases := map[string]struct {
		body string
		role practice.Role
		want practice.Body
	}{
		"a bare session": {
			session + `}`, practice.Caregiver,
			&practice.Session{Practised: moment, Zone: "America/Halifax", Setting: practice.AtHome},
		},
		"a copied session": {
			session + `,"witness":"` + idOf(9) + `"}`, practice.Clinician, &practice.Session{
				Practised: moment, Zone: "America/Halifax", Setting: practice.AtHome, Witness: practice.PersonID{UUID: uuidOf(9)},
			},
		},
		"a bare try":               {try + `"outcome":"not_swallowed","ease":1}`, practice.Caregiver, hard},
		"a try of no size":         {try + `"outcome":"not_swallowed","ease":1,"size_mm":null}`, practice.Caregiver, hard},
		"a try without snags":      {try + `"outcome":"not_swallowed","ease":1,"snags":[]}`, practice.Clinician, hard},
		"ease as 1.0":              {try + `"outcome":"not_swallowed","ease":1.0}`, practice.Caregiver, hard},
		"ease as 10e-1":            {try + `"outcome":"not_swallowed","ease":10e-1}`, practice.Caregiver, hard},
		"a refusal":                {try + `"outcome":"refused"}`, practice.Caregiver, refused},
		"a refusal of ease null":   {try + `"outcome":"refused","ease":null}`, practice.Caregiver, refused},
		"an incident of a session": {`{"what":"pain"}`, practice.Caregiver, &practice.Incident{What: "pain"}},
		"an incident of none":      {`{"session":null,"what":"pain"}`, practice.Clinician, &practice.Incident{What: "pain"}},
		"a bare retraction":        {`{}`, practice.Caregiver, &practice.Retract{}},
		"a settled refusal": {
			`{"judged":["` + idOf(6) + `"],"outcome":"refused"}`, practice.Clinician,
			&practice.Settle{Judged: []practice.EntryID{six}, Outcome: practice.Refused},
		},
		"a clearing without a note": {
			`{"incidents":["` + idOf(6) + `"]}`, practice.Clinician, &practice.Clear{Incidents: []practice.EntryID{six}},
		},
		"a link that parts": {
			`{"sessions":["` + idOf(5) + `","` + strings.ToUpper(idOf(6)) + `"],"same":false}`, practice.Caregiver,
			&practice.Link{Sessions: []practice.SubjectID{five, {UUID: uuidOf(6)}}},
		},
		"all positions on": {
			`{"off":[],"from":"2027-03-05"}`, practice.Clinician,
			&practice.SwitchPositions{From: practice.NightOn(2027, time.March, 5)},
		},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			o := Examine([]byte(entryOf(c.want.Kind(), c.body)), 1, c.role)
			assert.Equal(t, practice.Accepted, o.Status, o.Flaws)
			assert.Equal(t, c.want, o.Entry.Body)
		})
	}
}

func TestOnlyAClinicianMayWrite(t *testing.T) {
	t.Parallel()
	for kind, body := range bodies {
		t.Run(string(kind), func(t *testing.T) {
			t.Parallel()
			for _, role := range []practice.Role{practice.Caregiver, practice.Clinician, 0, 9} {
				o := Examine([]byte(entryOf(kind, body)), 1, role)
				switch {
				case kind == practice.KindSession && role == practice.Clinician:
					assert.Equal(t, []Flaw{{"/body/witness", "It is missing. " + wantWitness}}, o.Flaws)
				case authorOf(kind) == practice.Clinician && role != practice.Clinician:
					assert.Equal(t, practice.Quarantined, o.Status)
					assert.Equal(t, []Flaw{{"/kind", "Only a clinician may write this."}}, o.Flaws)
					assert.Nil(t, o.Entry.Body)
				default:
					assert.Equal(t, practice.Accepted, o.Status, o.Flaws)
				}
			}
		})
	}
}

func TestStampIsNoPartOfTheContent(t *testing.T) {
	t.Parallel()
	bare := entryOf(practice.KindTry, bodies[practice.KindTry])
	plain := Examine([]byte(bare), 1, practice.Caregiver)
	stamped := func(stamp string) Offered {
		return Examine([]byte(strings.Replace(bare, "{", "{\n "+stamp+` , `, 1)), 1, practice.Caregiver)
	}

	o := stamped(`"stamp" : {"received_at":"2027-03-02T19:50:01.204-04:00","clock_offset_ms":-204,"seal":"Yk3q-s0W_G8"}`)
	assert.Equal(t, &Stamp{
		Received:    time.Date(2027, time.March, 2, 23, 50, 1, 204e6, time.UTC),
		ClockOffset: -204 * time.Millisecond,
		Seal:        []byte{0x62, 0x4d, 0xea, 0xfa, 0xcd, 0x16, 0xfc, 0x6f},
	}, o.Stamp)
	assert.Equal(t, practice.Accepted, o.Status, o.Flaws)
	assert.Equal(t, bare, string(o.Sent))
	assert.Equal(t, plain.Content, o.Content)

	const good = `"received_at":"2027-03-02T23:50:01.204Z","clock_offset_ms":0,"seal":"Yk3q"`
	unreadable := map[string]string{
		"null":            `"stamp":null`,
		"a string":        `"stamp":"seal"`,
		"empty":           `"stamp":{}`,
		"a member less":   `"stamp":{"received_at":"2027-03-02T23:50:01.204Z","clock_offset_ms":0}`,
		"a member more":   `"stamp":{` + good + `,"more":1}`,
		"a member twice":  `"stamp":{` + good + `,"seal":"Yk3q"}`,
		"no date-time":    `"stamp":{"received_at":"yesterday","clock_offset_ms":0,"seal":"Yk3q"}`,
		"half an offset":  `"stamp":{"received_at":"2027-03-02T23:50:01Z","clock_offset_ms":0.5,"seal":"Yk3q"}`,
		"a huge offset":   `"stamp":{"received_at":"2027-03-02T23:50:01Z","clock_offset_ms":1e16,"seal":"Yk3q"}`,
		"no seal":         `"stamp":{"received_at":"2027-03-02T23:50:01Z","clock_offset_ms":0,"seal":""}`,
		"not base64url":   `"stamp":{"received_at":"2027-03-02T23:50:01Z","clock_offset_ms":0,"seal":"Yk3/"}`,
		"a broken line":   `"stamp":{"received_at":"2027-03-02T23:50:01Z","clock_offset_ms":0,"seal":"Yk\n3q"}`,
		"bad UTF-8":       "\"stamp\":\"\xff\"",
		"twice":           `"stamp":{` + good + `},"stamp":{` + good + `}`,
		"in other terms":  `"st\u0061mp":7`,
		"twice, in other": `"stamp":{` + good + `},"st\u0061mp":{` + good + `}`,
	}
	for name, stamp := range unreadable {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			o := stamped(stamp)
			assert.Nil(t, o.Stamp)
			assert.Equal(t, practice.Accepted, o.Status, o.Flaws)
			assert.Equal(t, bare, string(o.Sent))
			assert.Equal(t, plain.Content, o.Content)
		})
	}
}

func TestContentIsTheSameHoweverWritten(t *testing.T) {
	t.Parallel()
	const one = `{"session":"%s","position":"left","number":1,"medium":"sweet","size_mm":6,"outcome":"swallowed",` +
		`"ease":4,"note":"é"}`
	const two = ` { "note" : "\u00e9", "ease":4.0,"outcome":"swallowed","size_mm":6.00,"medium":"sweet",` + "\n\t\r" +
		`"number":1e0,"position":"l\u0065ft","session":"%s" } `
	const other = `{"session":"%s","position":"left","number":1,"medium":"sweet","size_mm":7,"outcome":"swallowed",` +
		`"ease":4,"note":"é"}`
	examine := func(body string) Offered {
		return Examine([]byte(entryOf(practice.KindTry, fmt.Sprintf(body, idOf(5)))), 1, practice.Caregiver)
	}
	assert.Equal(t, practice.Accepted, examine(two).Status)
	assert.Equal(t, examine(one).Entry, examine(two).Entry)
	assert.Equal(t, examine(one).Content, examine(two).Content)
	assert.NotEqual(t, examine(one).Content, examine(other).Content)

	sent := string(examine(two).Sent)
	assert.Contains(t, sent, `{"note":"\u00e9","ease":4.0,"outcome":"swallowed","size_mm":6.00,`)
	assert.True(t, json.Valid([]byte(sent)))
}

func TestSpaceWithinStringsIsKept(t *testing.T) {
	t.Parallel()
	for written, read := range map[string]string{
		`a  b `:          `a  b `,
		`\" a : b , \" `: `" a : b , " `,
		`c:\\ `:          `c:\ `,
		`\\\" , { `:      `\" , { `,
		"d\u2028 \u00a0": "d\u2028 \u00a0",
	} {
		bare := entryOf(practice.KindRetract, `{"reason":"`+written+`"}`)
		o := Examine([]byte(strings.Replace(bare, `:"`+written, " :\t\""+written, 1)), 1, practice.Caregiver)
		assert.Equal(t, &practice.Retract{Reason: read}, o.Entry.Body)
		assert.Equal(t, bare, string(o.Sent))
	}
}

// TestSentTakesNoMoreRoomThanItNeeds: it is what came, where nothing had to be taken away, and else has little more room than it fills.
func TestSentTakesNoMoreRoomThanItNeeds(t *testing.T) {
	t.Parallel()
	for _, text := range []string{entryOf(practice.KindChoose, bodies[practice.KindChoose]), "not JSON", " not JSON "} {
		raw := []byte(text)
		o := Examine(raw, 1, practice.Clinician)
		assert.Same(t, &raw[0], &o.Sent[0])
		assert.Equal(t, text, string(o.Sent))
	}
	tight := entryOf(practice.KindChoose, bodies[practice.KindChoose])
	wide := strings.Repeat(" ", 10*len(tight))
	for _, text := range []string{wide + tight, tight + wide, strings.Replace(tight, ":", ":"+wide, 1)} {
		o := Examine([]byte(text), 1, practice.Clinician)
		assert.Equal(t, tight, string(o.Sent))
		assert.Less(t, cap(o.Sent), 2*len(tight))
	}
}
