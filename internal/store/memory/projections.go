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

// StaleProjections implements clinic.ProjectionView. Those that went stale first come first.
func (v view) StaleProjections(_ context.Context, of uuid.UUID, at time.Time, limit int) ([]uuid.UUID, error) {
	all, err := v.projectionsOf(of)
	if err != nil {
		return nil, err
	}
	var stale []*clinic.Projection
	for _, p := range all {
		if !p.Until.IsZero() && !p.Until.After(at) {
			stale = append(stale, p)
		}
	}
	slices.SortFunc(stale, func(a, b *clinic.Projection) int {
		return cmp.Or(a.Until.Compare(b.Until), compareIDs(a.Learner, b.Learner))
	})
	return listed(first(stale, limit), func(p *clinic.Projection) uuid.UUID { return p.Learner }), nil
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

// SaveProjection implements clinic.ProjectionTx.
func (t *tx) SaveProjection(_ context.Context, p clinic.Projection) error {
	h, at, err := t.learner(p.Learner)
	if err != nil {
		return err
	}
	if h.Clinic != p.Clinic {
		return absent("learner of the clinic")
	}
	p = copyOfProjection(p)
	p.Folded, p.Until, p.Heard = kept(p.Folded), kept(p.Until), kept(p.Heard)
	p.NextDue, p.RemindersUntil = kept(p.NextDue), kept(p.RemindersUntil)
	p.Row, p.Weighed.Doc = document(p.Row), document(p.Weighed.Doc)
	for i := range p.Nights {
		p.Nights[i].Doc = document(p.Nights[i].Doc)
	}
	for i := range p.Reminders {
		p.Reminders[i].Due = kept(p.Reminders[i].Due)
	}
	slices.SortFunc(p.Nights, func(a, b clinic.ProjectedNight) int { return cmp.Compare(a.Night, b.Night) })
	slices.SortFunc(p.Reminders, compareReminders)
	h = t.own(h)
	l := h.learners[at]
	l.projection = &p
	h.learners = changed(h.learners, at, l)
	return nil
}
