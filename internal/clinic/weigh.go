package clinic

import (
	"context"
	"crypto/sha256"
	"fmt"
	"log/slog"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"

	"swallowtail/internal/fault"
	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

// weighingForm is to be raised whenever a weighing comes to another result than before, or is kept in another form.
const weighingForm = 1

// upshot is what is kept of a weighing.
type upshot struct {
	Verdict       judgement.Verdict `json:"verdict"`
	Leader        practice.Position `json:"leader,omitzero"`
	ChoiceChanged bool              `json:"choice_changed,omitzero"`
}

// read returns what is kept; false where nothing is.
func (w Weighed) read() (u upshot, ok bool, err error) {
	if len(w.Doc) == 0 {
		return u, false, nil
	}
	if err := json.Unmarshal(w.Doc, &u); err != nil {
		return u, false, fmt.Errorf("read what was weighed: %w", err)
	}
	return u, true, nil
}

// basis returns a hash over all that a weighing of a view rests on: the household's record, the enrolments, and what time
// and silent phones make of the nights. The record as it was known at any earlier instant is a part of the record.
func (f *family) basis(v *practice.View) [32]byte {
	b := fmt.Appendf(nil, "%d %d", weighingForm, v.Until.UnixMilli())
	if last := len(f.stored) - 1; last >= 0 {
		b = append(b, f.stored[last].Chain[:]...)
	}
	for i := range v.Programmes {
		p := &v.Programmes[i]
		d := f.details[p.Enrolment.ID.UUID]
		b = fmt.Appendf(b, " %s %s %s %d %q", d.ID, d.Plan.ID, d.Status, d.EndedOn, d.Target)
		for j := range p.Nights {
			b = append(append(b, ' '), p.Nights[j].State...)
		}
	}
	return sha256.Sum256(b)
}

// weigh weighs a learner's programme at an instant.
func (f *family) weigh(learner Learner, at time.Time) (Weighed, error) {
	v := f.view(learner.ID, at)
	current := v.Current()
	j := judgement.Judge(&v, current, served.Born(learner.BirthMonth))
	w := judgement.Weigh(f.caseOf(&v, current), &j)
	doc, err := served.Encode(upshot{
		Verdict: w.Verdict, Leader: w.Preference.Leader, ChoiceChanged: w.Success.Choice != nil && w.Success.Choice.Changed,
	})
	return Weighed{Basis: f.basis(&v), Doc: doc}, err
}

// caseOf returns what is weighed of a programme.
func (f *family) caseOf(v *practice.View, p *practice.Programme) judgement.Case {
	c := judgement.Case{View: v, Programme: p}
	if p == nil {
		return c
	}
	c.Known = func(at time.Time) *practice.Programme { return f.known(p, at) }
	var target Target
	if raw := f.details[p.Enrolment.ID.UUID].Target; len(raw) > 0 && json.Unmarshal(raw, &target) == nil {
		c.Medicine = &judgement.Medicine{CapsuleSize: target.CapsuleSize, LengthMM: target.LengthMM, WidthMM: target.WidthMM}
	}
	return c
}

// weighedNow is what has just been weighed, by learner.
type weighedNow map[uuid.UUID]Weighed

// weighAll weighs those of a clinic who have not been weighed as they are now, some in each transaction. Who changes
// meanwhile is left for the next time.
func (s *Service) weighAll(ctx context.Context, clinic uuid.UUID, now time.Time) error {
	done := weighedNow{}
	for {
		var fresh weighedNow
		learners, err := s.unweighed(ctx, clinic)
		if err == nil {
			fresh, err = s.weighSome(ctx, learners, done, now)
		}
		if err != nil || len(fresh) == 0 {
			return err
		}
		err = s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error { return s.refoldHouseholdsOf(ctx, tx, learners, fresh, now) })
		if err != nil {
			return err
		}
	}
}

func (s *Service) unweighed(ctx context.Context, clinic uuid.UUID) (learners []uuid.UUID, err error) {
	err = s.Store.Read(ctx, func(ctx context.Context, view View) error {
		learners, err = view.Unweighed(ctx, clinic, staleAtOnce)
		return err
	})
	return learners, err
}

// weighSome weighs learners who are not among those done, adds them to these and returns what came of it.
func (s *Service) weighSome(ctx context.Context, learners []uuid.UUID, done weighedNow, now time.Time) (weighedNow, error) {
	fresh := weighedNow{}
	for _, id := range learners {
		if _, is := done[id]; is {
			continue
		}
		w, err := s.weighOne(ctx, id, now)
		if fault.KindOf(err) == fault.NotFound {
			continue // gone since the list was made
		}
		if err != nil {
			return nil, err
		}
		fresh[id], done[id] = w, w
	}
	return fresh, nil
}

// weighOne weighs a learner as the next fold will see them.
func (s *Service) weighOne(ctx context.Context, id uuid.UUID, now time.Time) (Weighed, error) {
	var f *family
	var learner Learner
	var kept Projection
	err := s.Store.Read(ctx, func(ctx context.Context, view View) (err error) {
		if learner, err = view.Learner(ctx, id); err != nil {
			return err
		}
		if kept, err = view.Projection(ctx, id); err != nil {
			return err
		}
		f, err = s.loadFamily(ctx, view, learner.Household)
		return err
	})
	if err != nil {
		return Weighed{}, err
	}
	return f.weigh(learner, later(now.Truncate(time.Millisecond), kept.Folded))
}

// How long KeepWeighed waits: for what else may come with a change, and at most, since time changes things too.
const (
	weighAfter = 2 * time.Second
	weighEvery = time.Minute
)

// KeepWeighed folds and weighs whoever is no longer as they were when it was done last, until ctx ends: soon after an upload
// has been answered, and now and then what time alone has changed. Nothing depends on it but how long the next reader of a
// roster waits.
func (s *Service) KeepWeighed(ctx context.Context, now func() time.Time) {
	ticker := time.NewTicker(weighEvery)
	defer ticker.Stop()
	failing := false
	for {
		err := s.weighEverybody(ctx, now())
		if err != nil && !failing && ctx.Err() == nil {
			s.Log.Warn("can't weigh what has changed", slog.String("error", err.Error()))
		}
		failing = err != nil
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
			continue
		case <-s.changed:
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(weighAfter):
		}
	}
}

// weighEverybody folds and weighs whoever needs it, clinic by clinic.
func (s *Service) weighEverybody(ctx context.Context, now time.Time) error {
	page := Page{Limit: MaxPage}
	for {
		var clinics []uuid.UUID
		err := s.Store.Read(ctx, func(ctx context.Context, view View) (err error) {
			clinics, err = view.ClinicIDs(ctx, page)
			return err
		})
		if err != nil {
			return err
		}
		for _, id := range clinics {
			if err := s.renewProjections(ctx, id, now); err != nil {
				return err
			}
			page.After = id
		}
		if len(clinics) < page.Limit {
			return nil
		}
	}
}

// noteChange has KeepWeighed look soon.
func (s *Service) noteChange() {
	select {
	case s.changed <- struct{}{}:
	default:
	}
}
