package simulate

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"sync"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/journal"
)

// began is when every schedule begins: a Monday, 18:00 in Halifax.
var began = time.Date(2027, time.March, 1, 22, 0, 0, 0, time.UTC)

const (
	homeZone   = "America/Halifax"
	otherZone  = "Europe/Berlin"
	planNights = 3 // short, so that a schedule sees all of a programme
)

// house is a clinic with one family, as it is when a schedule begins.
type house struct {
	clinician access.Principal
	household uuid.UUID
	learner   uuid.UUID
	people    []uuid.UUID        // caregivers
	phones    []access.Principal // the caregivers' in turn; the last is the reader's, who writes nothing
	before    Snapshot
	made      uint64 // ids that the server has made
}

// shape is how many there are of a family.
type shape struct{ people, phones int }

// owners says whose each phone is: often two are one person's.
var owners = [...]int{0, 1, 0, 1, 2, 3}

// Street makes houses and keeps one of each shape. Safe for concurrent use.
type Street struct {
	engine Engine
	keys   *access.Keys
	log    *slog.Logger
	zones  [2]*time.Location

	mu     sync.Mutex
	houses map[shape]*house
}

// NewStreet returns a street whose houses keep what they know in storages of an engine. The folder is for the server's keys,
// which are the same in every street.
func NewStreet(engine Engine, folder string, log *slog.Logger) (*Street, error) {
	constant := bytes.NewReader(bytes.Repeat([]byte("invented"), 64))
	keys, err := access.LoadOrCreateKeys(filepath.Join(folder, "keys"), constant, began)
	if err != nil {
		return nil, fmt.Errorf("make keys: %w", err)
	}
	s := &Street{engine: engine, keys: keys, log: log, houses: map[shape]*house{}}
	for i, name := range []string{homeZone, otherZone} {
		if s.zones[i], err = time.LoadLocation(name); err != nil {
			return nil, fmt.Errorf("find the time: %w", err)
		}
	}
	return s, nil
}

func (s *Street) house(ctx context.Context, of shape) (*house, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if h := s.houses[of]; h != nil {
		return h, nil
	}
	h, err := s.build(ctx, of)
	if err != nil {
		return nil, fmt.Errorf("build a house: %w", err)
	}
	s.houses[of] = h
	return h, nil
}

// beside is what lies beside a store: what the server draws from, and the journal.
type beside struct {
	made    ids
	secrets *rand.ChaCha8
	journal *journal.Memory
}

func newBeside(made uint64) *beside {
	var seed [32]byte
	if made > 0 {
		seed[0] = 1 // a code that was drawn when the house was built would be refused
	}
	return &beside{
		made: ids{space: serverSpace, made: made}, secrets: rand.NewChaCha8(seed), journal: journal.NewMemory(idOf(serverSpace, 1)),
	}
}

// service returns the use cases over a store.
func (s *Street) service(store clinic.Store, b *beside) *clinic.Service {
	return clinic.New(clinic.Config{
		Store: store, Keys: s.keys, Journal: b.journal, Random: b.secrets, NewID: b.made.next, Log: s.log,
		PasswordCost: access.PasswordCost{MemoryKiB: 8, Iterations: 1, Parallelism: 1},
	})
}

// build sets a family up as a clinic does.
func (s *Street) build(ctx context.Context, of shape) (*house, error) {
	storage, err := s.engine.New(ctx)
	if err != nil {
		return nil, err
	}
	beside := newBeside(0)
	b := builder{ctx: ctx, service: s.service(storage, beside), house: &house{}}
	b.clinic()
	b.family()
	for range of.people {
		b.caregiver()
	}
	for i := range of.phones {
		b.phone(b.people[min(owners[i], of.people-1)])
	}
	b.phone(b.people[0])
	if b.err != nil {
		return nil, b.err
	}
	b.made = beside.made.made
	if b.before, err = storage.Snapshot(); err != nil {
		return nil, err
	}
	return b.house, storage.Close()
}

// builder builds a house; after an error it does no more.
type builder struct {
	*house
	ctx     context.Context
	service *clinic.Service
	err     error
}

// try keeps the error of a step, unless one before has failed.
func try[T any](b *builder, step func() (T, error)) (made T) {
	if b.err == nil {
		made, b.err = step()
	}
	return made
}

func (b *builder) clinic() {
	b.err = b.service.Prepare(b.ctx, began)
	c := try(b, func() (clinic.Clinic, error) {
		return b.service.AddClinic(b.ctx, clinic.NewClinic{
			Name: "Invented", Timezone: homeZone, ClinicSettings: clinic.ClinicSettings{SecondFactor: "none"},
		}, began)
	})
	m := try(b, func() (clinic.Member, error) {
		return b.service.AddMember(b.ctx, clinic.NewMember{
			Clinic: c.ID, Email: "clinician@clinic.example", Name: "Invented", Role: access.RoleClinician, Password: "seven slow snails",
		}, began)
	})
	b.clinician = access.Principal{Role: access.RoleClinician, ClinicID: c.ID, ClinicianID: m.ID}
}

func (b *builder) family() {
	h := try(b, func() (clinic.Household, error) {
		return b.service.CreateHousehold(b.ctx, b.clinician, "invented", began)
	})
	b.household = h.ID
	l := try(b, func() (clinic.Learner, error) {
		return b.service.CreateLearner(b.ctx, b.clinician, b.household, clinic.NewLearner{Nickname: "Otter"}, began)
	})
	b.learner = l.ID
	try(b, func() (clinic.Screening, error) {
		answers := map[string]bool{}
		for _, q := range clinic.ScreeningQuestions() {
			answers[q] = false
		}
		return b.service.RecordScreening(b.ctx, b.clinician, b.learner, clinic.NewScreening{Answers: answers, Decision: "go"}, began)
	})
	plan := try(b, func() (clinic.Plan, error) {
		p := clinic.DefaultParameters()
		p.Nights = planNights
		return b.service.CreatePlan(b.ctx, b.clinician, "Short", p, began)
	})
	try(b, func() (clinic.EnrolmentDetail, error) {
		return b.service.CreateEnrolment(b.ctx, b.clinician, b.learner, clinic.NewEnrolment{
			Plan: plan.ID, FirstNight: began.Format(time.DateOnly), Timezone: homeZone, ReminderAt: "19:30",
		}, began)
	})
}

// caregiver lets somebody new in. Their first device is revoked at once: it stands for nothing.
func (b *builder) caregiver() {
	d := b.enrol(uuid.Nil).Device
	b.people = append(b.people, d.Caregiver)
	try(b, func() (any, error) { return nil, b.service.RevokeDevice(b.ctx, b.clinician, d.ID, began) })
}

func (b *builder) phone(of uuid.UUID) {
	b.phones = append(b.phones, b.principal(b.enrol(of)))
}

func (b *builder) enrol(caregiver uuid.UUID) clinic.EnrolledDevice {
	invite := try(b, func() (clinic.CreatedInvite, error) {
		return b.service.CreateInvite(b.ctx, b.clinician, b.household, caregiver, began)
	})
	return try(b, func() (clinic.EnrolledDevice, error) {
		return b.service.EnrolDevice(b.ctx, newPhone(invite.Code), began)
	})
}

func newPhone(code string) clinic.NewDevice {
	return clinic.NewDevice{Code: code, Name: "Invented", Device: "phone", Platform: "simulated"}
}

// principal returns who calls with a phone's token.
func (h *house) principal(e clinic.EnrolledDevice) access.Principal {
	return access.Principal{
		Role: access.RoleDevice, ClinicID: h.clinician.ClinicID, HouseholdID: h.household, CaregiverID: e.Device.Caregiver,
		DeviceID: e.Device.ID, Session: e.Tokens.Session,
	}
}
