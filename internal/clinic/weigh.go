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

// upshot is what is kept of a weighing: of the current programme what the roster tells, of every one what a cohort needs.
type upshot struct {
	Verdict       judgement.Verdict `json:"verdict"`
	Leader        practice.Position `json:"leader,omitzero"`
	ChoiceChanged bool              `json:"choice_changed,omitzero"`
	Programmes    []programmeFacts  `json:"programmes,omitempty"`
}

// programmeFacts are [judgement.Facts] as they are kept.
type programmeFacts struct {
	Plan            uuid.UUID         `json:"plan"`
	AgeBand         string            `json:"age_band,omitzero"`
	Practised       int               `json:"practised,omitzero"`
	Over            bool              `json:"over,omitzero"`
	Completed       bool              `json:"completed,omitzero"`
	Leader          practice.Position `json:"leader,omitzero"`
	SwallowedNights int               `json:"swallowed_nights,omitzero"`
	Swallowed       bool              `json:"swallowed,omitzero"`
	ReadyNights     int               `json:"ready_nights,omitzero"`
	Ready           bool              `json:"ready,omitzero"`
}

func (p *programmeFacts) facts() judgement.Facts {
	return judgement.Facts{
		Plan: p.Plan.String(), AgeBand: p.AgeBand, Practised: p.Practised, Over: p.Over, Completed: p.Completed, Leader: p.Leader,
		Swallowed: judgement.Waited{Nights: p.SwallowedNights, Happened: p.Swallowed},
		Ready:     judgement.Waited{Nights: p.ReadyNights, Happened: p.Ready},
	}
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

// weigh weighs a learner's programmes at an instant.
func (f *family) weigh(learner Learner, at time.Time) (Weighed, error) {
	v := f.view(learner.ID, at)
	born := served.Born(learner.BirthMonth)
	current := v.Current()
	u := upshot{}
	if current == nil {
		j := judgement.Judge(&v, nil, born)
		u.Verdict = j.Verdict
	}
	for i := range v.Programmes {
		p := &v.Programmes[i]
		j := judgement.Judge(&v, p, born)
		c := f.caseOf(&v, p)
		w := judgement.Weigh(c, &j)
		if p == current {
			u.Verdict, u.Leader, u.ChoiceChanged = w.Verdict, w.Preference.Leader, w.Success.Choice != nil && w.Success.Choice.Changed
		}
		if facts, began := judgement.FactsOf(c, &w); began {
			u.Programmes = append(u.Programmes, f.keptFacts(learner, p, &facts))
		}
	}
	doc, err := served.Encode(u)
	return Weighed{Basis: f.basis(&v), Doc: doc}, err
}

// keptFacts returns what is kept of the facts of a learner's programme.
func (f *family) keptFacts(learner Learner, p *practice.Programme, facts *judgement.Facts) programmeFacts {
	kept := programmeFacts{
		Plan: f.details[p.Enrolment.ID.UUID].Plan.ID, Practised: facts.Practised, Over: facts.Over, Completed: facts.Completed,
		Leader: facts.Leader, SwallowedNights: facts.Swallowed.Nights, Swallowed: facts.Swallowed.Happened,
		ReadyNights: facts.Ready.Nights, Ready: facts.Ready.Happened,
	}
	// At the first night, so that a birthday takes nobody from one band to another.
	if card := served.CardOf(learner.ID, "", learner.BirthMonth, p.Enrolment.Closes(p.Enrolment.FirstNight-1)); card.AgeBand != nil {
		kept.AgeBand = *card.AgeBand
	}
	return kept
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
	done := map[uuid.UUID]bool{} // households
	for {
		var learners []uuid.UUID
		err := s.Store.Read(ctx, func(ctx context.Context, view View) (err error) {
			learners, err = view.Unweighed(ctx, clinic, staleAtOnce)
			return err
		})
		if err != nil {
			return err
		}
		fresh, err := s.weighSome(ctx, learners, done, now)
		if err != nil || len(fresh) == 0 {
			return err
		}
		err = s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error { return s.refoldHouseholdsOf(ctx, tx, learners, fresh, now) })
		if err != nil {
			return err
		}
	}
}

// weighSome weighs the households of learners but for those done, which it adds to them, as the next fold will see them.
func (s *Service) weighSome(ctx context.Context, learners []uuid.UUID, done map[uuid.UUID]bool, now time.Time) (weighedNow, error) {
	fresh := weighedNow{}
	for _, id := range learners {
		var f *family
		kept := map[uuid.UUID]Projection{}
		err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
			learner, err := view.Learner(ctx, id)
			if err != nil || done[learner.Household] {
				return err
			}
			done[learner.Household] = true
			if f, err = s.loadFamily(ctx, view, learner.Household); err != nil {
				return err
			}
			return f.readKept(ctx, view, kept)
		})
		if err != nil {
			return nil, err
		}
		if err := f.weighUnweighed(kept, fresh, now); err != nil {
			return nil, err
		}
	}
	return fresh, nil
}

// readKept reads what is kept of each learner's fold.
func (f *family) readKept(ctx context.Context, view View, into map[uuid.UUID]Projection) error {
	for _, learner := range f.learners {
		p, err := view.Projection(ctx, learner.ID)
		if err != nil && fault.KindOf(err) != fault.NotFound {
			return err
		}
		into[learner.ID] = p
	}
	return nil
}

// weighUnweighed weighs the learners of a family who have not been weighed, if there is a family.
func (f *family) weighUnweighed(kept map[uuid.UUID]Projection, into weighedNow, now time.Time) (err error) {
	if f == nil {
		return nil
	}
	for _, learner := range f.learners {
		p := kept[learner.ID]
		if len(p.Weighed.Doc) > 0 {
			continue
		}
		if into[learner.ID], err = f.weigh(learner, later(now.Truncate(time.Millisecond), p.Folded)); err != nil {
			return err
		}
	}
	return nil
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
