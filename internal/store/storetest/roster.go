package storetest

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
)

// saveRoster saves projections with many ties in every order, and returns them by learner.
func saveRoster(b *bundle, w world) []clinic.Projection {
	b.Helper()
	nicknames := []string{"bea", "Ada", "élan", "Bea", "ada", "Élan", "Zoe", ""}
	heard := []time.Time{minutes(3), {}, minutes(1), minutes(2)}
	var saved []clinic.Projection
	for i, learner := range w.addLearners(b, 20) {
		p := w.projectionFor(learner)
		p.Nights = nil
		p.Row = fmt.Appendf(nil, `{"row": %d}`, i)
		p.Nickname, p.Heard = nicknames[i%len(nicknames)], heard[i%len(heard)]
		p.Urgency, p.NightsWrong = i*5%3-1, i*3%4
		p.Status = []string{"running", "paused", "none"}[i%3]
		p.Verdict, p.Nearness = []string{"", "hold", "nearing", "hol"}[i%4], i*7%4
		p.Flags = [][]string{nil, {"hold"}, {"no_news", "hold"}, {"no_news"}, {"hol", "d"}}[i%5]
		save(b, p)
		saved = append(saved, p)
	}
	return saved
}

// rosterOrder is an order of the roster as the suite works it out.
type rosterOrder struct {
	name    string
	compare func(a, b clinic.Projection) int
}

func allOrders() []rosterOrder {
	return []rosterOrder{
		{"needs_call", func(a, b clinic.Projection) int { return cmp.Compare(b.Urgency, a.Urgency) }},
		{"missed", func(a, b clinic.Projection) int { return cmp.Compare(b.NightsWrong, a.NightsWrong) }},
		{"verdict", func(a, b clinic.Projection) int { return cmp.Compare(b.Nearness, a.Nearness) }},
		{"last_heard", func(a, b clinic.Projection) int { return a.Heard.Compare(b.Heard) }},
		{"nickname", func(a, b clinic.Projection) int {
			return cmp.Compare(strings.ToLower(a.Nickname), strings.ToLower(b.Nickname))
		}},
	}
}

// sorted returns the learners in an order, ties by id.
func (o rosterOrder) sorted(of []clinic.Projection) []uuid.UUID {
	of = slices.SortedFunc(slices.Values(of), func(a, b clinic.Projection) int {
		return cmp.Or(o.compare(a, b), bytes.Compare(a.Learner[:], b.Learner[:]))
	})
	var learners []uuid.UUID
	for _, p := range of {
		learners = append(learners, p.Learner)
	}
	return learners
}

func rosterOf(b *bundle, q clinic.RosterQuery) []clinic.RosterRow {
	b.Helper()
	return read(b, func(ctx context.Context, v clinic.View) ([]clinic.RosterRow, error) { return v.Roster(ctx, q) })
}

// pagedRoster collects the learners of all pages.
func pagedRoster(b *bundle, q clinic.RosterQuery) []uuid.UUID {
	b.Helper()
	var learners []uuid.UUID
	for {
		rows := rosterOf(b, q)
		assert.LessOrEqual(b, len(rows), q.Limit)
		if len(rows) == 0 {
			return learners
		}
		for _, row := range rows {
			learners = append(learners, row.Key.Learner)
		}
		q.After = &rows[len(rows)-1].Key
	}
}

func rosterOrders(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	saved := saveRoster(b, w)
	save(b, other.projection())
	for _, order := range allOrders() {
		want := order.sorted(saved)
		for limit := 1; limit <= len(saved)+1; limit++ {
			q := clinic.RosterQuery{Clinic: w.clinic, Order: order.name, Limit: limit}
			require.Equal(b, want, pagedRoster(b, q), "%s in pages of %d", order.name, limit)
		}
	}
	err := b.store.Read(b.ctx, func(ctx context.Context, v clinic.View) error {
		_, err := v.Roster(ctx, clinic.RosterQuery{Clinic: w.clinic, Order: "height", Limit: 1})
		return err
	})
	require.Error(b, err, "an order that is not known")
}

// rosterUnweighed moves learners in several orders at once and leaves some of them unweighed, as uploads do, then weighs them.
func rosterUnweighed(b *bundle) {
	w := newWorld(b, 1)
	saved := saveRoster(b, w)
	check := func(what string) {
		b.Helper()
		for _, order := range allOrders() {
			for _, limit := range []int{3, len(saved)} {
				q := clinic.RosterQuery{Clinic: w.clinic, Order: order.name, Limit: limit}
				require.Equal(b, order.sorted(saved), pagedRoster(b, q), "%s, %s in pages of %d", what, order.name, limit)
			}
		}
		wanted := func(of func(p *clinic.Projection) bool) (learners []uuid.UUID) {
			for i := range saved {
				if of(&saved[i]) {
					learners = append(learners, saved[i].Learner)
				}
			}
			return learners
		}
		for n := range 12 {
			at := minutes(n)
			stale := read(b, func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) {
				return v.StaleProjections(ctx, w.clinic, at, 99)
			})
			require.ElementsMatch(b, wanted(func(p *clinic.Projection) bool { return !p.Until.After(at) }), stale, what)
			lapsed := read(b, func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) {
				return v.LapsedReminders(ctx, w.clinic, at, 99)
			})
			require.ElementsMatch(b, wanted(func(p *clinic.Projection) bool { return !p.RemindersUntil.After(at) }), lapsed, what)
			later := read(b, func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) {
				return v.StaleReminders(ctx, w.clinic, at, clinic.Page{Limit: 99})
			})
			require.Equal(b, wanted(func(p *clinic.Projection) bool { return p.Folded.After(at) || !p.RemindersRenew.After(at) }), later, what)
		}
	}
	for round, what := range []string{"at first", "moved", "moved again", "weighed", "weighed later"} {
		for i := range saved {
			p := &saved[i]
			known := *p
			at := minutes(i*round%7 + 1)
			p.Heard, p.Folded, p.Until = at, at, minutes((i*5+round*3)%11)
			p.RemindersUntil, p.RemindersRenew = minutes((i*7+round*6)%11), minutes((i*3+round*4)%11)
			p.Nearness, p.Weighed.Doc = i*(round+2)%5-1, []byte(`{}`)
			if i%(round+1) > 0 && round < 3 {
				p.Nearness, p.Weighed.Doc = i/9, nil
			}
			before := &known
			if (i+round)%3 == 0 { // as whoever has not read it
				before = nil
			}
			b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.SaveProjection(ctx, *p, before) })
		}
		check(what)
	}
}

func rosterFilters(b *bundle) {
	w := newWorld(b, 1)
	saved := saveRoster(b, w)
	check := func(q clinic.RosterQuery, wanted func(p *clinic.Projection) bool) {
		b.Helper()
		for _, order := range allOrders() {
			q.Clinic, q.Order, q.Limit = w.clinic, order.name, 3
			kept := slices.DeleteFunc(slices.Clone(saved), func(p clinic.Projection) bool { return !wanted(&p) })
			require.Equal(b, order.sorted(kept), pagedRoster(b, q), "%+v", q)
		}
	}
	for _, status := range []string{"", "running", "paused", "none", "ended"} {
		for _, flag := range []string{"", "hold", "no_news", "hol", "h"} {
			check(clinic.RosterQuery{Status: status, Flag: flag}, func(p *clinic.Projection) bool {
				return (status == "" || p.Status == status) && (flag == "" || slices.Contains(p.Flags, flag))
			})
		}
	}
	for _, verdict := range []string{"hold", "hol", "nearing", "ready_for_review"} {
		check(clinic.RosterQuery{Verdict: verdict}, func(p *clinic.Projection) bool { return p.Verdict == verdict })
	}
	for _, before := range []time.Time{minutes(1), minutes(2), minutes(2).Add(time.Millisecond), minutes(-9)} {
		check(clinic.RosterQuery{HeardBefore: before}, func(p *clinic.Projection) bool { return p.Heard.Before(before) })
	}
	for wrong := range 5 {
		check(clinic.RosterQuery{WrongAtLeast: wrong}, func(p *clinic.Projection) bool { return p.NightsWrong >= wrong })
		check(clinic.RosterQuery{WrongAtLeast: wrong, Verdict: "hold", Flag: "hold"}, func(p *clinic.Projection) bool {
			return p.NightsWrong >= wrong && p.Verdict == "hold" && slices.Contains(p.Flags, "hold")
		})
	}
}

func rosterRows(b *bundle) {
	w := newWorld(b, 1)
	p := w.projection()
	save(b, p)
	for _, order := range allOrders() {
		rows := rosterOf(b, clinic.RosterQuery{Clinic: w.clinic, Order: order.name, Limit: 1})
		require.Len(b, rows, 1)
		assert.Equal(b, p.Row, rows[0].Row)
		assert.Equal(b, p.Learner, rows[0].Key.Learner)
	}
}
