package clinic

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
	"swallowtail/internal/reminder"
	"swallowtail/internal/served"
)

// folded is a household as it has just been folded.
type folded struct {
	*family
	renewed []renewed // by learner
}

// renewed is what is to be kept of a learner's fold, the fold itself, and what was kept of the one before, if anything was.
type renewed struct {
	Projection
	view   practice.View
	before *Projection
}

// refold folds every learner of a household anew and keeps the results, in the transaction of whatever changed.
func (s *Service) refold(ctx context.Context, tx Tx, household uuid.UUID, now time.Time) error {
	_, err := s.fold(ctx, tx, household, nil, now)
	return err
}

// fold is refold, and returns the family as it then is. Of what has just been weighed it keeps what still holds.
func (s *Service) fold(ctx context.Context, tx Tx, household uuid.UUID, fresh weighedNow, now time.Time) (*folded, error) {
	family, err := s.wholeIn(ctx, tx, household)
	if err != nil {
		return nil, err
	}
	f, err := family.fold(fresh, now)
	if err != nil {
		return nil, err
	}
	return f, f.save(ctx, tx)
}

// fold folds every learner of a family anew. It needs no store, and keeps nothing.
func (f *family) fold(fresh weighedNow, now time.Time) (*folded, error) {
	now = now.Truncate(time.Millisecond) // as the store keeps it, so that a check folds at the very same instant
	done := &folded{family: f}
	for _, learner := range f.learners {
		r, err := f.renew(learner, fresh[learner.ID], now)
		if err != nil {
			return nil, err
		}
		done.renewed = append(done.renewed, r)
	}
	return done, nil
}

// renew works out what is to be kept of a learner's fold in place of what is.
func (f *family) renew(learner Learner, fresh Weighed, now time.Time) (r renewed, err error) {
	var before Projection
	if r.before = f.kept[learner.ID]; r.before != nil {
		before = *r.before
	}
	// An upload may have been folded since this call took its instant: nothing is folded back.
	r.view = f.view(learner.ID, later(now, before.Folded))
	if r.Projection, err = f.project(learner, &r.view, fresh, before.Weighed); err != nil {
		return r, err
	}
	r.dateChanges(before, f.head.Rev)
	return r, nil
}

// save keeps what has been folded in the store. The family is then as it leaves it, to be kept once that is committed.
func (f *folded) save(ctx context.Context, tx Tx) error {
	next := *f.family
	next.kept = make(map[uuid.UUID]*Projection, len(f.renewed))
	for i := range f.renewed {
		r := &f.renewed[i]
		if err := tx.SaveProjection(ctx, r.Projection, r.before); err != nil {
			return err
		}
		kept := r.Projection // alone: whatever points into r would keep its view in memory too
		next.kept[r.Learner] = &kept
	}
	var err error
	next.edition, err = tx.Edition(ctx, f.household.ID)
	f.family = &next
	return err
}

// letGo lets go of all that is not needed any more once it is worked out what a call comes to. Many calls wait for their turn to write, and
// the fold is the largest part of what each of them holds.
func (f *folded) letGo() {
	rest := *f.family
	rest.record, rest.stamped, rest.members, rest.sent = nil, nil, nil, nil
	f.family = &rest
	for i := range f.renewed {
		f.renewed[i].view = practice.View{}
	}
}

// keepFolded keeps a family in memory that has been folded, once what came of that is durable, which err says.
func (s *Service) keepFolded(err error, f *folded) {
	if err == nil && f != nil {
		s.families.keep(f.family)
	}
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

// dateChanges gives each night the revision with which it last changed, and keeps those that are no more.
func (p *Projection) dateChanges(before Projection, rev int64) {
	known := make(map[practice.Night]ProjectedNight, len(before.Nights))
	for _, n := range before.Nights {
		known[n.Night] = n
	}
	for i := range p.Nights {
		n := &p.Nights[i]
		n.ChangedRev = rev
		if old, ok := known[n.Night]; ok && old.Print == n.Print {
			n.ChangedRev = min(old.ChangedRev, rev)
		}
		delete(known, n.Night)
	}
	for _, old := range known {
		if !old.Gone {
			old = ProjectedNight{Night: old.Night, ChangedRev: rev, Gone: true}
		}
		old.ChangedRev = min(old.ChangedRev, rev)
		p.Nights = append(p.Nights, old)
	}
	slices.SortFunc(p.Nights, func(a, b ProjectedNight) int { return cmp.Compare(a.Night, b.Night) })
}

// project works out what is kept of a learner's fold. Of what has been weighed it takes the first that still holds.
func (f *family) project(learner Learner, v *practice.View, weighed ...Weighed) (Projection, error) {
	current, at := v.Current(), v.At
	j := judgement.Judge(v, current, served.Born(learner.BirthMonth))
	p := Projection{
		Learner: learner.ID, Clinic: learner.Clinic, Folded: at, Until: v.Until, Nickname: learner.Nickname,
		Status: "none", Weighed: Weighed{Basis: f.basis(v)}, Heard: f.lastHeard(),
	}
	for _, w := range weighed {
		if _, readable := w.read(); readable && w.Basis == p.Weighed.Basis {
			p.Weighed = w
			break
		}
	}
	line := f.rosterLine(learner, v, &j, &p)
	if current != nil {
		p.Status, _ = f.statusOf(current, v)
		p.NightsWrong = current.Counts.Missed + current.Counts.Unheard
		line.Status = p.Status
	}
	if next := served.NextAgeBand(learner.BirthMonth, at); !next.IsZero() && (p.Until.IsZero() || next.Before(p.Until)) {
		p.Until = next // the roster row holds the age
	}
	var err error
	if p.Row, err = served.Encode(line); err != nil {
		return Projection{}, err
	}
	p.Nights = projectedNights(v)
	past := f.past[learner.ID]
	p.remind(reminder.Next(v, past), past)
	p.Concerns = f.openConcerns(learner.ID, reminder.Concerns(v, past, f.seenTo(learner.ID)))
	return p, nil
}

// rosterLine returns the learner's line, and notes of it in the projection what orders and filters the roster.
func (f *family) rosterLine(learner Learner, v *practice.View, j *judgement.Judgement, p *Projection) served.RosterLine {
	current := v.Current()
	line := served.RosterLineOf(f.subject(learner, v, current), learner.Household, j)
	if u, known := p.Weighed.read(); known {
		line.Verdict, line.Leader = u.Verdict, u.Leader
		if u.ChoiceChanged {
			line.Flags = append(slices.Clone(line.Flags), judgement.FlagChoiceChanged)
		}
	}
	call := judgement.CallOf(v, current, j, line.Verdict)
	line.Reasons = call.Reasons
	p.Urgency, p.Verdict, p.Nearness = call.Urgency, string(line.Verdict), line.Verdict.Nearness()
	for _, flag := range line.Flags {
		p.Flags = append(p.Flags, string(flag))
	}
	return line
}

func (f *family) subject(learner Learner, v *practice.View, p *practice.Programme) served.Subject {
	return served.Subject{
		Card: served.CardOf(learner.ID, learner.Nickname, learner.BirthMonth, v.At),
		View: v, Programme: p, LastHeard: f.lastHeard(),
	}
}

// eachNight calls do for every night of a view, with its programme; nil for one outside of all.
func eachNight(v *practice.View, do func(p *practice.Programme, n *practice.NightView)) {
	for i := range v.Earlier {
		do(nil, &v.Earlier[i])
	}
	for i := range v.Programmes {
		p := &v.Programmes[i]
		for j := range p.Nights {
			do(p, &p.Nights[j])
		}
	}
}

func projectedNights(v *practice.View) []ProjectedNight {
	var nights []ProjectedNight
	var printer served.Printer
	eachNight(v, func(p *practice.Programme, n *practice.NightView) {
		nights = append(nights, ProjectedNight{Night: n.Night, Print: printer.Print(v.Learner, p, n)})
	})
	// Nights outside every programme may lie between two, or after the last.
	slices.SortFunc(nights, func(a, b ProjectedNight) int { return cmp.Compare(a.Night, b.Night) })
	return nights
}

// changedNights returns the nights that changed from one revision to another, both included, and those that are no more since,
// as served and in order.
func (r *renewed) changedNights(from, to int64) (nights, gone [][]byte, err error) {
	type place struct {
		programme *practice.Programme
		night     *practice.NightView
	}
	var changed []ProjectedNight
	at := map[practice.Night]place{}
	for _, n := range r.Nights {
		if n.ChangedRev >= from && n.ChangedRev <= to {
			changed, at[n.Night] = append(changed, n), place{}
		}
	}
	if len(changed) == 0 {
		return nil, nil, nil
	}
	eachNight(&r.view, func(p *practice.Programme, n *practice.NightView) {
		if _, is := at[n.Night]; is {
			at[n.Night] = place{p, n}
		}
	})
	for _, n := range changed {
		if n.Gone {
			gone, err = appendDoc(gone, served.GoneNight{Learner: r.Learner, Night: n.Night.String()})
		} else {
			nights, err = appendDoc(nights, served.NightOf(r.view.Learner, at[n.Night].programme, at[n.Night].night))
		}
		if err != nil {
			return nil, nil, err
		}
	}
	return nights, gone, nil
}

func appendDoc(docs [][]byte, doc any) ([][]byte, error) {
	encoded, err := served.Encode(doc)
	return append(docs, encoded), err
}

// remind keeps what is to be reminded of next, each reminder with when it may be claimed, given what has become of those so far.
func (p *Projection) remind(next reminder.Upcoming, past []reminder.Delivery) {
	p.RemindersUntil, p.RemindersRenew = next.Lapses, next.Renew
	p.Reminders = projectedReminders(next, past)
	if len(p.Reminders) > 0 {
		p.NextDue = p.Reminders[0].Due
	}
}

func projectedReminders(next reminder.Upcoming, past []reminder.Delivery) []ProjectedReminder {
	var all []ProjectedReminder
	for _, r := range next.Reminders {
		ready := r.Due
		for _, d := range past {
			if d.ID == r.ID && !d.State.Final() {
				d.Due = r.Due // which may have been moved
				ready = d.Ready()
			}
		}
		all = append(all, ProjectedReminder{
			ID: r.ID, Kind: string(r.Kind), Night: r.Night, Due: r.Due, Lapses: next.Lapses, Run: r.Run, Ready: ready,
		})
	}
	return all
}

// seenTo returns when somebody last recorded what came of following a learner up, and that nothing is left to do; zero where nobody
// has.
func (f *family) seenTo(learner uuid.UUID) (at time.Time) {
	for _, u := range f.followUps[learner] {
		if u.closes() {
			at = later(at, u.At)
		}
	}
	return at
}

// openConcerns returns the concerns that nobody has seen to.
func (f *family) openConcerns(learner uuid.UUID, concerns []reminder.Concern) []ProjectedConcern {
	var open []ProjectedConcern
	for _, c := range concerns {
		seenTo := slices.ContainsFunc(f.followUps[learner], func(u FollowUp) bool { return u.Concern == c.ID && u.closes() })
		if !seenTo {
			open = append(open, ProjectedConcern{ID: c.ID, Reason: string(c.Reason), Night: c.Night, Since: c.Since, Run: c.Run})
		}
	}
	return open
}
