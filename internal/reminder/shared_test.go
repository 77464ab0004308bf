package reminder_test

import (
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
	"swallowtail/internal/reminder"
	"swallowtail/internal/served"
)

// manyKinds writes nearly every kind of entry, as a caregiver and as a clinician.
func (s *story) manyKinds() {
	home := s.enrolments[0].Zone
	for day := 1; day <= 5; day++ {
		s.practise(time.Date(2027, time.March, day, 19, 0, 0, 0, home))
	}
	noon := time.Date(2027, time.March, 6, 12, 0, 0, 0, home)
	first, try, fourth := s.entries[0].ID, s.entries[1], s.entries[6].Subject
	s.write(noon, &practice.Excuse{Night: practice.NightOn(2027, time.March, 6), Reason: "ill"})
	s.write(noon, &practice.Incident{Session: practice.SubjectID(first), What: "pain"})
	s.write(noon, &practice.Link{Sessions: []practice.SubjectID{practice.SubjectID(first), fourth}})
	s.write(noon, &practice.Settle{Judged: []practice.EntryID{try.ID}, Outcome: practice.Swallowed, Ease: 4})
	edit := *try.Body.(*practice.Try)
	edit.Ease, edit.Snags = 2, []practice.Snag{practice.SnagWater}
	for _, body := range []practice.Body{&edit, &practice.Retract{}} {
		s.write(noon, body)
		last := &s.entries[len(s.entries)-1]
		last.Subject, last.Replaces = try.Subject, []practice.EntryID{try.ID}
	}
	for _, body := range []practice.Body{
		&practice.Choose{Position: practice.Left}, &practice.Clear{Incidents: []practice.EntryID{s.entries[11].ID}},
		&practice.SwitchPositions{Off: []practice.Position{practice.Up}, From: practice.NightOn(2027, time.March, 3)},
		&practice.Review{Entry: first, Take: true},
	} {
		s.write(noon, body)
		s.entries[len(s.entries)-1].Author.Role = practice.Clinician
	}
}

// TestManyMayReadOneRecordAndOneView: folding a record and looking at a view change neither, so that both may be shared. The race
// detector watches.
func TestManyMayReadOneRecordAndOneView(t *testing.T) {
	t.Parallel()
	s := newStory(t, "2027-03-01", halifax, "19:30")
	s.manyKinds()
	now := time.Date(2027, time.March, 7, 12, 0, 0, 0, s.enrolments[0].Zone)
	contacts := []practice.Contact{{Owner: papa.ID, Heard: now}}
	record := practice.NewRecord(s.entries)
	view, untouched := record.Fold(learner, s.enrolments, contacts, now), record.Fold(learner, s.enrolments, contacts, now)

	look := func() (all []any) {
		p := view.Current()
		j := judgement.Judge(&view, p, time.Date(2021, time.May, 1, 0, 0, 0, 0, time.UTC))
		w := judgement.Weigh(judgement.Case{View: &view, Programme: p, Known: func(at time.Time) *practice.Programme {
			then := record.Fold(learner, s.enrolments, contacts, at)
			return then.Current()
		}}, &j)
		subject := served.Subject{Card: served.CardOf(uuid.Nil, "Otter", "2021-05", now), View: &view, Programme: p, LastHeard: now}
		for i := range p.Nights {
			encoded, err := served.Encode(served.NightOf(learner, p, &p.Nights[i]))
			all = append(all, new(served.Printer).Print(learner, p, &p.Nights[i]), encoded, err)
		}
		return append(all, j, w, judgement.CallOf(&view, p, &j, w.Verdict), reminder.Next(&view, nil), reminder.Evenings(&view),
			reminder.Concerns(&view, nil, time.Time{}), served.RosterLineOf(subject, uuid.Nil, &j), served.ClinicSummaryOf(subject, &j, &w),
			served.FamilySummaryOf(subject, &j), record.Fold(learner, s.enrolments, contacts, now))
	}
	want := look()
	var readers sync.WaitGroup
	for range 4 {
		readers.Go(func() { assert.Equal(t, want, look()) })
	}
	readers.Wait()
	assert.Equal(t, untouched, view)
}
