package storetest

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

func projections(b *bundle) {
	w := newWorld(b, 1)
	want := w.projection()
	check := func(what string) {
		b.Helper()
		save(b, want)
		assert.Equal(b, want, get(b, projectionOf, w.learner), what)
	}
	check("new")
	check("the same again")

	want.Nights[0].Print = served.Print{15: 7}
	want.Nights[1].ChangedRev, want.Nights[1].Gone = 8, true
	want.Nights = append(want.Nights, clinic.ProjectedNight{Night: 20_002, ChangedRev: 9, Print: served.Print{1}})
	want.Reminders[0].Run++
	want.Concerns[1].Run++
	check("nights with the same revision, gone, and new")
	want.Reminders[0].Lapses, want.Reminders[1].Ready = minutes(111), minutes(95)
	check("reminders that lapse later, and may be claimed")
	want.Reminders[0].Ready, want.Concerns[0].Night = time.Time{}, 19_999
	check("and may not any more")
	want.Heard = minutes(-4)
	check("heard from, and all else as before")

	want.Folded, want.Until, want.Row, want.Nickname = minutes(200), minutes(300), []byte(`{}`), "Kat"
	want.Status, want.Flags, want.NightsWrong, want.Urgency = "paused", []string{"hold"}, 1, -1
	want.Verdict, want.Nearness, want.Weighed = "hold", -2, clinic.Weighed{Basis: [32]byte{1: 255}}
	want.Heard, want.NextDue, want.RemindersUntil = minutes(199), minutes(250), minutes(260)
	want.RemindersRenew = minutes(270)
	want.Nights, want.Reminders, want.Concerns = want.Nights[1:2], want.Reminders[1:], want.Concerns[1:]
	check("nights, reminders and concerns that are gone")

	want = clinic.Projection{Learner: w.learner, Clinic: w.clinic, Folded: evening, Status: "none"}
	check("bare")

	for n := range 40 {
		want.Nights = append(want.Nights, clinic.ProjectedNight{Night: practice.Night(n - 20), ChangedRev: int64(n) << 50})
		want.Reminders = append(want.Reminders, clinic.ProjectedReminder{ID: id(aReminder, n), Kind: "missed", Due: minutes(n / 2)})
		want.Concerns = append(want.Concerns, clinic.ProjectedConcern{ID: id(aConcern, n), Reason: "run", Since: minutes(n / 2)})
	}
	check("many")
	backwards := want
	backwards.Reminders, backwards.Concerns = slices.Clone(want.Reminders), slices.Clone(want.Concerns)
	backwards.Nights = slices.Clone(want.Nights)
	slices.Reverse(backwards.Nights)
	slices.Reverse(backwards.Reminders)
	slices.Reverse(backwards.Concerns)
	backwards.Reminders[9].Run, want.Reminders[30].Run = 5, 5
	backwards.Concerns[9].Run, want.Concerns[30].Run = 5, 5
	save(b, backwards)
	assert.Equal(b, want, get(b, projectionOf, w.learner), "in order, however they came")
}

func staleProjections(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	at := minutes(10)
	untils := []time.Time{at.Add(time.Millisecond), at, {}, minutes(9), minutes(-900)}
	ids := w.addLearners(b, len(untils))
	for i, until := range untils {
		p := w.projectionFor(ids[i])
		p.Until = until
		save(b, p)
	}
	elsewhere := other.projection()
	elsewhere.Until = minutes(-900)
	save(b, elsewhere)
	stale := func(limit int) []uuid.UUID {
		b.Helper()
		return read(b, func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) {
			return v.StaleProjections(ctx, w.clinic, at, limit)
		})
	}
	want := []uuid.UUID{ids[1], ids[3], ids[4]}
	assert.ElementsMatch(b, want, stale(99), "none that holds, none without an end, and no learner without a projection")
	assert.Subset(b, want, stale(2))
	assert.Len(b, stale(2), 2)
}

func anyToRenew(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	asked := func(at time.Time) bool {
		b.Helper()
		return read(b, func(ctx context.Context, v clinic.View) (bool, error) { return v.AnyToRenew(ctx, w.clinic, at) })
	}
	elsewhere := other.projection()
	elsewhere.Until, elsewhere.Weighed.Doc = minutes(-900), nil
	save(b, elsewhere)
	assert.False(b, asked(minutes(9)), "another clinic's")

	p := w.projection()
	p.Until, p.RemindersUntil, p.RemindersRenew = minutes(10), minutes(8), minutes(8)
	save(b, p)
	assert.False(b, asked(minutes(9)), "reminders are renewed by themselves")
	assert.True(b, asked(minutes(10)), "one that holds no longer")

	p.Until = time.Time{}
	save(b, p)
	assert.False(b, asked(minutes(900)), "one without an end")

	p.Weighed.Doc = nil
	save(b, p)
	assert.True(b, asked(minutes(9)), "one that has not been weighed")
}

func unweighed(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	ids := w.addLearners(b, 5)
	for i, learner := range ids[:4] {
		p := w.projectionFor(learner)
		p.Weighed.Doc, p.Nearness = fmt.Appendf(nil, `{"a": %d}`, i), i/2 // of the unweighed, one whose verdict is known all the same
		if i%2 == 1 {
			p.Weighed.Doc = nil
		}
		save(b, p)
	}
	elsewhere := other.projection()
	elsewhere.Weighed.Doc = nil
	save(b, elsewhere)
	for limit := 1; limit <= 3; limit++ {
		assert.Equal(b, []uuid.UUID{ids[1], ids[3]}, paged(b, limit, func(id uuid.UUID) uuid.UUID { return id },
			func(ctx context.Context, v clinic.View, page clinic.Page) ([]uuid.UUID, error) {
				return v.Unweighed(ctx, w.clinic, page)
			}), "none that is weighed, and no learner without a projection, in pages of %d", limit)
	}
	docs := read(b, func(ctx context.Context, v clinic.View) (map[uuid.UUID][]byte, error) {
		return v.Weighed(ctx, w.clinic)
	})
	assert.Equal(b, map[uuid.UUID][]byte{ids[0]: []byte(`{"a": 0}`), ids[2]: []byte(`{"a": 2}`)}, docs)
}
