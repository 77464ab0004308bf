package scheduler_test

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"log/slog"
	randv2 "math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/journal"
	"swallowtail/internal/store/memory"
	"swallowtail/internal/store/sqlite"
)

// What every simulated world has.
const (
	nights     = 30
	schedulers = 3
	tick       = 5 * time.Minute
)

// began is noon in London on a Monday, some days before clocks change in America and four weeks before they do in Europe.
var began = time.Date(2027, time.March, 1, 12, 0, 0, 0, time.UTC)

// zones are where the families live: all around the world, each with changes of its own or none.
var zones = []string{
	"America/Halifax", "America/Los_Angeles", "America/Santiago", "Europe/London", "Europe/Berlin", "Asia/Kolkata", "Australia/Lord_Howe",
	"Pacific/Auckland", "Pacific/Chatham", "Africa/Casablanca", "Asia/Tehran", "America/St_Johns",
}

// world is a clinic with families who practise, or don't, and schedulers that come to grief.
type world struct {
	*clinic.Service
	t         testing.TB
	rng       *randv2.Rand
	now       time.Time
	clinician access.Principal
	robot     access.Principal
	families  []*family
	of        map[uuid.UUID]*family // by learner
	coming    agenda
	claims    map[uuid.UUID]clinic.ClaimedReminder // by reminder: as it was claimed last
	ahead     map[uuid.UUID]time.Time              // by reminder: when the go-ahead was given last
	players   []*player
	grief     float64 // how much of the mishaps there is
	counts    counts
}

// counts are what a simulation is about. Those of the second line are to be zero.
type counts struct {
	delivered, uploads, crashes, lostAnswers, sleeps, doubts, givenUp, raced int

	twice, neverSent, atNight, afterPractice, afterStop, twoADay int
}

// opening opens a store.
type opening func(t testing.TB, newID func() uuid.UUID) clinic.Store

// inMemory is for few families: it is quick.
func inMemory(_ testing.TB, newID func() uuid.UUID) clinic.Store { return memory.New(newID()) }

// inSQLite is for many.
func inSQLite(t testing.TB, newID func() uuid.UUID) clinic.Store {
	t.Helper()
	store, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "world.db"), sqlite.Options{
		Logger: slog.New(slog.DiscardHandler), NewID: newID, Now: func() time.Time { return began },
	})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, store.Close()) })
	require.NoError(t, store.Migrate(t.Context()))
	return store
}

func newWorld(t testing.TB, store opening, seed uint64, families int) *world {
	t.Helper()
	dir := t.TempDir()
	log := slog.New(slog.DiscardHandler)
	keys, err := access.LoadOrCreateKeys(filepath.Join(dir, "keys"), rand.Reader, began)
	require.NoError(t, err)
	made := randv2.New(randv2.NewPCG(seed, 1))
	newID := func() uuid.UUID {
		var id uuid.UUID
		for i := range id {
			id[i] = byte(made.Uint32())
		}
		return id
	}
	w := &world{
		t: t, grief: 1, rng: randv2.New(randv2.NewPCG(seed, 2)), now: began, of: map[uuid.UUID]*family{},
		claims: map[uuid.UUID]clinic.ClaimedReminder{}, ahead: map[uuid.UUID]time.Time{},
		Service: clinic.New(clinic.Config{
			Store: store(t, newID), Journal: journal.NewMemory(newID()), Keys: keys, Random: rand.Reader, NewID: newID, Log: log,
			PasswordCost: access.PasswordCost{MemoryKiB: 8, Iterations: 1, Parallelism: 1}, PublicURL: "https://practice.example.org",
		}),
	}
	w.build(families)
	return w
}

// build sets the clinic and its families up.
func (w *world) build(families int) {
	ctx := w.t.Context()
	require.NoError(w.t, w.Prepare(ctx, w.now))
	c, err := w.AddClinic(ctx, clinic.NewClinic{
		Name: "Invented", Timezone: "Etc/UTC", ClinicSettings: clinic.ClinicSettings{SecondFactor: "none"},
	}, w.now)
	require.NoError(w.t, err)
	m, err := w.AddMember(ctx, clinic.NewMember{
		Clinic: c.ID, Email: "clinician@clinic.example", Name: "Invented", Role: access.RoleClinician, Password: "seven slow snails",
	}, w.now)
	require.NoError(w.t, err)
	w.clinician = access.Principal{Role: access.RoleClinician, ClinicID: c.ID, ClinicianID: m.ID}
	w.robot = access.Principal{Role: access.RoleScheduler, ClinicID: c.ID, TokenID: uuid.NewString()}
	parameters := clinic.DefaultParameters()
	parameters.Nights = nights
	plan, err := w.CreatePlan(ctx, w.clinician, "Thirty", parameters, w.now)
	require.NoError(w.t, err)
	for i := range families {
		w.families = append(w.families, w.newFamily(i, plan.ID))
	}
}

// newFamily adds a family with a learner, one or two caregivers with a phone and an address each.
func (w *world) newFamily(i int, plan uuid.UUID) *family {
	ctx := w.t.Context()
	zone, err := time.LoadLocation(zones[i%len(zones)])
	require.NoError(w.t, err)
	local := w.now.In(zone)
	f := &family{
		world: w, zone: zone, first: date(local).AddDate(0, 0, 1), channel: []string{"email", "pager"}[w.rng.IntN(2)],
		reminder: 17*time.Hour + time.Duration(w.rng.IntN(48))*5*time.Minute, known: map[int]time.Time{}, delivered: map[string]int{}, dates: map[string]uuid.UUID{},
		sentOf: map[int]bool{},
	}
	household, err := w.CreateHousehold(ctx, w.clinician, "invented", w.now)
	require.NoError(w.t, err)
	f.household = household.ID
	learner, err := w.CreateLearner(ctx, w.clinician, f.household, clinic.NewLearner{Nickname: "Otter"}, w.now)
	require.NoError(w.t, err)
	f.learner = learner.ID
	w.of[f.learner] = f
	answers := map[string]bool{}
	for _, q := range clinic.ScreeningQuestions() {
		answers[q] = false
	}
	_, err = w.RecordScreening(ctx, w.clinician, f.learner, clinic.NewScreening{Answers: answers, Decision: "go"}, w.now)
	require.NoError(w.t, err)
	enrolment, err := w.CreateEnrolment(ctx, w.clinician, f.learner, clinic.NewEnrolment{
		Plan: plan, FirstNight: f.first.Format(time.DateOnly), Timezone: zone.String(), ReminderAt: clockOf(f.reminder),
	}, w.now)
	require.NoError(w.t, err)
	f.enrolment = enrolment.ID
	for range 1 + w.rng.IntN(2) {
		w.newCaregiver(f)
	}
	f.plan()
	return f
}

func (w *world) newCaregiver(f *family) {
	ctx := w.t.Context()
	invite, err := w.CreateInvite(ctx, w.clinician, f.household, uuid.Nil, w.now)
	require.NoError(w.t, err)
	e, err := w.EnrolDevice(ctx, clinic.NewDevice{Code: invite.Code, Name: "Invented", Device: "phone", Platform: "test"}, w.now)
	require.NoError(w.t, err)
	f.phones = append(f.phones, access.Principal{
		Role: access.RoleDevice, Session: e.Tokens.Session, ClinicID: w.clinician.ClinicID, HouseholdID: f.household,
		CaregiverID: e.Device.Caregiver, DeviceID: e.Device.ID,
	})
	address := clinic.Address{
		ID: w.NewID(), Household: f.household, Caregiver: e.Device.Caregiver, Channel: f.channel,
		To: fmt.Sprintf("%s@example.org", e.Device.Caregiver), Created: w.now, Verified: w.now,
		Wanted: clinic.Wanted{Kinds: []string{"tonight", "missed"}, Weekdays: []int{1, 2, 3, 4, 5, 6, 7}},
	}
	err = w.Store.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error { return tx.AddAddress(ctx, address) })
	require.NoError(w.t, err)
	f.addresses = append(f.addresses, address.ID)
}

// date is the midnight of an instant's date, in UTC, to count dates by.
func date(at time.Time) time.Time {
	return time.Date(at.Year(), at.Month(), at.Day(), 0, 0, 0, 0, time.UTC)
}

func clockOf(d time.Duration) string {
	return fmt.Sprintf("%02d:%02d", int(d.Hours()), int(d.Minutes())%60)
}

// pass lets time go by, with whatever families and clinicians do meanwhile.
func (w *world) pass(d time.Duration) {
	until := w.now.Add(d)
	for len(w.coming) > 0 && !w.coming[0].at.After(until) {
		next := w.coming.take()
		if next.at.After(w.now) {
			w.now = next.at
		}
		next.do()
	}
	if until.After(w.now) {
		w.now = until
	}
}

// deed is something that somebody will do.
type deed struct {
	at time.Time
	do func()
}

// agenda is what is to come, in its order.
type agenda []deed

func (a *agenda) add(at time.Time, do func()) {
	i := len(*a)
	*a = append(*a, deed{})
	for ; i > 0 && (*a)[(i-1)/2].at.After(at); i = (i - 1) / 2 {
		(*a)[i] = (*a)[(i-1)/2]
	}
	(*a)[i] = deed{at, do}
}

func (a *agenda) take() deed {
	all := *a
	first, last := all[0], all[len(all)-1]
	all = all[:len(all)-1]
	*a = all
	i := 0
	for {
		child := 2*i + 1
		if child+1 < len(all) && all[child+1].at.Before(all[child].at) {
			child++
		}
		if child >= len(all) || !all[child].at.Before(last.at) {
			break
		}
		all[i] = all[child]
		i = child
	}
	if len(all) > 0 {
		all[i] = last
	}
	return first
}

// entry is an entry as a phone sends it.
func (f *family) entry(kind string, recorded time.Time, body map[string]any) (string, []byte) {
	id := f.world.NewID().String()
	raw, err := json.Marshal(map[string]any{
		"id": id, "kind": kind, "subject": id, "replaces": []string{}, "learner_id": f.learner.String(),
		"recorded_at": recorded.In(f.zone).Format(time.RFC3339), "body": body,
	})
	require.NoError(f.world.t, err)
	return id, raw
}
