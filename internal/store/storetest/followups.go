package storetest

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"slices"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

func concernOf(v clinic.View) finder[clinic.OpenConcern]  { return v.Concern }
func followUpsOf(v clinic.View) finder[[]clinic.FollowUp] { return v.FollowUps }

// followUp returns what came of following the world's learner up.
func (w world) followUp(n int) clinic.FollowUp {
	return clinic.FollowUp{
		ID: id(aFollowUp, 100*w.number+n), Concern: id(aConcern, n), Learner: w.learner, Member: w.member, Outcome: "called",
		Note: "line one\nline “two”", At: minutes(n),
	}
}

func concernsOf(b *bundle, w world, after *clinic.DueKey, limit int) []clinic.OpenConcern {
	b.Helper()
	return read(b, func(ctx context.Context, v clinic.View) ([]clinic.OpenConcern, error) {
		return v.Concerns(ctx, w.clinic, after, limit)
	})
}

func concerns(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	assert.Empty(b, concernsOf(b, w, nil, 9))
	p, theirs := w.projection(), other.projection()
	p.Nickname = "not that of the learner"
	save(b, p)
	save(b, theirs)
	open := func(w world, p clinic.Projection, i int) clinic.OpenConcern {
		return clinic.OpenConcern{
			ProjectedConcern: p.Concerns[i], Clinic: w.clinic, Learner: w.learner, Household: w.household, Nickname: "Kit", Heard: p.Heard,
		}
	}
	assert.Equal(b, []clinic.OpenConcern{open(w, p, 0), open(w, p, 1)}, concernsOf(b, w, nil, 9))
	assert.Equal(b, []clinic.OpenConcern{open(other, theirs, 0), open(other, theirs, 1)}, concernsOf(b, other, nil, 9))
	assert.Equal(b, open(w, p, 1), get(b, concernOf, p.Concerns[1].ID))

	gone := p.Concerns[0].ID
	p.Concerns, p.Heard = p.Concerns[1:], time.Time{}
	p.Concerns[0].Run = 9
	save(b, p)
	assert.Equal(b, []clinic.OpenConcern{open(w, p, 0)}, concernsOf(b, w, nil, 9))
	b.assertFails(fault.NotFound, func(ctx context.Context, tx clinic.Tx) error {
		_, err := tx.Concern(ctx, gone)
		return err
	})

	sisters := w.projectionFor(w.addLearners(b, 1)[0])
	sisters.Concerns = p.Concerns
	b.assertFails(fault.Conflict, func(ctx context.Context, tx clinic.Tx) error { return tx.SaveProjection(ctx, sisters, nil) })
}

func concernsByPage(b *bundle) {
	w := newWorld(b, 1)
	var want []clinic.OpenConcern
	for i, learner := range w.addLearners(b, 4) {
		p := w.projectionFor(learner)
		for n := range 3 { // ties of learners and within one
			c := clinic.ProjectedConcern{ID: id(aConcern, (i*3+n)*7%12), Reason: "run", Since: minutes((i + n/2) % 3)}
			p.Concerns = append(p.Concerns, c)
			want = append(want, clinic.OpenConcern{
				ProjectedConcern: c, Clinic: w.clinic, Learner: learner, Household: w.household, Nickname: "Kit", Heard: p.Heard,
			})
		}
		save(b, p)
	}
	slices.SortFunc(want, func(a, b clinic.OpenConcern) int {
		return cmp.Or(a.Since.Compare(b.Since), bytes.Compare(a.ID[:], b.ID[:]))
	})
	for limit := 1; limit <= len(want)+1; limit++ {
		var got []clinic.OpenConcern
		var after *clinic.DueKey
		for {
			page := concernsOf(b, w, after, limit)
			require.LessOrEqual(b, len(page), limit)
			if len(page) == 0 {
				break
			}
			got = append(got, page...)
			after = &clinic.DueKey{Due: page[len(page)-1].Since, ID: page[len(page)-1].ID}
		}
		require.Equal(b, want, got, "pages of %d", limit)
	}
}

func followUps(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	assert.Empty(b, get(b, followUpsOf, w.household))
	last, first, second := w.followUp(7), w.followUp(9), w.followUp(8)
	first.At, second.At = minutes(5), minutes(5)
	first.Learner, first.Note = w.addLearners(b, 1)[0], ""
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(tx.AddFollowUp(ctx, last), tx.AddFollowUp(ctx, first), tx.AddFollowUp(ctx, second),
			tx.AddFollowUp(ctx, other.followUp(1)))
	})
	assert.Equal(b, []clinic.FollowUp{first, second, last}, get(b, followUpsOf, w.household), "as recorded, not by id")
	assert.Equal(b, []clinic.FollowUp{other.followUp(1)}, get(b, followUpsOf, other.household))
}
