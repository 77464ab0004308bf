package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"swallowtail/api/client"
	"swallowtail/internal/practice"
)

// perform plays one scene; the clock stands at its time.
func (p *player) perform(ctx context.Context, s scene) error {
	if s.step.By != "" {
		return p.onPhone(ctx, s)
	}
	switch {
	case s.step.Enrol != nil:
		return p.enrol(ctx, s)
	case s.step.Copy != nil:
		return p.copySheets(ctx, s)
	case s.step.Choose != "":
		return p.write(ctx, s.family, client.ChooseBody{Position: s.step.Choose})
	case s.step.End != "":
		return p.end(ctx, s)
	}
	return errors.New("nothing is said to have happened")
}

// onPhone plays what a caregiver does, and hands it in unless there is no signal.
func (p *player) onPhone(ctx context.Context, s scene) error {
	ph := s.family.phones[s.step.By]
	if ph == nil {
		return fmt.Errorf("nobody is called %q", s.step.By)
	}
	if s.step.Offline {
		return s.record(ph)
	}
	// Opened, the phone shows first what the others wrote.
	if err := ph.inStep(ctx); err != nil {
		return err
	}
	if err := s.record(ph); err != nil {
		return err
	}
	return ph.inStep(ctx)
}

func (s scene) record(ph *phone) error {
	ph.zone = s.place()
	learner := s.family.learner
	var err error
	switch {
	case s.step.Evening != "":
		return s.recordEvening(ph)
	case s.step.Excuse != "":
		_, err = ph.Excuse(learner, s.family.night(s.step.Day).String(), s.step.Excuse)
	case s.step.Incident != nil:
		_, err = ph.Incident(learner, ph.session, s.step.Incident.What, s.step.Incident.Note)
	case s.step.Settle != nil:
		return s.settle(ph)
	case !s.step.Open:
		err = errors.New("nothing is said to have happened")
	}
	return err
}

// place returns the zone in which the step happens.
func (s scene) place() string {
	if s.step.Zone != "" {
		return s.step.Zone
	}
	return s.family.script.Home
}

func (s scene) recordEvening(ph *phone) error {
	evening, err := eveningOf(s.family.learner, s.step.eveningScript, s.starts, s.place())
	if err != nil {
		return err
	}
	written, err := ph.RecordEvening(evening)
	ph.session = written.Session
	return err
}

func eveningOf(learner string, told eveningScript, starts time.Time, zone string) (client.Evening, error) {
	tries, err := told.tries()
	return client.Evening{
		Learner: learner, PractisedAt: wall(starts, zone), Timezone: zone, Setting: told.Setting, Note: told.Note, Tries: tries,
	}, err
}

// wall returns an instant as the clocks of a zone, which is known to be there, show it.
func wall(at time.Time, zone string) time.Time {
	place, err := practice.LoadZone(zone)
	if err != nil {
		return at
	}
	return at.In(place)
}

// settle judges a try on which the phone has seen the caregivers disagree.
func (s scene) settle(ph *phone) error {
	told := s.step.Settle
	nights, err := ph.Nights(s.family.learner)
	if err != nil {
		return err
	}
	date := s.family.night(told.Day).String()
	judged := disagreeing(nights, date, told.Position)
	if len(judged) == 0 {
		return fmt.Errorf("nobody disagrees about %s on %s", told.Position, date)
	}
	_, err = ph.Settle(s.family.learner, client.SettleBody{
		Judged: judged, Outcome: told.Outcome, Ease: told.Ease, Reason: told.Reason,
	})
	return err
}

// disagreeing returns the ids of the readings that differ of a night's try in a position.
func disagreeing(nights []client.Night, date, position string) []string {
	var ids []string
	for _, night := range nights {
		for _, sitting := range night.Sittings {
			for _, try := range sitting.Tries {
				if night.Night == date && try.Position == position && try.Agreement == "disagreed" {
					for _, reading := range try.Readings {
						ids = append(ids, reading.Entry)
					}
				}
			}
		}
	}
	return ids
}

// enrol screens the learner and writes the enrolment, in a household that the first one sets up.
func (p *player) enrol(ctx context.Context, s scene) error {
	if s.family.household == "" {
		if err := p.setUp(ctx, s.family); err != nil {
			return err
		}
	}
	told := s.step.Enrol
	return p.desk.do(ctx, func(api client.API) error {
		if err := api.Screen(ctx, s.family.learner, screening(told)); err != nil {
			return err
		}
		enrolled, err := api.Enrol(ctx, s.family.learner, client.NewEnrolment{
			FirstNight: s.family.night(told.FirstNight).String(), Timezone: s.family.script.Home, ReminderTime: told.Reminder,
			Positions: told.Positions, Target: told.Target,
		})
		s.family.enrolment = enrolled.ID
		return err
	})
}

func screening(told *enrolScript) client.Screening {
	answers := map[string]bool{}
	for _, question := range client.ScreeningQuestions() {
		answers[question] = slices.Contains(told.Screening.Yes, question)
	}
	return client.Screening{Answers: answers, Decision: "go", Note: told.Screening.Note}
}

// setUp opens the household, adds the learner, and enrols the caregivers' phones.
func (p *player) setUp(ctx context.Context, f *family) error {
	err := p.desk.do(ctx, func(api client.API) (err error) {
		f.household, err = api.CreateHousehold(ctx, f.script.Learner+" and family (invented)")
		return err
	})
	if err != nil {
		return err
	}
	born := wall(p.clock.Now(), f.script.Home).AddDate(-f.script.Age, -5, 0).Format("2006-01")
	err = p.desk.do(ctx, func(api client.API) (err error) {
		f.learner, err = api.CreateLearner(ctx, f.household, f.script.Learner, born)
		return err
	})
	if err != nil {
		return err
	}
	for _, c := range f.script.Caregivers {
		var invite client.Invite
		err := p.desk.do(ctx, func(api client.API) (err error) {
			invite, err = api.CreateInvite(ctx, f.household, "")
			return err
		})
		if err != nil {
			return err
		}
		if f.phones[c.Name], err = p.enrolPhone(ctx, invite.InviteCode, c, f.script.Home); err != nil {
			return err
		}
	}
	return nil
}

// pen writes in the clinician's name, by the clinic's clock.
func (p *player) pen() client.Pen {
	return client.Pen{Now: func() time.Time { return wall(p.clock.Now(), p.script.clinic.Timezone) }, NewID: p.newID}
}

// write adds one entry of the clinician's.
func (p *player) write(ctx context.Context, f *family, body client.Body) error {
	entry, err := p.pen().New(f.learner, body)
	if err != nil {
		return err
	}
	return p.addEntries(ctx, f, entry)
}

func (p *player) addEntries(ctx context.Context, f *family, entries ...client.Entry) error {
	return p.desk.do(ctx, func(api client.API) error {
		added, err := api.AddEntries(ctx, f.learner, entries...)
		if err != nil {
			return err
		}
		for _, result := range added.Results {
			if result.Status != client.Accepted {
				return fmt.Errorf("an entry was %s: %w", result.Status, result.Problem)
			}
		}
		return nil
	})
}

// copySheets copies a caregiver's paper sheets.
func (p *player) copySheets(ctx context.Context, s scene) error {
	witness := s.family.phones[s.step.Copy.Witness]
	if witness == nil {
		return fmt.Errorf("nobody is called %q", s.step.Copy.Witness)
	}
	var entries []client.Entry
	for _, sheet := range s.step.Copy.Sheets {
		starts, err := s.family.instant(sheet.Day, sheet.At, "")
		if err != nil {
			return err
		}
		evening, err := eveningOf(s.family.learner, sheet, starts, s.place())
		if err != nil {
			return err
		}
		evening.Witness = witness.caregiver
		written, err := p.pen().Evening(evening)
		if err != nil {
			return err
		}
		entries = append(entries, written.Entries...)
	}
	return p.addEntries(ctx, s.family, entries...)
}

func (p *player) end(ctx context.Context, s scene) error {
	return p.desk.do(ctx, func(api client.API) error {
		_, err := api.SetEnrolmentStatus(ctx, s.family.enrolment, "ended", s.step.End)
		return err
	})
}
