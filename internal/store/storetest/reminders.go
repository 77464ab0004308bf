package storetest

import (
	"bytes"
	"cmp"
	"context"
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
		folded, until time.Time
		stale         bool
	}{
		{"holds", minutes(5), at.Add(time.Millisecond), false},
		{"lapses now", minutes(5), at, true},
		{"has lapsed", minutes(5), minutes(9), true},
		{"never lapses", minutes(5), time.Time{}, false},
		{"worked out now", at, time.Time{}, false},
		{"worked out later", at.Add(time.Millisecond), time.Time{}, true},
		{"worked out later and lapsed", minutes(11), minutes(9), true},
	}
	var want []uuid.UUID
	for i, learner := range w.addLearners(b, len(cases)+1)[:len(cases)] { // the last has no projection
		p := w.projection()
		p.Learner, p.Folded, p.RemindersUntil, p.Reminders = learner, cases[i].folded, cases[i].until, nil
		save(b, p)
		if cases[i].stale {
			want = append(want, learner)
		}
	}
	elsewhere := other.projection()
	elsewhere.RemindersUntil = minutes(1)
	save(b, elsewhere)
	for limit := 1; limit <= len(cases); limit++ {
		assert.Equal(b, want, paged(b, limit, func(id uuid.UUID) uuid.UUID { return id },
			func(ctx context.Context, v clinic.View, page clinic.Page) ([]uuid.UUID, error) {
				return v.StaleReminders(ctx, w.clinic, at, page)
			}), "pages of %d", limit)
	}
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
		{p.RemindersUntil.Add(-time.Millisecond), []clinic.DueReminder{tonight, missed}},
		{p.RemindersUntil, none},
	} {
		assert.Equal(b, c.want, dueOf(b, w.clinic, c.at, nil, 9), "at %v", c.at)
	}

	p.RemindersUntil, p.Heard = time.Time{}, time.Time{}
	save(b, p)
	assert.Equal(b, []clinic.DueReminder{due(0), due(1)}, dueOf(b, w.clinic, minutes(1_000_000), nil, 9), "these never lapse")

	p.Reminders = p.Reminders[1:]
	save(b, p)
	assert.Equal(b, []clinic.DueReminder{due(0)}, dueOf(b, w.clinic, minutes(1_000_000), nil, 9), "replaced")
}

func dueRemindersByPage(b *bundle) {
	w := newWorld(b, 1)
	var want []clinic.DueReminder
	for i, learner := range w.addLearners(b, 6) {
		p := w.projection()
		p.Learner, p.Reminders = learner, nil
		for n := range 3 { // ties of learners and within one
			r := clinic.ProjectedReminder{ID: id(aReminder, (i*3+n)*11%18), Kind: "missed", Due: minutes((i + n/2) % 3)}
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

// clinicsApart looks at everything that lists a clinic's things from a clinic that has none.
func clinicsApart(b *bundle) {
	w := newWorld(b, 1)
	p := w.projection()
	p.Until, p.RemindersUntil = minutes(1), time.Time{}
	save(b, p)
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
			lapsed, err := v.StaleReminders(ctx, c.of, minutes(-9), clinic.Page{Limit: 9})
			require.NoError(b, err)
			assert.Len(b, lapsed, c.want)
			due, err := v.DueReminders(ctx, c.of, minutes(40), nil, 9)
			require.NoError(b, err)
			assert.Len(b, due, c.want)
		}
		return nil
	})
	require.NoError(b, err)
}
