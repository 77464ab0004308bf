package clinic

import (
	"context"
	"crypto/sha256"
	"fmt"
	"log/slog"
	"slices"
	"strconv"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

// weighingForm is to be raised whenever a weighing comes to another result than before, or is kept in another form. What is
// kept in another form than this counts for nothing, and is made anew after the next start.
const weighingForm = 1

// upshot is what is kept of a weighing: of the current programme what the roster tells, of every one what a cohort needs.
type upshot struct {
	Form          int               `json:"form"`
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

// read returns what is kept; false where nothing is that can be read. It can be made anew, so nothing is to fail on it.
func (w Weighed) read() (u upshot, ok bool) {
	ok = len(w.Doc) > 0 && json.Unmarshal(w.Doc, &u) == nil && u.Form == weighingForm
	return u, ok
}

// basis returns a hash over all that a weighing of a view rests on: the household's record, the enrolments, and which nights
// have come and closed. The record as it was known at any earlier instant is a part of the record. Whether a night without
// practice is missed or unheard makes no difference to a weighing.
func (f *family) basis(v *practice.View) [32]byte {
	b := fmt.Appendf(nil, "%d", weighingForm)
	if last := len(f.stored) - 1; last >= 0 {
		b = append(b, f.stored[last].Chain[:]...)
	}
	for i := range f.stamped {
		if f.stamped[i].Sealed {
			b = fmt.Appendf(b, " sealed %d", i)
		}
	}
	for i := range v.Programmes {
		p := &v.Programmes[i]
		d := f.details[p.Enrolment.ID.UUID]
		b = fmt.Appendf(b, " %s %s %s %d %q %d", d.ID, d.Plan.ID, d.Status, d.EndedOn, d.Target, p.LastNight)
		for j := range p.Nights {
			n := &p.Nights[j]
			state := n.State
			if state == practice.Unheard {
				state = practice.Missed
			}
			b = append(strconv.AppendInt(append(b, ' '), int64(n.Night), 10), ' ')
			b = strconv.AppendBool(append(append(b, state...), ' '), v.At.Before(p.Enrolment.Closes(n.Night)))
		}
	}
	return sha256.Sum256(b)
}

// weigh weighs a learner's programmes at an instant.
func (f *family) weigh(learner Learner, at time.Time) (Weighed, error) {
	v := f.view(learner.ID, at)
	born := served.Born(learner.BirthMonth)
	current := v.Current()
	u := upshot{Form: weighingForm}
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

// weighedAtOnce is how many learners are folded in one transaction once they have been weighed. That is done in the midst of the rush,
// and uploads wait for it.
const weighedAtOnce = 10

// weighAll weighs those of a clinic who have not been weighed as they are now, some in each transaction. Who changes
// meanwhile is left for the next time. In between it waits as pause does.
func (s *Service) weighAll(ctx context.Context, clinic uuid.UUID, now time.Time, pause func() error) error {
	page := Page{Limit: weighedAtOnce}
	for {
		done, err := s.weighPage(ctx, clinic, &page, now)
		if done || err != nil {
			return err
		}
		if err := pause(); err != nil {
			return err
		}
	}
}

// atOnce is no pause.
func atOnce() error { return nil }

// weighPage weighs the next of those who have not been weighed, and reports whether there are none. One call does it at a time, and
// those that waited find little left to do.
func (s *Service) weighPage(ctx context.Context, clinic uuid.UUID, page *Page, now time.Time) (done bool, err error) {
	select {
	case s.weighing <- struct{}{}:
		defer func() { <-s.weighing }()
	case <-ctx.Done():
		return false, ctx.Err()
	}
	var learners []uuid.UUID
	err = s.Store.Read(ctx, func(ctx context.Context, view View) (err error) {
		learners, err = view.Unweighed(ctx, clinic, *page)
		return err
	})
	if err != nil || len(learners) == 0 {
		return true, err
	}
	page.After = learners[len(learners)-1]
	fresh, err := s.weighSome(ctx, learners, now)
	if err != nil {
		return false, err
	}
	return false, s.refoldHouseholdsOf(ctx, learners, fresh, now)
}

// weighSome weighs the households of learners, as the next fold will see them.
func (s *Service) weighSome(ctx context.Context, learners []uuid.UUID, now time.Time) (weighedNow, error) {
	fresh, done := weighedNow{}, map[uuid.UUID]bool{}
	for _, id := range learners {
		var f *family
		err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
			learner, err := view.Learner(ctx, id)
			if err != nil || done[learner.Household] {
				return err
			}
			done[learner.Household] = true
			f, err = s.loadFamily(ctx, view, learner.Household)
			return err
		})
		if err != nil {
			return nil, err
		}
		if err := f.weighUnweighed(fresh, now); err != nil {
			return nil, err
		}
	}
	return fresh, nil
}

// weighUnweighed weighs the learners of a family who have not been weighed, if there is a family.
func (f *family) weighUnweighed(into weighedNow, now time.Time) (err error) {
	if f == nil {
		return nil
	}
	for _, learner := range f.learners {
		at := now.Truncate(time.Millisecond)
		if p := f.kept[learner.ID]; p != nil {
			if len(p.Weighed.Doc) > 0 {
				continue
			}
			at = later(at, p.Folded)
		}
		if into[learner.ID], err = f.weigh(learner, at); err != nil {
			return err
		}
	}
	return nil
}

// How long KeepWeighed waits: until nothing has changed for a while, and at most, since there may always be changes, and time changes
// things too. While things change it rests four times as long as it works, so that uploads have most of the machine.
const (
	weighAfter = 2 * time.Second
	weighEvery = time.Minute
	restTimes  = 4
	mostRest   = time.Second
)

// rest waits after what has been done since an instant, if something has changed meanwhile, and reports whether it has.
func (s *Service) rest(ctx context.Context, since time.Time, now func() time.Time) (changed bool, err error) {
	select {
	case <-s.changed:
	default:
		return false, nil
	}
	select {
	case <-ctx.Done():
		return true, ctx.Err()
	case <-time.After(min(restTimes*now().Sub(since), mostRest)):
		return true, nil
	}
}

// KeepWeighed folds and weighs whoever is no longer as they were when it was done last, until ctx ends: soon after an upload
// has been answered, and now and then what time alone has changed. Nothing depends on it but how long the next reader of a
// roster, or who asks what is due, waits.
func (s *Service) KeepWeighed(ctx context.Context, now func() time.Time) {
	ticker := time.NewTicker(weighEvery)
	defer ticker.Stop()
	first, failing := true, false
	for {
		err := s.keepOnce(ctx, first, now)
		if err != nil && !failing && ctx.Err() == nil {
			s.Log.Warn("can't work out what has changed", slog.String("error", err.Error()))
		}
		if failing = err != nil; first && !failing {
			first = false
			ticker.Reset(weighEvery) // what is to be done first may have taken longer than that
		}
		if !s.waitForChange(ctx, ticker.C, failing) {
			return
		}
	}
}

// keepOnce folds and weighs whoever has changed. The first time after a start it folds whoever the program, or its zone database, now sees
// otherwise than the one before, and weighs nobody yet: a server may have been started in the middle of an evening.
func (s *Service) keepOnce(ctx context.Context, first bool, now func() time.Time) error {
	if first {
		if err := s.renewZones(ctx, now()); err != nil {
			return err
		}
	}
	err := s.eachClinic(ctx, func(clinic uuid.UUID) error {
		if first {
			if err := s.forgetOtherForms(ctx, clinic, now()); err != nil {
				return err
			}
		}
		if err := s.renewLapsed(ctx, clinic, now()); err != nil {
			return err
		}
		return s.renewFolds(ctx, clinic, now())
	})
	if err != nil {
		return err
	}
	if first {
		s.noteChange()
		return nil
	}
	return s.weighClinics(ctx, now)
}

// weighClinics weighs those of every clinic who have not been weighed, and rests in between while things change.
func (s *Service) weighClinics(ctx context.Context, now func() time.Time) error {
	changed, since := false, now()
	defer func() {
		if changed {
			s.noteChange() // for whoever changed when they had been looked at
		}
	}()
	return s.eachClinic(ctx, func(clinic uuid.UUID) error {
		return s.weighAll(ctx, clinic, now(), func() error {
			more, err := s.rest(ctx, since, now)
			changed, since = changed || more, now()
			return err
		})
	})
}

// waitForChange waits until it is time to weigh again: when something has changed and then nothing for a while, or it was long ago.
// It reports false once ctx has ended. After a failure it does not wait for changes, of which there may be many.
func (s *Service) waitForChange(ctx context.Context, tick <-chan time.Time, failing bool) bool {
	changed := s.changed
	if failing {
		changed = nil
	}
	var quiet <-chan time.Time
	for {
		select {
		case <-ctx.Done():
			return false
		case <-tick:
			return true
		case <-quiet:
			return true
		case <-changed:
			quiet = time.After(weighAfter)
		}
	}
}

// forgetOtherForms folds anew those of a clinic of whom what is kept of a weighing was left by another version of the program,
// so that they are weighed.
func (s *Service) forgetOtherForms(ctx context.Context, clinic uuid.UUID, now time.Time) error {
	var others []uuid.UUID
	err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
		docs, err := view.Weighed(ctx, clinic)
		for learner, doc := range docs {
			if _, ours := (Weighed{Doc: doc}).read(); !ours {
				others = append(others, learner)
			}
		}
		return err
	})
	if err != nil {
		return err
	}
	for some := range slices.Chunk(others, staleAtOnce) {
		if err := s.refoldHouseholdsOf(ctx, some, nil, now); err != nil {
			return err
		}
	}
	return nil
}

// eachClinic does something for every clinic.
func (s *Service) eachClinic(ctx context.Context, do func(clinic uuid.UUID) error) error {
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
			if err := do(id); err != nil {
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
