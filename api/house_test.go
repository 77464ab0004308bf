package api_test

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"io"
	"log/slog"
	"net/http"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api"
	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/journal"
	"swallowtail/internal/store/sqlite"
	"swallowtail/internal/store/sqlite/sqlitetest"
	"swallowtail/internal/watch"
)

// start is when every story begins: a Monday, 18:00 in Halifax.
var start = time.Date(2027, time.March, 1, 22, 0, 0, 0, time.UTC)

// clock is a clock that the test moves, and that stands still otherwise until it is told to go.
type clock struct {
	mu    sync.Mutex
	at    time.Time
	since time.Time // when it was set, while it goes
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.since.IsZero() {
		return c.at
	}
	return c.at.Add(time.Since(c.since))
}

// goOn makes the clock go with time, in a bubble that of the bubble.
func (c *clock) goOn() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.since = time.Now()
}

func (c *clock) set(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = at
}

func (c *clock) advance(d time.Duration) { c.set(c.now().Add(d)) }

// ids makes ids that sort in the order in which they were made. The space tells the server's from those of devices.
type ids struct {
	space uint16
	made  atomic.Uint64
}

func (i *ids) next() uuid.UUID {
	id := uuid.UUID{0x01, 0x95, 0x3a, 0x10, 0, 0, 0x70, 0, 0x80, 0}
	binary.BigEndian.PutUint16(id[4:], i.space)
	binary.BigEndian.PutUint32(id[12:], uint32(i.made.Add(1)))
	return id
}

const (
	serverIDs uint16 = iota + 1
	deviceIDs
)

// house is a whole service on a database of its own, with a clock that the test moves.
type house struct {
	t       testing.TB
	path    string
	clock   *clock
	keys    *access.Keys
	store   *sqlite.Store
	service *clinic.Service
	handler http.Handler
	madeIDs *ids // by devices
	twins   *twins
}

var cheap = access.PasswordCost{MemoryKiB: 8, Iterations: 1, Parallelism: 1}

func newHouse(t testing.TB) *house {
	t.Helper()
	return newHouseWith(t, watch.Limits{})
}

func newHouseWith(t testing.TB, limits watch.Limits) *house {
	t.Helper()
	dir := t.TempDir()
	keys, err := access.LoadOrCreateKeys(filepath.Join(dir, "keys"), rand.Reader, start)
	require.NoError(t, err)
	return openHouseWith(t, filepath.Join(dir, "store.db"), keys, &clock{at: start}, &ids{space: deviceIDs}, limits)
}

func openHouse(t testing.TB, path string, keys *access.Keys, at *clock, made *ids) *house {
	t.Helper()
	return openHouseWith(t, path, keys, at, made, watch.Limits{})
}

func openHouseWith(t testing.TB, path string, keys *access.Keys, at *clock, made *ids, limits watch.Limits) *house {
	t.Helper()
	h := &house{t: t, path: path, clock: at, keys: keys, madeIDs: made}
	server := newServerIDs(at)
	sqlitetest.Begin(t, path, func(ctx context.Context, path string) (sqlitetest.Database, error) {
		return sqlite.Open(ctx, path, sqlite.Options{Logger: quiet(t), NewID: uuid.New, Now: at.now})
	})
	var err error
	h.store, err = sqlite.Open(t.Context(), path, sqlite.Options{Logger: quiet(t), NewID: server.next, Now: at.now})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, h.store.Close()) })
	require.NoError(t, h.store.Migrate(t.Context()))
	random := rand.Reader
	if isTwinned(t) {
		random = newSecrets()
	}
	h.service, h.handler = h.serve(h.store, random, server, limits)
	if isTwinned(t) {
		h.addTwins()
	}
	return h
}

func newServerIDs(at *clock) *ids {
	server := &ids{space: serverIDs}
	server.made.Store(uint64(at.now().Sub(start) / time.Millisecond)) // so that later openings make later ids
	return server
}

func quiet(t testing.TB) *slog.Logger {
	return slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelError}))
}

// serve returns the service over a store.
func (h *house) serve(store clinic.Store, random io.Reader, server *ids, limits watch.Limits) (*clinic.Service, http.Handler) {
	h.t.Helper()
	log := quiet(h.t)
	service := clinic.New(clinic.Config{
		Store: store, Journal: journal.NewMemory(server.next()), Keys: h.keys, Random: random, NewID: server.next, PasswordCost: cheap,
		Log: log, Listening: limits, PublicURL: publicURL,
	})
	h.t.Cleanup(service.EndListening)
	require.NoError(h.t, service.Prepare(h.t.Context(), h.clock.now()))
	handler, err := api.New(api.Config{Service: service, Keys: h.keys, Log: log, Now: h.clock.now})
	require.NoError(h.t, err)
	return service, handler
}

// read looks at the store beside the API.
func (h *house) read(fn func(ctx context.Context, view clinic.View) error) {
	h.t.Helper()
	require.NoError(h.t, h.store.Read(h.t.Context(), fn))
}

// checked fails the test unless a check of the whole store finds it in order.
func (h *house) checked() {
	h.t.Helper()
	report, err := h.service.Check(h.t.Context())
	require.NoError(h.t, err)
	assert.Empty(h.t, report.Differences)
	trails, err := h.service.VerifyAudit(h.t.Context(), nil)
	require.NoError(h.t, err)
	assert.Empty(h.t, trails.Faults)
}

// who is somebody who calls: a token is made for each call, so that moving the clock ends none.
type who struct {
	house     *house
	principal access.Principal
	raw       string // instead of a token made for the principal
}

func (w who) token() string {
	if w.raw != "" || w.principal.Role == "" {
		return w.raw
	}
	token, err := w.house.keys.Issue(w.principal, access.AccessTTL, w.house.clock.now(), "t1")
	require.NoError(w.house.t, err)
	return token
}

// nobody calls without a token, or with the text given.
func (h *house) nobody(token string) who { return who{house: h, raw: token} }

// session begins a session of a clinician that lasts as long as the test, whatever its clinic asks for at sign-in.
func (h *house) session(m clinic.Member) uuid.UUID {
	h.t.Helper()
	family := uuid.New()
	everywhere(h, func(_ *clinic.Service, store clinic.Store) (any, error) {
		return nil, store.InTx(h.t.Context(), func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddRefreshToken(ctx, clinic.RefreshToken{Hash: family[:], Family: family, Member: m.ID})
		})
	})
	return family
}

// site is a clinic and its people.
type site struct {
	*house
	id              uuid.UUID
	clinician, lead who
	scheduler       who
	members         map[access.Role]clinic.Member
}

const password = "seven slow snails"

// newSite adds a clinic that asks nobody for a second factor.
func (h *house) newSite(name string) *site {
	h.t.Helper()
	return h.newSiteAsking(name, "none")
}

func (h *house) newSiteAsking(name, secondFactor string) *site {
	h.t.Helper()
	c := everywhere(h, func(on *clinic.Service, _ clinic.Store) (clinic.Clinic, error) {
		return on.AddClinic(h.t.Context(), clinic.NewClinic{
			Name: name, Timezone: "America/Halifax", ClinicSettings: clinic.ClinicSettings{SecondFactor: secondFactor},
		}, h.clock.now())
	})
	s := &site{house: h, id: c.ID, members: map[access.Role]clinic.Member{}}
	for role, caller := range map[access.Role]*who{access.RoleClinician: &s.clinician, access.RoleLead: &s.lead} {
		m := h.newMember(clinic.NewMember{
			Clinic: c.ID, Email: string(role) + "@" + name + ".example", Name: "Invented", Role: role, Password: password,
		})
		s.members[role] = m
		*caller = who{house: h, principal: access.Principal{Role: role, ClinicID: c.ID, ClinicianID: m.ID, Session: h.session(m)}}
	}
	token := everywhere(h, func(on *clinic.Service, _ clinic.Store) (string, error) {
		return on.IssueServiceToken(h.t.Context(), c.ID, access.RoleScheduler, 300*24*time.Hour, h.clock.now())
	})
	s.scheduler = h.nobody(token)
	h.twins.add(s)
	return s
}

func (h *house) newMember(m clinic.NewMember) clinic.Member {
	h.t.Helper()
	return everywhere(h, func(on *clinic.Service, _ clinic.Store) (clinic.Member, error) {
		return on.AddMember(h.t.Context(), m, h.clock.now())
	})
}
