package clinic

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
)

// What may come of following a family up.
const (
	Called   = "called"    // somebody was spoken to
	NoAnswer = "no_answer" // nobody was; it is to be tried again
	Resumes  = "resumes"   // they go on practising
	Stops    = "stops"     // they don't
)

// maxTried is how many reminders a concern shows.
const maxTried = 10

// closes reports whether a concern needs nobody any more.
func (u FollowUp) closes() bool { return u.Outcome != NoAnswer }

// FollowUpItem is an open concern and what is known of it.
type FollowUpItem struct {
	OpenConcern
	Tried    []Delivery // what was sent lately, or should have been, the newest first
	Outcomes []FollowUp // what came of following the learner up so far, the newest first
}

// FollowUpList returns a page of whom the caller's clinic is to follow up, in the order in which it came up.
func (s *Service) FollowUpList(ctx context.Context, p access.Principal, after *DueKey, limit int, now time.Time) ([]FollowUpItem, error) {
	return reads(ctx, s, p, "listFollowUps", now, func(a *ask) ([]FollowUpItem, error) {
		if err := s.renewFolds(ctx, a.ClinicID, now); err != nil {
			return nil, err
		}
		if err := s.renewLapsed(ctx, a.ClinicID, now); err != nil {
			return nil, err
		}
		var items []FollowUpItem
		err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
			concerns, err := view.Concerns(ctx, a.ClinicID, after, limit)
			if err != nil {
				return err
			}
			for _, c := range concerns {
				item, err := followUpItem(ctx, view, c, now)
				if err != nil {
					return err
				}
				items = append(items, item)
			}
			return nil
		})
		return items, err
	})
}

func followUpItem(ctx context.Context, view View, c OpenConcern, now time.Time) (FollowUpItem, error) {
	item := FollowUpItem{OpenConcern: c}
	deliveries, err := view.Deliveries(ctx, c.Household)
	if err != nil {
		return item, err
	}
	outcomes, err := view.FollowUps(ctx, c.Household)
	if err != nil {
		return item, err
	}
	for _, d := range slices.Backward(deliveries) {
		if d.Learner == c.Learner && len(item.Tried) < maxTried {
			d.Delivery = d.At(now)
			item.Tried = append(item.Tried, d)
		}
	}
	for _, u := range slices.Backward(outcomes) {
		if u.Learner == c.Learner {
			item.Outcomes = append(item.Outcomes, u)
		}
	}
	return item, nil
}

// FollowUpNote is what came of following a family up. Status, unless empty, is set on the learner's current enrolment too.
type FollowUpNote struct{ Outcome, Note, Status string }

func (n FollowUpNote) check() error {
	var r refusal
	r.unless(slices.Contains([]string{Called, NoAnswer, Resumes, Stops}, n.Outcome), "/outcome", "Give called, no_answer, resumes or stops.")
	r.unless(slices.Contains([]string{"", Running, Paused, Ended}, n.Status), "/status", "Give running, paused or ended, or leave it out.")
	r.note("/note", n.Note)
	return r.err()
}

// RecordFollowUp notes what came of following a family up. The concern is closed unless nobody answered.
func (s *Service) RecordFollowUp(ctx context.Context, p access.Principal, concern uuid.UUID, n FollowUpNote, now time.Time) (FollowUp, error) {
	if err := n.check(); err != nil {
		return FollowUp{}, err
	}
	u := FollowUp{ID: s.NewID(), Concern: concern, Member: p.ClinicianID, Outcome: n.Outcome, Note: n.Note, At: now}
	err := s.changes(ctx, p, "recordFollowUp", now, func(ctx context.Context, tx Tx, a *ask, _ note) error {
		a.row.Thing, a.row.Note = concern, n.Outcome
		c, err := tx.Concern(ctx, concern)
		if err != nil {
			return notThere(err)
		}
		learner, err := a.learner(ctx, tx, c.Learner)
		if err != nil {
			return err
		}
		u.Learner = learner.ID
		if err := tx.AddFollowUp(ctx, u); err != nil {
			return err
		}
		if n.Status != "" {
			if err := s.setCurrentStatus(ctx, tx, learner, n, now); err != nil {
				return err
			}
		}
		return s.refold(ctx, tx, learner.Household, now)
	})
	return u, err
}

// setCurrentStatus gives the enrolment that a learner is on another status.
func (s *Service) setCurrentStatus(ctx context.Context, tx Tx, learner Learner, n FollowUpNote, now time.Time) error {
	f, err := s.wholeIn(ctx, tx, learner.Household)
	if err != nil {
		return err
	}
	v := f.view(learner.ID, now)
	current := v.Current()
	if current == nil { // no concern is about a learner without one
		return ErrNotThere
	}
	d := f.details[current.Enrolment.ID.UUID]
	return d.changeStatus(ctx, tx, n.Status, n.Note, now)
}
