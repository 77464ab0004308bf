package sqlite

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	book "swallowtail/internal/journal"
	"swallowtail/internal/practice"
)

// The clinic whose evenings are measured: so many families that two rarely share a page by accident, each in the middle of its
// programme.
const (
	strandFamilies = 240
	strandEvenings = 7 // that each has handed in
	strandZone     = "America/Halifax"
	familiesAtOnce = 60 // in one transaction, while the clinic is filled
)

// strand is a clinic in a store of its own, and the use cases over it.
type strand struct {
	*clinic.Service
	t        testing.TB
	store    *Store
	first    time.Time // the evening of the first night
	clinic   uuid.UUID
	families []strandFamily
}

// strandFamily is a family and where its phone stands.
type strandFamily struct {
	family
	cursor string
}

func newStrand(t testing.TB) *strand {
	t.Helper()
	keys, err := access.LoadOrCreateKeys(filepath.Join(t.TempDir(), "keys"), rand.Reader, started)
	require.NoError(t, err)
	s := &strand{t: t, store: newStore(t), clinic: uuid.New()}
	s.Service = clinic.New(clinic.Config{
		Store: s.store, Journal: book.NewMemory(uuid.New()), Keys: keys, Random: rand.Reader, NewID: uuid.New, Log: testOptions(t).Logger,
	})
	require.NoError(t, s.Prepare(t.Context(), started))
	zone, err := practice.LoadZone(strandZone)
	require.NoError(t, err)
	s.first = time.Date(started.Year(), started.Month(), started.Day(), 19, 0, 0, 0, zone)
	s.add()
	for _, evenings := range [][2]int{{0, strandEvenings / 2}, {strandEvenings / 2, strandEvenings}} {
		for i := range s.families {
			s.families[i].cursor = "" // the answers before were of a transaction that others wrote in
		}
		at := s.night(evenings[1] - 1)
		for some := range slices.Chunk(s.families, familiesAtOnce) {
			s.together(some, at, evenings[0], evenings[1])
			at = at.Add(time.Minute)
		}
	}
	s.weigh(s.night(strandEvenings).Add(-7 * time.Hour))
	return s
}

// weigh does what the server does by itself soon after an upload: it folds anew what time has changed, and weighs whoever is not weighed.
func (s *strand) weigh(at time.Time) {
	s.t.Helper()
	_, err := s.Roster(s.t.Context(), access.Principal{Role: access.RoleLead, ClinicID: s.clinic, ClinicianID: uuid.New()},
		clinic.RosterQuery{Order: "nickname", Limit: 1}, at)
	require.NoError(s.t, err)
}

// night returns the hour of practice on the nth night of the programme, from 0.
func (s *strand) night(nth int) time.Time { return s.first.AddDate(0, 0, nth) }

// add adds the families, each with a learner on the plan built in and a phone.
func (s *strand) add() {
	s.t.Helper()
	first, err := practice.ParseNight(s.first.Format(time.DateOnly))
	require.NoError(s.t, err)
	require.NoError(s.t, s.store.InTx(s.t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		require.NoError(s.t, tx.AddClinic(ctx, clinic.Clinic{ID: s.clinic, Name: "Strand", Timezone: strandZone, Created: started}))
		for range strandFamilies {
			f := family{s.clinic, uuid.New(), uuid.New(), uuid.New(), uuid.New()}
			require.NoError(s.t, tx.AddHousehold(ctx, clinic.Household{ID: f.household, Clinic: s.clinic, Label: "A family", Created: started}))
			require.NoError(s.t, tx.AddCaregiver(ctx, clinic.Person{
				ID: f.caregiver, Household: f.household, Name: "Somebody", ConsentVersion: "1", Consented: started, Created: started,
			}))
			require.NoError(s.t, tx.AddDevice(ctx, clinic.Device{
				ID: f.device, Household: f.household, Caregiver: f.caregiver, Name: "phone", Platform: "android", Enrolled: started,
			}))
			require.NoError(s.t, tx.AddLearner(ctx, clinic.Learner{
				ID: f.learner, Household: f.household, Clinic: s.clinic, Nickname: "Kit " + f.learner.String()[:8], BirthMonth: "2019-05",
				Created: started,
			}))
			require.NoError(s.t, tx.AddEnrolment(ctx, clinic.Enrolment{
				ID: uuid.New(), Learner: f.learner, Plan: clinic.BuiltinPlan, FirstNight: first, Timezone: strandZone,
				ReminderAt: practice.TimeOfDay(19*60 + 30), Positions: practice.DefaultPlan().Positions, Status: clinic.Running, Written: started,
			}))
			s.families = append(s.families, strandFamily{family: f})
		}
		return nil
	}))
}

// within is a store whose every transaction is a part of one under way.
type within struct {
	clinic.Glances
	tx clinic.Tx
}

func (w within) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	return fn(ctx, w.tx)
}

func (w within) Read(ctx context.Context, fn func(ctx context.Context, view clinic.View) error) error {
	return fn(ctx, w.tx)
}

func (w within) Ready(context.Context) error { return nil }

// together has families hand in evenings, from one to before another, that share a commit.
func (s *strand) together(families []strandFamily, at time.Time, from, to int) {
	s.t.Helper()
	require.NoError(s.t, s.store.InTx(s.t.Context(), func(_ context.Context, tx clinic.Tx) error {
		config := s.Config
		config.Store = within{tx, tx}
		service := clinic.New(config)
		for i := range families {
			s.handIn(service, &families[i], at.Add(time.Duration(i)*time.Second), from, to)
		}
		return nil
	}))
}

// handIn has a family hand in evenings with one call.
func (s *strand) handIn(service *clinic.Service, f *strandFamily, at time.Time, from, to int) {
	s.t.Helper()
	var entries [][]byte
	for nth := from; nth < to; nth++ {
		entries = append(entries, f.written(s.t, s.night(nth).Add(-20*time.Minute))...)
	}
	a, err := service.Sync(s.t.Context(), access.Principal{
		Role: access.RoleDevice, ClinicID: s.clinic, HouseholdID: f.household, CaregiverID: f.caregiver, DeviceID: f.device,
		Session: uuid.New(), TokenID: uuid.NewString(),
	}, clinic.SyncRequest{Schema: 1, Cursor: f.cursor, Sent: at, Limit: clinic.MaxPage, Entries: entries}, at)
	require.NoError(s.t, err)
	require.Len(s.t, a.Results, 6*(to-from))
	for _, r := range a.Results {
		require.Equal(s.t, string(practice.Accepted), r.Status, "%v", r.Flaws)
	}
	f.cursor = a.Cursor
}

// written returns a session and its five tries as a phone sends them.
func (f *family) written(t testing.TB, at time.Time) [][]byte {
	t.Helper()
	var entries [][]byte
	write := func(kind string, body map[string]any) string {
		id := uuid.NewString()
		raw, err := json.Marshal(map[string]any{
			"id": id, "kind": kind, "subject": id, "replaces": []string{}, "learner_id": f.learner,
			"recorded_at": at.Add(5 * time.Minute).Format("2006-01-02T15:04:05.000Z07:00"), "body": body,
		})
		require.NoError(t, err)
		entries = append(entries, raw)
		return id
	}
	session := write("session", map[string]any{"practised_at": at.Format(time.RFC3339), "timezone": strandZone, "setting": "home"})
	for i, position := range []string{"centre", "right", "left", "up", "down"} {
		write("try", map[string]any{
			"session": session, "position": position, "number": 1, "medium": "sweet", "size_mm": 6, "outcome": "swallowed",
			"ease": 1 + (i+int(f.learner[0]))%5,
		})
	}
	return entries
}

// checkpoint has all that is in the log written back into the file, so that the log begins anew.
func (s *strand) checkpoint() {
	s.t.Helper()
	var busy, log, done int
	require.NoError(s.t, s.store.writer.db.QueryRowContext(s.t.Context(), `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &log, &done))
	require.Zero(s.t, busy)
}

// logged returns the numbers of the pages in the log, which has been begun anew, in the order in which they were written
// (https://www.sqlite.org/fileformat2.html#walformat).
func (s *strand) logged() []uint32 {
	s.t.Helper()
	const logHeader, frameHeader = 32, 24
	log, err := os.Open(s.store.path + "-wal")
	require.NoError(s.t, err)
	defer log.Close() //nolint:errcheck // only read from
	header := make([]byte, logHeader)
	_, err = io.ReadFull(log, header)
	require.NoError(s.t, err)
	size := binary.BigEndian.Uint32(header[8:])
	var pages []uint32
	for frame := make([]byte, frameHeader+size); ; {
		if _, err := io.ReadFull(log, frame); err != nil {
			require.ErrorIs(s.t, err, io.EOF)
			return pages
		}
		require.Equal(s.t, header[16:24], frame[8:16], "a frame from before the log was begun anew")
		pages = append(pages, binary.BigEndian.Uint32(frame))
	}
}

// owners returns what each page of the file belongs to (https://www.sqlite.org/dbstat.html).
func (s *strand) owners() map[uint32]string {
	s.t.Helper()
	rows, err := s.store.writer.db.QueryContext(s.t.Context(), `SELECT pageno, name FROM dbstat`)
	require.NoError(s.t, err)
	defer rows.Close()
	owners := map[uint32]string{}
	for rows.Next() {
		var page uint32
		var name string
		require.NoError(s.t, rows.Scan(&page, &name))
		owners[page] = name
	}
	require.NoError(s.t, rows.Err())
	return owners
}

// perEvening says to which tables and indexes pages in the log belong, in pages for each of some evenings, and returns how many that is
// altogether.
func (s *strand) perEvening(what string, pages []uint32, evenings int) float64 {
	s.t.Helper()
	owners, counts := s.owners(), map[string]float64{}
	for _, page := range pages {
		counts[cmp.Or(owners[page], "none")] += 1 / float64(evenings)
	}
	all := float64(len(pages)) / float64(evenings)
	s.t.Logf("%s: %.1f pages an evening%s", what, all, sorted(counts, "%8.2f %s"))
	return all
}

// octets says how much room an evening takes in the file, in whole pages.
func (s *strand) octets(evenings int) {
	s.t.Helper()
	rows, err := s.store.writer.db.QueryContext(s.t.Context(), `SELECT name, pgsize FROM dbstat WHERE aggregate = TRUE`)
	require.NoError(s.t, err)
	defer rows.Close()
	sizes := map[string]float64{}
	for rows.Next() {
		var name string
		var size float64
		require.NoError(s.t, rows.Scan(&name, &size))
		if size > 16*float64(evenings) { // an octet or two are of other things
			sizes[name] = size / float64(evenings)
		}
	}
	require.NoError(s.t, rows.Err())
	s.t.Logf("octets an evening%s", sorted(sizes, "%8.0f %s"))
}

// sorted lists values, the largest first, each on a line of its own.
func sorted(values map[string]float64, form string) string {
	var lines strings.Builder
	for _, name := range slices.SortedFunc(maps.Keys(values), func(a, b string) int { return cmp.Compare(values[b], values[a]) }) {
		fmt.Fprintf(&lines, "\n"+form, values[name], name)
	}
	return lines.String()
}

// TestAnEveningWritesFewPages counts the pages that evenings write to the log, where the time of a commit and the life of the disk go:
// each alone, with the weighing that follows, and twenty and fifty that share a commit.
func TestAnEveningWritesFewPages(t *testing.T) {
	t.Parallel()
	const alone, some, together = 72, 20, 50
	s := newStrand(t)
	var chosen []strandFamily // any of them in a row are from all over the clinic
	for i := range alone + some + together {
		chosen = append(chosen, s.families[i*101%strandFamilies])
	}
	at := s.night(strandEvenings)

	s.checkpoint()
	for i := range alone {
		s.handIn(s.Service, &chosen[i], at.Add(time.Duration(i)*time.Second), strandEvenings, strandEvenings+1)
	}
	assert.LessOrEqual(t, s.perEvening("alone", s.logged(), alone), 12.0)

	s.checkpoint()
	s.weigh(at.Add(time.Minute))
	assert.LessOrEqual(t, s.perEvening("weighed, ten together", s.logged(), alone), 3.0)

	s.checkpoint()
	s.together(chosen[alone:alone+some], at.Add(time.Minute), strandEvenings, strandEvenings+1)
	assert.LessOrEqual(t, s.perEvening("twenty together", s.logged(), some), 5.0)

	s.checkpoint()
	s.together(chosen[alone+some:], at.Add(time.Minute), strandEvenings, strandEvenings+1)
	assert.LessOrEqual(t, s.perEvening("fifty together", s.logged(), together), 3.5)
	s.octets(strandFamilies*strandEvenings + alone + some + together)
}
