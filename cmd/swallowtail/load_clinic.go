package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"

	"swallowtail/api/client"
	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/journal"
	"swallowtail/internal/load"
	"swallowtail/internal/practice"
)

// What there is in the clinic that is made to be called. All of it is invented.
const (
	loadZone     = "America/Halifax"
	loadReminder = "19:30"
	loadPassword = "sixty invented curlews preen" // of every clinician of a database that is thrown away
	// familiesAtOnce is how many families are added in one transaction.
	familiesAtOnce = 50
)

// loadedClinic is a clinic to call, and with what.
type loadedClinic struct {
	families  []load.Family // in the middle of a programme
	first     time.Time     // midnight before their first evening
	staff     []string      // e-mail addresses of clinicians
	scheduler string        // a scheduler's token
	due       time.Time     // an instant at which the families that begin then are due to be reminded
}

// staffFor returns how many clinicians may read so many learners' summaries and the roster without waiting for one another: each may
// call 300 times at once, and 20 times a second.
func staffFor(households int) int { return min(1+households/100, 32) }

// clinicWish is what to fill a database with.
type clinicWish struct {
	families  int // whose programme began fourteen nights ago
	beginning int // whose programme begins on the evening on which they are to be reminded
	staff     int
}

// fillClinic adds an invented clinic by the use cases themselves, as the API would, so that nothing in it is other than what the
// service makes. Many families share a transaction.
func fillClinic(ctx context.Context, h *house, wish clinicWish, now time.Time) (*loadedClinic, error) {
	zone, err := practice.LoadZone(loadZone)
	if err != nil {
		return nil, err
	}
	added, err := h.service.AddClinic(ctx, clinic.NewClinic{
		Name: "Curlew Strand (invented, for load)", Timezone: loadZone, ClinicSettings: clinic.ClinicSettings{SecondFactor: "none"},
	}, now)
	if err != nil {
		return nil, fmt.Errorf("add the clinic: %w", err)
	}
	c := &loadedClinic{due: nextAt(now, zone, 19, 45)}
	tonight := practice.NightAt(now, practice.DefaultPlan().TurnsAt, zone)
	first := tonight - load.Evenings
	if c.first, err = time.ParseInLocation(time.DateOnly, first.String(), zone); err != nil {
		return nil, fmt.Errorf("the first night: %w", err)
	}
	clinician, err := c.addStaff(ctx, h, added.ID, max(wish.staff, 1), now)
	if err != nil {
		return nil, err
	}
	// As a server notes it, which would fold everybody anew otherwise when it is started.
	err = h.store.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error {
		return tx.SetZoneRules(ctx, loadZone, practice.RulesOf(zone))
	})
	if err != nil {
		return nil, fmt.Errorf("note the rules of the zone: %w", err)
	}
	f := filler{house: h, clinician: clinician, now: now}
	if c.families, err = f.families(ctx, wish.families, first.String()); err != nil {
		return nil, err
	}
	if _, err = f.families(ctx, wish.beginning, c.due.In(zone).Format(time.DateOnly)); err != nil {
		return nil, err
	}
	// Whoever reads the roster has everybody weighed, so that the server has nothing left to do when it is started.
	if _, err = h.service.Roster(ctx, clinician, clinic.RosterQuery{Order: "nickname", Limit: 1}, now); err != nil {
		return nil, fmt.Errorf("weigh the families: %w", err)
	}
	c.scheduler, err = h.service.IssueServiceToken(ctx, added.ID, access.RoleScheduler, 24*time.Hour, now)
	return c, err
}

// nextAt returns when a clock on the wall in a zone shows a time of day next.
func nextAt(now time.Time, zone *time.Location, hour, minute int) time.Time {
	y, m, d := now.In(zone).Date()
	at := time.Date(y, m, d, hour, minute, 0, 0, zone)
	if !at.After(now) {
		at = time.Date(y, m, d+1, hour, minute, 0, 0, zone)
	}
	return at
}

// addStaff adds clinicians, and returns one of them as a caller.
func (c *loadedClinic) addStaff(ctx context.Context, h *house, in uuid.UUID, n int, now time.Time) (access.Principal, error) {
	var p access.Principal
	for i := range n {
		m, err := h.service.AddMember(ctx, clinic.NewMember{
			Clinic: in, Email: fmt.Sprintf("invented-%d@example.org", i+1), Name: "Somebody invented", Role: access.RoleClinician,
			Password: loadPassword,
		}, now)
		if err != nil {
			return p, fmt.Errorf("add a clinician: %w", err)
		}
		c.staff = append(c.staff, m.Email)
		p = access.Principal{Role: access.RoleClinician, ClinicID: in, ClinicianID: m.ID}
	}
	return p, nil
}

// signIn signs every clinician in.
func (c *loadedClinic) signIn(ctx context.Context, base string) (load.Clinic, error) {
	var signedIn load.Clinic
	api := client.API{Base: base}
	for _, email := range c.staff {
		pair, err := api.SignIn(ctx, email, loadPassword, "")
		if err != nil {
			return load.Clinic{}, fmt.Errorf("sign in: %w", err)
		}
		signedIn.Staff = append(signedIn.Staff, pair)
	}
	return signedIn, nil
}

// filler adds families to a clinic.
type filler struct {
	house     *house
	clinician access.Principal
	now       time.Time
}

// families adds families whose programme begins on a date.
func (f *filler) families(ctx context.Context, n int, firstNight string) ([]load.Family, error) {
	added := make([]load.Family, 0, n)
	for len(added) < n {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		var some []load.Family
		err := f.house.store.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error {
			told := &gathered{Journal: f.house.service.Journal}
			s := f.service(tx, told)
			for range min(familiesAtOnce, n-len(added)) {
				family, err := f.family(ctx, s, firstNight)
				if err != nil {
					return err
				}
				some = append(some, family)
			}
			return told.appendAll(ctx) // the last step before the commit
		})
		if err != nil {
			return nil, fmt.Errorf("add families: %w", err)
		}
		added = append(added, some...)
	}
	return added, nil
}

// within is a store whose every transaction is a part of one that is under way.
type within struct {
	clinic.Glances
	tx clinic.Tx
}

var _ clinic.Store = within{}

// InTx implements clinic.Store. What fails in it must end the transaction around it.
func (w within) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	return fn(ctx, w.tx)
}

// Read implements clinic.Store.
func (w within) Read(ctx context.Context, fn func(ctx context.Context, view clinic.View) error) error {
	return fn(ctx, w.tx)
}

// Ready implements clinic.Store.
func (w within) Ready(context.Context) error { return nil }

// gathered is a journal that keeps what is appended until all of it is.
type gathered struct {
	clinic.Journal
	records []clinic.JournalRecord
}

// Append implements clinic.Journal, but for being durable.
func (g *gathered) Append(_ context.Context, r clinic.JournalRecord) error {
	g.records = append(g.records, r)
	return nil
}

// appendAll makes durable what has been gathered, at once where the journal can.
func (g *gathered) appendAll(ctx context.Context) error {
	if file, is := g.Journal.(*journal.File); is {
		return file.AppendAll(ctx, g.records)
	}
	for _, r := range g.records {
		if err := g.Journal.Append(ctx, r); err != nil {
			return err
		}
	}
	return nil
}

// service returns the use cases as parts of a transaction. Invites are hashed with the least work: they are redeemed at once, so
// that nobody will ever guess at one.
func (f *filler) service(tx clinic.Tx, told clinic.Journal) *clinic.Service {
	config := f.house.service.Config
	config.Store, config.Journal = within{tx, tx}, told
	config.PasswordCost = access.PasswordCost{MemoryKiB: 8, Iterations: 1, Parallelism: 1}
	return clinic.New(config)
}

// family adds a family: a learner on the plan built in, and a caregiver with a phone.
func (f *filler) family(ctx context.Context, s *clinic.Service, firstNight string) (load.Family, error) {
	household, err := s.CreateHousehold(ctx, f.clinician, "An invented family", f.now)
	if err != nil {
		return load.Family{}, err
	}
	learner, err := s.CreateLearner(ctx, f.clinician, household.ID, clinic.NewLearner{
		Nickname: "Invented " + household.ID.String()[24:], BirthMonth: f.now.AddDate(-7, 0, 0).Format("2006-01"),
	}, f.now)
	if err != nil {
		return load.Family{}, err
	}
	answers := map[string]bool{}
	for _, question := range clinic.ScreeningQuestions() {
		answers[question] = false
	}
	_, screened := s.RecordScreening(ctx, f.clinician, learner.ID, clinic.NewScreening{Answers: answers, Decision: "go"}, f.now)
	_, enrolled := s.CreateEnrolment(ctx, f.clinician, learner.ID, clinic.NewEnrolment{
		FirstNight: firstNight, Timezone: loadZone, ReminderAt: loadReminder,
	}, f.now)
	invite, invited := s.CreateInvite(ctx, f.clinician, household.ID, uuid.Nil, f.now)
	if err := errors.Join(screened, enrolled, invited); err != nil {
		return load.Family{}, err
	}
	device, err := s.EnrolDevice(ctx, clinic.NewDevice{
		Code: invite.Code, Name: "Invented caregiver", Device: "phone", Platform: "load",
	}, f.now)
	if err != nil {
		return load.Family{}, err
	}
	return load.Family{Learner: learner.ID.String(), Pair: client.Pair{
		Access: device.Tokens.Access, ExpiresIn: int(device.Tokens.ExpiresIn / time.Second), Refresh: device.Tokens.Refresh,
	}}, nil
}
