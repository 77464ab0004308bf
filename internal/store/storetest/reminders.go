package storetest

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
)

func staleReminders(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	at := minutes(10)
	cases := []struct {
		name          string
		folded, renew time.Time
		stale         bool
	}{
		{"holds", minutes(5), at.Add(time.Millisecond), false},
		{"may be others now", minutes(5), at, true},
		{"may be others for long", minutes(5), minutes(9), true},
		{"never any others", minutes(5), time.Time{}, false},
		{"worked out now", at, time.Time{}, false},
		{"worked out later", at.Add(time.Millisecond), time.Time{}, true},
		{"worked out later, and may be others", minutes(11), minutes(9), true},
	}
	var want []uuid.UUID
	for i, learner := range w.addLearners(b, len(cases)+1)[:len(cases)] { // the last has no projection
		p := w.projectionFor(learner)
		p.Folded, p.RemindersRenew, p.RemindersUntil = cases[i].folded, cases[i].renew, minutes(1)
		save(b, p)
		if cases[i].stale {
			want = append(want, learner)
		}
	}
	elsewhere := other.projection()
	elsewhere.RemindersRenew = minutes(1)
	save(b, elsewhere)
	for limit := 1; limit <= len(cases); limit++ {
		assert.Equal(b, want, paged(b, limit, func(id uuid.UUID) uuid.UUID { return id },
			func(ctx context.Context, v clinic.View, page clinic.Page) ([]uuid.UUID, error) {
				return v.StaleReminders(ctx, w.clinic, at, page)
			}), "pages of %d", limit)
	}
}

// foldedAgain folds one learner again and again, as uploads and time do, and asks each time who was folded later than an instant.
func foldedAgain(b *bundle) {
	w := newWorld(b, 1)
	p := w.projection()
	p.RemindersRenew = time.Time{}
	for i, at := range []struct{ folded, heard int }{
		{10, 10}, {20, 10}, {30, 30}, {40, 40}, {50, 40}, {45, 40}, {44, 44}, {43, 20}, {60, 60}, {70, 61}, {80, 90},
	} {
		p.Folded, p.Heard = minutes(at.folded), minutes(at.heard)
		save(b, p)
		for when, want := range map[time.Time][]uuid.UUID{
			p.Folded.Add(-time.Millisecond): {w.learner}, p.Folded: nil, p.Folded.Add(time.Millisecond): nil,
		} {
			got := read(b, func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) {
				return v.StaleReminders(ctx, w.clinic, when, clinic.Page{Limit: 9})
			})
			assert.Equal(b, want, got, "fold %d", i)
		}
	}
}

func lapsedReminders(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	at := minutes(10)
	untils := []time.Time{at.Add(time.Millisecond), at, {}, minutes(9), minutes(-900)}
	ids := w.addLearners(b, len(untils)+1)
	for i, until := range untils {
		p := w.projectionFor(ids[i])
		p.RemindersUntil, p.RemindersRenew, p.Folded = until, minutes(-900), minutes(11)
		save(b, p)
	}
	elsewhere := other.projection()
	elsewhere.RemindersUntil = minutes(-900)
	save(b, elsewhere)
	lapsed := func(limit int) []uuid.UUID {
		b.Helper()
		return read(b, func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) {
			return v.LapsedReminders(ctx, w.clinic, at, limit)
		})
	}
	want := []uuid.UUID{ids[1], ids[3], ids[4]}
	assert.ElementsMatch(b, want, lapsed(99), "none that holds, none without an end, and no learner without a projection")
	assert.Subset(b, want, lapsed(2))
	assert.Len(b, lapsed(2), 2)
}

func dueOf(b *bundle, of uuid.UUID, at time.Time, after *clinic.DueKey, limit int) []clinic.DueReminder {
	b.Helper()
	return read(b, func(ctx context.Context, v clinic.View) ([]clinic.DueReminder, error) {
		return v.DueReminders(ctx, of, at, after, limit)
	})
}

func dueReminders(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	p := w.projection()
	save(b, p)
	save(b, func() clinic.Projection {
		p := other.projection()
		p.Reminders[0].ID, p.Reminders[0].Due = id(aReminder, 9), minutes(-9)
		return p
	}())
	due := func(i int) clinic.DueReminder {
		return clinic.DueReminder{ProjectedReminder: p.Reminders[i], Learner: w.learner, Household: w.household, Heard: p.Heard}
	}
	tonight, missed, none := due(0), due(1), []clinic.DueReminder(nil)
	for _, c := range []struct {
		at   time.Time
		want []clinic.DueReminder
	}{
		{tonight.Due.Add(-time.Millisecond), none},
		{tonight.Due, []clinic.DueReminder{tonight}},
		{missed.Due, []clinic.DueReminder{tonight, missed}},
		{tonight.Lapses.Add(-time.Millisecond), []clinic.DueReminder{tonight, missed}},
		{tonight.Lapses, []clinic.DueReminder{missed}},
		{missed.Lapses.Add(-time.Millisecond), []clinic.DueReminder{missed}},
		{missed.Lapses, none},
	} {
		assert.Equal(b, c.want, dueOf(b, w.clinic, c.at, nil, 9), "at %v", c.at)
	}

	p.RemindersUntil, p.Heard = time.Time{}, time.Time{}
	save(b, p)
	assert.Equal(b, []clinic.DueReminder{due(0), due(1)}, dueOf(b, w.clinic, minutes(100), nil, 9), "heard from otherwise")
	p.Reminders[0].Night, p.Reminders[0].Run, p.Reminders[0].Kind = -3, -1, ""
	p.Reminders[0].Due, p.Reminders[1].Due = time.Date(1960, time.May, 1, 2, 3, 4, 5_000_000, time.UTC), minutes(91)
	p.Heard = time.Date(1961, time.May, 1, 2, 3, 4, 5_000_000, time.UTC)
	save(b, p)
	assert.Equal(b, []clinic.DueReminder{due(0), due(1)}, dueOf(b, w.clinic, minutes(100), nil, 9), "numbers below nothing")

	p.Reminders = p.Reminders[1:]
	save(b, p)
	assert.Equal(b, []clinic.DueReminder{due(0)}, dueOf(b, w.clinic, minutes(100), nil, 9), "replaced")
	p.Reminders[0].Lapses = time.Time{}
	save(b, p)
	assert.Empty(b, dueOf(b, w.clinic, minutes(100), nil, 9), "lapsed at the zero instant")
}

func dueRemindersByPage(b *bundle) {
	w := newWorld(b, 1)
	var want []clinic.DueReminder
	for i, learner := range w.addLearners(b, 6) {
		p := w.projectionFor(learner)
		for n := range 3 { // ties of learners and within one
			r := clinic.ProjectedReminder{ID: id(aReminder, (i*3+n)*11%18), Kind: "missed", Due: minutes((i + n/2) % 3), Lapses: minutes(6)}
			p.Reminders = append(p.Reminders, r)
			want = append(want, clinic.DueReminder{
				ProjectedReminder: r, Learner: learner, Household: w.household, Heard: p.Heard,
			})
		}
		save(b, p)
	}
	slices.SortFunc(want, func(a, b clinic.DueReminder) int {
		return cmp.Or(a.Due.Compare(b.Due), bytes.Compare(a.ID[:], b.ID[:]))
	})
	for limit := 1; limit <= len(want)+1; limit++ {
		var got []clinic.DueReminder
		var after *clinic.DueKey
		for {
			page := dueOf(b, w.clinic, minutes(5), after, limit)
			require.LessOrEqual(b, len(page), limit)
			if len(page) == 0 {
				break
			}
			got = append(got, page...)
			after = &clinic.DueKey{Due: page[len(page)-1].Due, ID: page[len(page)-1].ID}
		}
		require.Equal(b, want, got, "pages of %d", limit)
	}
}

func readyReminders(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	at := minutes(60)
	var want []clinic.DueReminder
	for i, learner := range w.addLearners(b, 6) {
		p := w.projectionFor(learner)
		for n, r := range []clinic.ProjectedReminder{
			{Kind: "tonight", Ready: at, Lapses: at.Add(time.Millisecond)},
			{Kind: "missed", Ready: minutes(i % 3), Lapses: minutes(61)},
			{Kind: "missed", Ready: at.Add(time.Millisecond), Lapses: minutes(99)},
			{Kind: "tonight", Lapses: minutes(99)},
			{Kind: "tonight", Ready: minutes(1), Lapses: at},
			{Kind: "follow_up", Ready: minutes(2), Lapses: minutes(99)},
			{Kind: "tonight", Ready: minutes(1), Lapses: minutes(99)}, // due later, since the reminder time was moved
		} {
			r.ID, r.Due = id(aReminder, (i*6+n)*7%36), minutes(50-i) // which says nothing of when it is ready
			if n == 6 {
				r.ID, r.Due = id(aReminder, 100+i), at.Add(time.Millisecond)
			}
			p.Reminders = append(p.Reminders, r)
			if n < 2 {
				want = append(want, clinic.DueReminder{ProjectedReminder: r, Learner: learner, Household: w.household, Heard: p.Heard})
			}
		}
		save(b, p)
	}
	save(b, other.projection())
	slices.SortFunc(want, func(a, b clinic.DueReminder) int {
		return cmp.Or(a.Ready.Compare(b.Ready), bytes.Compare(a.ID[:], b.ID[:]))
	})
	ready := func(limit int, kinds ...string) []clinic.DueReminder {
		b.Helper()
		return read(b, func(ctx context.Context, v clinic.View) ([]clinic.DueReminder, error) {
			return v.ReadyReminders(ctx, w.clinic, at, kinds, limit)
		})
	}
	for limit := range len(want) + 1 {
		assert.Equal(b, append([]clinic.DueReminder(nil), want[:limit]...), ready(limit, "missed", "tonight"), "%d of them", limit)
	}
	assert.Equal(b, want, ready(99, "tonight", "missed", "none such"), "none before its time, seen to, lapsed or of another kind")
	assert.Len(b, ready(99, "follow_up"), 6)
	assert.Empty(b, ready(99))
}

func remindersOf(v clinic.View) finder[[]clinic.ProjectedReminder] { return v.RemindersOf }

func remindersOfLearner(b *bundle) {
	w := newWorld(b, 1)
	assert.Empty(b, get(b, remindersOf, w.learner), "not folded yet")
	p := w.projection()
	save(b, p)
	sister := w.addLearners(b, 1)[0]
	save(b, w.projectionFor(sister))
	assert.Equal(b, p.Reminders, get(b, remindersOf, w.learner))
	assert.Empty(b, get(b, remindersOf, sister))
}

// clinicsApart looks at everything that lists a clinic's things from a clinic that has none.
func clinicsApart(b *bundle) {
	w := newWorld(b, 1)
	p := w.projection()
	p.Until, p.RemindersUntil, p.Concerns = minutes(1), minutes(1), p.Concerns[:1]
	code := w.code(1)
	save(b, p)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(tx.AddAddress(ctx, w.address(1)), tx.SaveDeliveries(ctx, []clinic.Delivery{code}))
	})
	empty := sampleClinic(2)
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AddClinic(ctx, empty) })
	err := b.store.Read(b.ctx, func(ctx context.Context, v clinic.View) error {
		for _, c := range []struct {
			of   uuid.UUID
			want int
		}{{w.clinic, 1}, {empty.ID, 0}} {
			plans, err := v.Plans(ctx, c.of)
			require.NoError(b, err)
			assert.Len(b, plans, c.want)
			households, err := v.Households(ctx, c.of, clinic.Page{Limit: 9})
			require.NoError(b, err)
			assert.Len(b, households, c.want)
			for _, order := range allOrders() {
				rows, err := v.Roster(ctx, clinic.RosterQuery{Clinic: c.of, Order: order.name, Limit: 9})
				require.NoError(b, err)
				assert.Len(b, rows, c.want, order.name)
			}
			stale, err := v.StaleProjections(ctx, c.of, minutes(9), 9)
			require.NoError(b, err)
			assert.Len(b, stale, c.want)
			others, err := v.StaleReminders(ctx, c.of, minutes(-9), clinic.Page{Limit: 9})
			require.NoError(b, err)
			assert.Len(b, others, c.want)
			lapsed, err := v.LapsedReminders(ctx, c.of, minutes(9), 9)
			require.NoError(b, err)
			assert.Len(b, lapsed, c.want)
			due, err := v.DueReminders(ctx, c.of, minutes(40), nil, 9)
			require.NoError(b, err)
			assert.Len(b, due, c.want)
			ready, err := v.ReadyReminders(ctx, c.of, minutes(40), []string{"tonight"}, 9)
			require.NoError(b, err)
			assert.Len(b, ready, c.want)
			codes, err := v.ReadyCodes(ctx, c.of, code.Due, 9)
			require.NoError(b, err)
			assert.Len(b, codes, c.want)
			concerns, err := v.Concerns(ctx, c.of, nil, 9)
			require.NoError(b, err)
			assert.Len(b, concerns, c.want)
		}
		return nil
	})
	require.NoError(b, err)
}
