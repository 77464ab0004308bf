package practice

import (
	"fmt"
	"testing"
	"time"
)

// fortnight is what two caregivers record of fourteen evenings: five tries each, an edit or a settlement now and then.
func fortnight(b *testing.B) history {
	b.Helper()
	return evenings(b, 14, 2)
}

// evenings is what one or two caregivers record of so many evenings.
func evenings(b *testing.B, nights, parents int) history {
	b.Helper()
	zone, err := LoadZone("America/Halifax")
	if err != nil {
		b.Fatal(err)
	}
	h := history{
		at: time.Date(2027, time.March, 15, 12, 0, 0, 0, time.UTC),
		enrolments: []Enrolment{{
			ID: EnrolmentID{drawnID(3, 0)}, Learner: drawnLearner(0), Plan: DefaultPlan(),
			FirstNight: NightOn(2027, time.March, 1), Zone: zone, Positions: Positions(),
		}},
	}
	for i := range parents {
		h.contacts = append(h.contacts, Contact{Device: DeviceID{drawnID(4, i)}, Owner: drawnAuthor(i).ID, Heard: h.at})
	}
	for night := range nights {
		var left [2]EntryID
		for parent := range parents {
			start := MomentOf(time.Date(2027, time.March, 1+night, 19, 40+parent, 0, 0, zone))
			session := h.say(parent, start, &Session{Practised: start, Zone: "America/Halifax", Setting: AtHome})
			for i, p := range Positions() {
				left[parent] = h.say(parent, start, &Try{
					Session: SubjectID(session), Position: p, Number: 1, Medium: Sweet, SizeMM: 6, Outcome: Swallowed,
					Ease: Ease(1 + (night+i*(parent+1))%5),
				})
			}
		}
		if parents > 1 && night%7 == 6 {
			h.say(0, MomentOf(h.at), &Settle{Judged: left[:], Outcome: Swallowed, Ease: 3})
			edit := *h.entries[len(h.entries)-3].Body.(*Try)
			id := h.say(1, MomentOf(h.at), &edit)
			h.entries[len(h.entries)-1].Subject, h.entries[len(h.entries)-1].Replaces = SubjectID(left[1]), left[1:]
			h.say(0, MomentOf(h.at), &Settle{Judged: []EntryID{left[0], id}, Outcome: Swallowed, Ease: edit.Ease})
		}
	}
	return h
}

func (h *history) say(parent int, when Moment, body Body) EntryID {
	id := EntryID{drawnID(5, len(h.entries))}
	h.entries = append(h.entries, Stamped{
		Entry:  Entry{ID: id, Subject: SubjectID(id), Learner: drawnLearner(0), Recorded: when, Body: body},
		Stamp:  Stamp{Received: when.Time().Add(time.Hour)},
		Author: drawnAuthor(parent), Status: Accepted,
	})
	return id
}

// checked folds once, so that no figure is of a fold that finds nothing.
func checked(b *testing.B) history {
	b.Helper()
	h := fortnight(b)
	v := h.view()
	if got := fmt.Sprint(len(h.entries), " ", v.Current().Counts.Complete, " ", len(everyTry(&v)), " ", len(readings(v))); got != "174 14 70 140" {
		b.Fatalf("entries, complete nights, tries and readings are %s", got)
	}
	return h
}

func BenchmarkFold(b *testing.B) {
	h := checked(b)
	record := NewRecord(h.entries)
	b.ReportAllocs()
	for b.Loop() {
		record.Fold(drawnLearner(0), h.enrolments, h.contacts, h.at)
	}
}

func BenchmarkNewRecord(b *testing.B) {
	h := checked(b)
	b.ReportAllocs()
	for b.Loop() {
		NewRecord(h.entries)
	}
}

// BenchmarkFortnight is both together: from a household's entries to a learner's nights.
func BenchmarkFortnight(b *testing.B) {
	h := checked(b)
	b.ReportAllocs()
	for b.Loop() {
		NewRecord(h.entries).Fold(drawnLearner(0), h.enrolments, h.contacts, h.at)
	}
}

// BenchmarkEvening is what an upload folds: eight evenings of a household, the last of them just handed in.
func BenchmarkEvening(b *testing.B) {
	for parents, name := range []string{"one", "two"} {
		b.Run(name, func(b *testing.B) {
			h := evenings(b, 8, parents+1)
			h.at = time.Date(2027, time.March, 8, 23, 59, 0, 0, time.UTC)
			b.ReportAllocs()
			for b.Loop() {
				NewRecord(h.entries).Fold(drawnLearner(0), h.enrolments, h.contacts, h.at)
			}
		})
	}
}
