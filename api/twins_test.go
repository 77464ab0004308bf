package api_test

import (
	"context"
	"encoding/json"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/apitest"
	"swallowtail/internal/clinic"
	"swallowtail/internal/store/memory"
	"swallowtail/internal/store/postgres"
	"swallowtail/internal/store/postgres/postgrestest"
	"swallowtail/internal/watch"
)

// In this test, and in those that it runs, every house has twins: servers that stand on other stores, and are told all that the
// house's own is told. What they answer must be the same.
const twinned = "TestEveryStoreAnswersTheSame"

func isTwinned(t testing.TB) bool { return strings.HasPrefix(t.Name(), twinned+"/") }

// isRead reports whether a test is of a chapter of which everything is read in the end.
func isRead(t testing.TB) bool {
	return slices.ContainsFunc(readChapters, func(name string) bool { return strings.HasPrefix(t.Name(), twinned+"/"+name+"/") })
}

// drawnApart is the one thing in any answer that is not the same: what makes a clinician's device known is sealed over the hash of
// their password, whose salt the library that hashes draws by itself.
var drawnApart = regexp.MustCompile(`"known_device":"[^"]*",`)

// compared counts what all houses with twins were asked.
var compared = sync.OnceValue(func() *apitest.Tally {
	d, err := apitest.Describe()
	if err != nil {
		panic(err)
	}
	return &apitest.Tally{Description: d}
})

// secrets are the same in every house with twins, and on each of its servers.
type secrets struct {
	mu   sync.Mutex
	from *rand.ChaCha8
}

func newSecrets() *secrets { return &secrets{from: rand.NewChaCha8([32]byte{7})} }

// Read implements io.Reader.
func (s *secrets) Read(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.from.Read(b)
}

// twin is a server beside a house's own.
type twin struct {
	name    string
	store   clinic.Store
	service *clinic.Service
}

// twins are those of a house, and whom of its people one may ask in the end. There are none in most tests.
type twins struct {
	others []twin
	sites  []*site
	phones map[string]*phone // one of each household
}

func (t *twins) add(s *site) {
	if t != nil {
		t.sites = append(t.sites, s)
	}
}

func (t *twins) addPhone(p *phone) {
	if t != nil && t.phones[p.family.household] == nil {
		t.phones[p.family.household] = p
	}
}

// addTwins sets servers beside the house's own: on a store in memory, and on PostgreSQL where there is a server.
func (h *house) addTwins() {
	h.t.Helper()
	h.twins = &twins{phones: map[string]*phone{}}
	all := &apitest.Servers{
		All:   []apitest.Server{{Name: "SQLite", Handler: h.handler}},
		Tally: compared(),
		Differs: func(call, server, difference string) {
			h.t.Errorf("%s is answered by %s otherwise than on SQLite: %s", call, server, difference)
		},
		Stream: streamPath, Listen: untilAnEvent, Apart: drawnApart,
	}
	add := func(name string, open func(epoch uuid.UUID) clinic.Store) {
		server := newServerIDs(h.clock)
		store := open(server.next())
		service, handler := h.serve(store, newSecrets(), server, watch.Limits{})
		h.twins.others = append(h.twins.others, twin{name, store, service})
		all.All = append(all.All, apitest.Server{Name: name, Handler: handler})
	}
	add("memory", func(epoch uuid.UUID) clinic.Store { return memory.New(epoch) })
	if postgrestest.Named() {
		add("PostgreSQL", h.openPostgres)
	}
	h.handler = all
	if isRead(h.t) {
		h.t.Cleanup(func() { h.compareAll(all) })
	}
}

// openPostgres opens a new store whose history has the name given.
func (h *house) openPostgres(epoch uuid.UUID) clinic.Store {
	h.t.Helper()
	options := postgres.Options{Logger: slog.New(slog.DiscardHandler), NewID: uuid.New, Now: h.clock.now, Connections: 4}
	address := postgrestest.Lent(h.t, func(ctx context.Context, address string) error {
		store, err := postgres.Open(ctx, address, options)
		if err != nil {
			return err
		}
		defer store.Close() //nolint:errcheck // never fails
		return store.Migrate(ctx)
	})
	store, err := postgres.Open(h.t.Context(), address, options)
	require.NoError(h.t, err)
	h.t.Cleanup(func() { assert.NoError(h.t, store.Close()) })
	require.NoError(h.t, store.InTx(h.t.Context(), func(ctx context.Context, tx clinic.Tx) error { return tx.RenewEpoch(ctx, epoch) }))
	return store
}

// everywhere does something beside the API on each of a house's servers, and returns what the first makes of it.
func everywhere[T any](h *house, do func(on *clinic.Service, store clinic.Store) (T, error)) T {
	h.t.Helper()
	made, err := do(h.service, h.store)
	require.NoError(h.t, err)
	if h.twins == nil {
		return made
	}
	for _, other := range h.twins.others {
		same, err := do(other.service, other.store)
		require.NoError(h.t, err, other.name)
		assert.Equal(h.t, hashless(made), hashless(same), other.name)
	}
	return made
}

// hashless returns something without the hash of a password.
func hashless(made any) any {
	if m, is := made.(clinic.Member); is {
		m.PasswordHash = ""
		return m
	}
	return made
}

// compareAll reads, once a test has ended, whatever can be read of its clinics, on the evening itself and a day later.
func (h *house) compareAll(all *apitest.Servers) {
	ask := func(as who, method, path string, body []byte) []byte {
		r := httptest.NewRequestWithContext(context.WithoutCancel(h.t.Context()), method, path, strings.NewReader(string(body)))
		r.Header.Set("Authorization", "Bearer "+as.token())
		if body != nil {
			r.Header.Set("Content-Type", "application/json")
		}
		recorder := httptest.NewRecorder()
		all.ServeHTTP(recorder, r)
		return recorder.Body.Bytes()
	}
	reads := func(as who) func(string) []byte {
		return func(path string) []byte { return ask(as, http.MethodGet, path, nil) }
	}
	evening := h.clock.now()
	h.clock.advance(26 * time.Hour)
	for _, s := range h.twins.sites {
		all.Tally.Description.Readings(apitest.Callers{Lead: reads(s.lead), Scheduler: reads(s.scheduler)}, evening.UTC().Format(time.RFC3339))
	}
	for _, p := range h.twins.phones {
		all.Tally.Description.Readings(apitest.Callers{Device: reads(p.who)}, "")
		readFeed(func(body []byte) []byte { return ask(p.who, http.MethodPost, "/v1/sync", body) }, p)
	}
	for _, other := range h.twins.others {
		report, err := other.service.Check(context.WithoutCancel(h.t.Context()))
		require.NoError(h.t, err, other.name)
		assert.Empty(h.t, report.Differences, other.name)
	}
}

// readFeed follows a household's feed from its beginning.
func readFeed(ask func(body []byte) []byte, p *phone) {
	var page struct {
		Cursor *string
		More   bool
	}
	for range 40 {
		envelope := p.envelope()
		envelope["cursor"], envelope["limit"] = page.Cursor, 7
		page.More = false
		if json.Unmarshal(ask(encoded(p.house.t, envelope)), &page) != nil || !page.More {
			return
		}
	}
}
