package door

import (
	"strings"

	"swallowtail/internal/practice"
)

// spec is what is known of a kind of entry.
type spec struct {
	kind     practice.Kind
	clinical bool // only a clinician may write it
	members  []string
	read     func(*form) practice.Body
}

// specs lists the kinds, the most frequent first.
var specs = []spec{
	{
		kind: practice.KindTry, read: readTry,
		members: []string{"session", "position", "number", "medium", "size_mm", "outcome", "ease", "snags", "note"},
	},
	{
		kind: practice.KindSession, read: readSession,
		members: []string{"practised_at", "timezone", "setting", "note", "note_shared", "witness"},
	},
	{kind: practice.KindExcuse, read: readExcuse, members: []string{"night", "reason"}},
	{kind: practice.KindIncident, read: readIncident, members: []string{"session", "what", "note"}},
	{kind: practice.KindRetract, read: readRetract, members: []string{"reason"}},
	{kind: practice.KindLink, read: readLink, members: []string{"sessions", "same"}},
	{kind: practice.KindSettle, read: readSettle, members: []string{"judged", "outcome", "ease", "reason"}},
	{kind: practice.KindClear, read: readClear, members: []string{"incidents", "note"}, clinical: true},
	{kind: practice.KindChoose, read: readChoose, members: []string{"position"}, clinical: true},
	{kind: practice.KindPositions, read: readPositions, members: []string{"off", "from"}, clinical: true},
	{kind: practice.KindReview, read: readReview, members: []string{"entry", "take"}, clinical: true},
}

// specOf returns what is known of a kind, nil where that is nothing.
func specOf(kind []byte) *spec {
	for i := range specs {
		if string(specs[i].kind) == string(kind) {
			return &specs[i]
		}
	}
	return nil
}

// specLike returns what is known of the kind that is meant by one in other letters.
func specLike(kind []byte) *spec {
	for i := range specs {
		if strings.EqualFold(string(specs[i].kind), string(kind)) {
			return &specs[i]
		}
	}
	return nil
}

const (
	wantWitness   = "Give the id of the caregiver who filled in the sheet."
	wantNoWitness = "Leave it out. Only a clinician, who copies a sheet, names a witness."
	wantSessions  = "Give an array of 2 to 20 UUIDs, the subjects of the sessions."
	wantJudged    = "Give an array of 1 to 50 UUIDs, the entries that were judged."
	wantIncidents = "Give an array of 1 to 100 UUIDs, the entries that report the incidents."
)

func readSession(f *form) practice.Body {
	s := &practice.Session{
		Practised: f.moment("practised_at"),
		Zone:      f.zone("timezone"),
		Setting:   practice.AtHome,
		Note:      f.note("note"),
		Witness:   f.witness("witness"),
	}
	if f.presence("setting") != absent {
		s.Setting = settings.of(f, "setting")
	}
	if f.presence("note_shared") != absent {
		s.NoteShared = f.truth("note_shared")
	}
	return s
}

// witness returns who filled in the sheet that a clinician copies.
func (f *form) witness(name string) practice.PersonID {
	if f.reader.role != practice.Clinician {
		if f.presence(name) != absent {
			f.tell(name, wantNoWitness)
		}
		return practice.PersonID{}
	}
	if _, has := f.required(name, wantWitness); !has {
		return practice.PersonID{}
	}
	return practice.PersonID{UUID: f.id(name)}
}

func readTry(f *form) practice.Body {
	t := &practice.Try{
		Session:  practice.SubjectID{UUID: f.id("session")},
		Position: positions.of(f, "position"),
		Number:   int(f.whole("number", 1, 99, wantNumber)),
		Medium:   media.of(f, "medium"),
		SizeMM:   f.size("size_mm"),
		Note:     f.note("note"),
	}
	t.Outcome, t.Ease = f.result()
	if f.presence("snags") != absent {
		t.Snags = snags.listOf(f, "snags")
	}
	return t
}

// result returns what came of a try, with its ease unless it was refused.
func (f *form) result() (practice.Outcome, practice.Ease) {
	outcome := outcomes.of(f, "outcome")
	without := f.presence("ease") == absent || f.isNull("ease")
	switch {
	case outcome == practice.Refused && !without:
		f.tell("ease", wantNoEase)
	case outcome != practice.Refused && (outcome != "" || !without):
		// Of an outcome that can't be read, no one knows whether it wants an ease; one that is there must still be one.
		ease := f.whole("ease", int64(practice.VeryHard), int64(practice.VeryEasy), wantEase)
		return outcome, practice.Ease(ease) //nolint:gosec // between 0 and 5
	}
	return outcome, practice.NoEase
}

func readExcuse(f *form) practice.Body {
	return &practice.Excuse{Night: f.night("night"), Reason: excuseReasons.of(f, "reason")}
}

func readIncident(f *form) practice.Body {
	i := &practice.Incident{What: incidentKinds.of(f, "what"), Note: f.note("note")}
	if f.presence("session") != absent && !f.isNull("session") {
		i.Session = practice.SubjectID{UUID: f.id("session")}
	}
	return i
}

func readRetract(f *form) practice.Body {
	return &practice.Retract{Reason: f.note("reason")}
}

func readLink(f *form) practice.Body {
	return &practice.Link{
		Sessions: listOfIDs[practice.SubjectID](f, "sessions", 2, 20, wantSessions),
		Same:     f.truth("same"),
	}
}

func readSettle(f *form) practice.Body {
	s := &practice.Settle{Judged: listOfIDs[practice.EntryID](f, "judged", 1, 50, wantJudged)}
	s.Outcome, s.Ease = f.result()
	s.Reason = f.note("reason")
	return s
}

func readClear(f *form) practice.Body {
	return &practice.Clear{
		Incidents: listOfIDs[practice.EntryID](f, "incidents", 1, 100, wantIncidents),
		Note:      f.note("note"),
	}
}

func readChoose(f *form) practice.Body {
	return &practice.Choose{Position: positions.of(f, "position")}
}

func readPositions(f *form) practice.Body {
	return &practice.SwitchPositions{Off: positions.listOf(f, "off"), From: f.night("from")}
}

func readReview(f *form) practice.Body {
	return &practice.Review{Entry: practice.EntryID{UUID: f.id("entry")}, Take: f.truth("take")}
}
