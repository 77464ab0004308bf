package clinic_test

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/json"
	"fmt"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	_ "modernc.org/sqlite" // to alter a database behind the store's back

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/journal"
	"swallowtail/internal/store/sqlite"
	"swallowtail/internal/store/sqlite/sqlitetest"
)

// started is a Monday, 18:00 in Halifax.
var started = time.Date(2027, time.March, 1, 22, 0, 0, 0, time.UTC)

var cheap = access.PasswordCost{MemoryKiB: 8, Iterations: 1, Parallelism: 1}

// house is the use cases over a store of their own, with a family in it.
type house struct {
	*clinic.Service
	t         testing.TB
	path      string
	journal   *journal.Memory
	clinic    clinic.Clinic
	clinician access.Principal
	phone     access.Principal
	household uuid.UUID
	learner   uuid.UUID
}

func newHouse(t testing.TB) *house {
	t.Helper()
	dir := t.TempDir()
	log := slog.New(slog.NewTextHandler(t.Output(), nil))
	keys, err := access.LoadOrCreateKeys(filepath.Join(dir, "keys"), rand.Reader, started)
	require.NoError(t, err)
	h := &house{t: t, journal: journal.NewMemory(newID())}
	h.Service = clinic.New(clinic.Config{
		Journal: h.journal, Keys: keys, Random: rand.Reader, NewID: newID, PasswordCost: cheap, Log: log,
	})
	h.open(filepath.Join(dir, "store.db"))
	require.NoError(t, h.Prepare(t.Context(), started))
	return h
}

// open lets the house work on a database, which is made where there is none.
func (h *house) open(path string) {
	h.t.Helper()
	open := func(ctx context.Context, path string) (*sqlite.Store, error) {
		return sqlite.Open(ctx, path, sqlite.Options{Logger: h.Log, NewID: newID, Now: func() time.Time { return started }})
	}
	sqlitetest.Begin(h.t, path, func(ctx context.Context, path string) (sqlitetest.Database, error) { return open(ctx, path) })
	store, err := open(h.t.Context(), path)
	require.NoError(h.t, err)
	h.t.Cleanup(func() { assert.NoError(h.t, store.Close()) })
	require.NoError(h.t, store.Migrate(h.t.Context()))
	h.path, h.Store = path, store
}

func newID() uuid.UUID { return uuid.Must(uuid.NewV7()) }

func newClinic(name, zone, second string) clinic.NewClinic {
	return clinic.NewClinic{Name: name, Timezone: zone, ClinicSettings: clinic.ClinicSettings{SecondFactor: second}}
}

// How the lead signs in.
const (
	familyEmail    = "ines@clinic.example"
	familyPassword = "seven slow snails"
)

// newFamily fills the house: a clinic, a household, a learner in the first night of a programme, and a phone.
func newFamily(t testing.TB) *house {
	t.Helper()
	h := newHouse(t)
	ctx := t.Context()
	var err error
	h.clinic, err = h.AddClinic(ctx, newClinic("North", "America/Halifax", "none"), started)
	require.NoError(t, err)
	m, err := h.AddMember(ctx, clinic.NewMember{
		Clinic: h.clinic.ID, Email: familyEmail, Name: "Ines", Role: access.RoleLead, Password: familyPassword,
	}, started)
	require.NoError(t, err)
	h.clinician = access.Principal{Role: access.RoleLead, ClinicID: h.clinic.ID, ClinicianID: m.ID}
	household, err := h.CreateHousehold(ctx, h.clinician, "blue folder", started)
	require.NoError(t, err)
	h.household = household.ID
	l, err := h.CreateLearner(ctx, h.clinician, h.household, clinic.NewLearner{Nickname: "Otter"}, started)
	require.NoError(t, err)
	h.learner = l.ID
	answers := map[string]bool{}
	for _, q := range clinic.ScreeningQuestions() {
		answers[q] = false
	}
	_, err = h.RecordScreening(ctx, h.clinician, h.learner, clinic.NewScreening{Answers: answers, Decision: "go"}, started)
	require.NoError(t, err)
	_, err = h.CreateEnrolment(ctx, h.clinician, h.learner, clinic.NewEnrolment{
		FirstNight: "2027-03-01", Timezone: "America/Halifax", ReminderAt: "19:30",
	}, started)
	require.NoError(t, err)
	h.phone = h.enrolPhone()
	return h
}

func (h *house) enrolPhone() access.Principal {
	h.t.Helper()
	invite, err := h.CreateInvite(h.t.Context(), h.clinician, h.household, uuid.Nil, started)
	require.NoError(h.t, err)
	e, err := h.EnrolDevice(h.t.Context(), clinic.NewDevice{Code: invite.Code, Name: "Papa", Device: "phone", Platform: "android"}, started)
	require.NoError(h.t, err)
	return access.Principal{
		Role: access.RoleDevice, Session: e.Tokens.Session, ClinicID: h.clinic.ID, HouseholdID: h.household, CaregiverID: e.Device.Caregiver, DeviceID: e.Device.ID,
	}
}

// entry is an entry as a phone sends it.
func (h *house) entry(kind string, body map[string]any) (id string, raw []byte) {
	h.t.Helper()
	id = newID().String()
	raw, err := json.Marshal(map[string]any{
		"id": id, "kind": kind, "subject": id, "replaces": []string{}, "learner_id": h.learner.String(),
		"recorded_at": "2027-03-01T18:00:00-04:00", "body": body,
	})
	require.NoError(h.t, err)
	return id, raw
}

// evening is a session with one try in each position.
func (h *house) evening() [][]byte {
	h.t.Helper()
	session, raw := h.entry("session", map[string]any{"practised_at": "2027-03-01T17:30:00-04:00", "timezone": "America/Halifax"})
	raws := [][]byte{raw}
	for _, position := range []string{"centre", "right", "left", "up", "down"} {
		_, raw := h.entry("try", map[string]any{
			"session": session, "position": position, "number": 1, "medium": "sweet", "outcome": "swallowed", "ease": 4,
		})
		raws = append(raws, raw)
	}
	return raws
}

func (h *house) push(at time.Time, raws ...[]byte) clinic.SyncAnswer {
	h.t.Helper()
	a, err := h.Sync(h.t.Context(), h.phone, clinic.SyncRequest{Schema: 1, Sent: at, Limit: clinic.MaxPage, Entries: raws}, at)
	require.NoError(h.t, err)
	for _, r := range a.Results {
		require.Equal(h.t, "accepted", r.Status, "%v", r.Flaws)
	}
	return a
}

// exec runs a statement on the database behind the store's back.
func (h *house) exec(statement string, args ...any) (sql.Result, error) {
	h.t.Helper()
	db, err := sql.Open("sqlite", "file:"+h.path+"?_busy_timeout=10000&_foreign_keys=off")
	require.NoError(h.t, err)
	defer func() { require.NoError(h.t, db.Close()) }()
	return db.ExecContext(h.t.Context(), statement, args...)
}

// alter changes rows of the database behind the store's back.
func (h *house) alter(statement string, args ...any) {
	h.t.Helper()
	result, err := h.exec(statement, args...)
	require.NoError(h.t, err)
	n, err := result.RowsAffected()
	require.NoError(h.t, err)
	require.Positive(h.t, n, "%s altered nothing", statement)
	_, err = h.exec(`UPDATE household SET edition = edition + 1`) // as whoever alters anything by way of the store moves it on
	require.NoError(h.t, err)
}

// found returns what a check finds.
func (h *house) found() []string {
	h.t.Helper()
	report, err := h.Check(h.t.Context())
	require.NoError(h.t, err)
	what := []string{}
	for _, d := range report.Differences {
		assert.Equal(h.t, h.household, d.Household)
		what = append(what, d.What)
	}
	assert.Equal(h.t, "1 household, 1 learner", fmt.Sprintf("%d household, %d learner", report.Households, report.Learners))
	return what
}
