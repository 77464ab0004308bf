package served_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

// evenings folds eight evenings of one or two caregivers with five tries each, the last just handed in.
func evenings(b *testing.B, caregivers ...practice.Author) practice.View {
	b.Helper()
	zone, err := practice.LoadZone("America/Halifax")
	require.NoError(b, err)
	enrolment := practice.Enrolment{
		ID: practice.EnrolmentID{UUID: uuid.MustParse("01953a10-0000-7000-8000-000000000030")}, Learner: learner,
		Plan: practice.DefaultPlan(), FirstNight: practice.NightOn(2027, time.March, 1), Zone: zone,
		Positions: practice.Positions(), ReminderAt: 19*60 + 30,
	}
	var entries []practice.Stamped
	write := func(by practice.Author, at time.Time, body practice.Body) practice.SubjectID {
		id := practice.EntryID{UUID: uuid.NewSHA1(uuid.Nil, fmt.Append(nil, len(entries)))}
		entries = append(entries, practice.Stamped{
			Entry:  practice.Entry{ID: id, Subject: practice.SubjectID(id), Learner: learner, Recorded: practice.MomentOf(at), Body: body},
			Stamp:  practice.Stamp{Received: at.UTC()},
			Author: by, Status: practice.Accepted,
		})
		return practice.SubjectID(id)
	}
	var at time.Time
	for day := 1; day <= 8; day++ {
		at = time.Date(2027, time.March, day, 19, 0, 0, 0, zone)
		for i, by := range caregivers {
			session := write(by, at, &practice.Session{Practised: practice.MomentOf(at), Zone: "America/Halifax"})
			for k, position := range practice.Positions() {
				write(by, at, &practice.Try{
					Session: session, Position: position, Number: 1, Medium: practice.Sweet, SizeMM: 6, Outcome: practice.Swallowed,
					Ease: practice.Ease(1 + (day+i+k)%5), Snags: []practice.Snag{practice.SnagWater},
				})
			}
		}
	}
	return practice.NewRecord(entries).Fold(learner, []practice.Enrolment{enrolment}, nil, at.Add(time.Hour))
}

// eachHousehold runs a benchmark for a household of one caregiver and for one of two.
func eachHousehold(b *testing.B, bench func(b *testing.B, v *practice.View)) {
	b.Helper()
	for name, caregivers := range map[string][]practice.Author{"one": {mama}, "two": {mama, papa}} {
		b.Run(name, func(b *testing.B) {
			v := evenings(b, caregivers...)
			b.ReportAllocs()
			bench(b, &v)
		})
	}
}

// BenchmarkPrint prints all nights of a programme, as every upload does.
func BenchmarkPrint(b *testing.B) {
	eachHousehold(b, func(b *testing.B, v *practice.View) {
		b.Helper()
		p := v.Current()
		for b.Loop() {
			var printer served.Printer
			for i := range p.Nights {
				printer.Print(v.Learner, p, &p.Nights[i])
			}
		}
	})
}

// BenchmarkNight encodes the night that an upload has changed.
func BenchmarkNight(b *testing.B) {
	eachHousehold(b, func(b *testing.B, v *practice.View) {
		b.Helper()
		p := v.Current()
		for b.Loop() {
			if _, err := served.Encode(served.NightOf(v.Learner, p, &p.Nights[7])); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// BenchmarkRosterLine encodes the line of the roster that an upload has changed.
func BenchmarkRosterLine(b *testing.B) {
	eachHousehold(b, func(b *testing.B, v *practice.View) {
		b.Helper()
		p := v.Current()
		j := judgement.Judge(v, p, time.Time{})
		subject := served.Subject{Card: served.CardOf(learner.UUID, "Otter", "2019-05", v.At), View: v, Programme: p, LastHeard: v.At}
		for b.Loop() {
			line := served.RosterLineOf(subject, uuid.Max, &j)
			line.Status, line.Reasons = "running", []string{"3 nights without practice so far."}
			if _, err := served.Encode(line); err != nil {
				b.Fatal(err)
			}
		}
	})
}
