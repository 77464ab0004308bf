package memory

import (
	"cmp"
	"context"
	"iter"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// Projection implements clinic.ProjectionView.
func (v view) Projection(_ context.Context, learner uuid.UUID) (clinic.Projection, error) {
	h, at, err := v.learner(learner)
	if err != nil {
		return clinic.Projection{}, err
	}
	p := h.learners[at].projection
	if p == nil {
		return clinic.Projection{}, absent("projection")
	}
	return copyOfProjection(*p), nil
}

// projectionsOf returns the projections of a clinic, with the household of each, in no order.
func (v view) projectionsOf(of uuid.UUID) (iter.Seq2[uuid.UUID, *clinic.Projection], error) {
	if !v.clinics.has(of) {
		return nil, absent("clinic")
	}
	return func(yield func(uuid.UUID, *clinic.Projection) bool) {
		for _, h := range v.households.rows {
			if h.Clinic != of {
				continue
			}
			for i := range h.learners {
				if p := h.learners[i].projection; p != nil && !yield(h.ID, p) {
					return
				}
			}
		}
	}, nil
}

// AnyToRenew implements clinic.ProjectionView.
func (v view) AnyToRenew(ctx context.Context, of uuid.UUID, at time.Time) (bool, error) {
	stale, err := v.StaleProjections(ctx, of, at, 1)
	if err != nil {
		return false, err
	}
	unweighed, err := v.Unweighed(ctx, of, clinic.Page{Limit: 1})
	return len(stale)+len(unweighed) > 0, err
}

// StaleProjections implements clinic.ProjectionView. Those that went stale first come first.
func (v view) StaleProjections(_ context.Context, of uuid.UUID, at time.Time, limit int) ([]uuid.UUID, error) {
	return v.overSince(of, at, limit, func(p *clinic.Projection) time.Time { return p.Until })
}

// overSince returns the learners of a clinic for whom something has ended by an instant, the first to end first; what ends at the
// zero instant never does.
func (v view) overSince(
	of uuid.UUID, at time.Time, limit int, end func(*clinic.Projection) time.Time,
) ([]uuid.UUID, error) {
	all, err := v.projectionsOf(of)
	if err != nil {
		return nil, err
	}
	var over []*clinic.Projection
	for _, p := range all {
		if ended := end(p); !ended.IsZero() && !ended.After(at) {
			over = append(over, p)
		}
	}
	slices.SortFunc(over, func(a, b *clinic.Projection) int {
		return cmp.Or(end(a).Compare(end(b)), compareIDs(a.Learner, b.Learner))
	})
	return listed(first(over, limit), func(p *clinic.Projection) uuid.UUID { return p.Learner }), nil
}

// Unweighed implements clinic.ProjectionView.
func (v view) Unweighed(_ context.Context, of uuid.UUID, p clinic.Page) ([]uuid.UUID, error) {
	all, err := v.projectionsOf(of)
	if err != nil {
		return nil, err
	}
	var learners []uuid.UUID
	for _, kept := range all {
		if len(kept.Weighed.Doc) == 0 {
			learners = append(learners, kept.Learner)
		}
	}
	return page(learners, p), nil
}

// Weighed implements clinic.ProjectionView.
func (v view) Weighed(_ context.Context, of uuid.UUID) (map[uuid.UUID][]byte, error) {
	all, err := v.projectionsOf(of)
	if err != nil {
		return nil, err
	}
	docs := map[uuid.UUID][]byte{}
	for _, p := range all {
		if len(p.Weighed.Doc) > 0 {
			docs[p.Learner] = p.Weighed.Doc
		}
	}
	return docs, nil
}

// SaveProjection implements clinic.ProjectionTx. What there is already it has at hand.
func (t *tx) SaveProjection(ctx context.Context, p clinic.Projection, _ *clinic.Projection) error {
	h, at, err := t.learner(p.Learner)
	if err != nil {
		return err
	}
	if h.Clinic != p.Clinic {
		return absent("learner of the clinic")
	}
	before := h.learners[at].projection
	for _, c := range p.Concerns {
		if before != nil && slices.ContainsFunc(before.Concerns, func(b clinic.ProjectedConcern) bool { return b.ID == c.ID }) {
			continue
		}
		if _, err := t.Concern(ctx, c.ID); err == nil {
			return taken("concern")
		}
	}
	p = keptProjection(p)
	h = t.own(h)
	l := h.learners[at]
	l.projection = &p
	h.learners = changed(h.learners, at, l)
	return nil
}

// keptProjection returns a projection as the store keeps it.
func keptProjection(p clinic.Projection) clinic.Projection {
	p = copyOfProjection(p)
	p.Folded, p.Until, p.Heard = kept(p.Folded), kept(p.Until), kept(p.Heard)
	p.NextDue, p.RemindersUntil, p.RemindersRenew = kept(p.NextDue), kept(p.RemindersUntil), kept(p.RemindersRenew)
	p.Row, p.Weighed.Doc = document(p.Row), document(p.Weighed.Doc)
	for i := range p.Reminders {
		r := &p.Reminders[i]
		r.Due, r.Lapses, r.Ready = kept(r.Due), kept(r.Lapses), kept(r.Ready)
	}
	for i := range p.Concerns {
		p.Concerns[i].Since = kept(p.Concerns[i].Since)
	}
	slices.SortFunc(p.Nights, func(a, b clinic.ProjectedNight) int { return cmp.Compare(a.Night, b.Night) })
	slices.SortFunc(p.Reminders, compareReminders)
	slices.SortFunc(p.Concerns, compareConcerns)
	return p
}
