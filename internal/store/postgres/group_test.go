package postgres

import (
	"context"
	"errors"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
)

// family is one that a server knows, and so hands in evenings without a look at it.
type family struct {
	device, learner uuid.UUID
	as              clinic.Assumption
	projection      clinic.Projection
	entries         int
	id              uuid.UUID // of its next entry, if it is not to be a new one
	more            []call    // to be run with the next evening
}

func newClinic(t *testing.T, s *Store) uuid.UUID {
	t.Helper()
	c := aClinic()
	require.NoError(t, addOne(t.Context(), s, c))
	return c.ID
}

func newFamily(t *testing.T, s *Store, of uuid.UUID) *family {
	t.Helper()
	household, caregiver, session := uuid.New(), uuid.New(), uuid.New()
	f := &family{device: uuid.New(), learner: uuid.New(), entries: 6}
	f.projection = clinic.Projection{Learner: f.learner, Clinic: of, Folded: started}
	f.as = clinic.Assumption{
		Household: household, Clinic: of, Learners: []clinic.Learner{{ID: f.learner, Household: household, Clinic: of}},
		Devices: []clinic.Device{{ID: f.device, Household: household}}, By: &clinic.Bearer{Session: session, Device: f.device},
	}
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		for _, err := range []error{
			tx.AddHousehold(ctx, clinic.Household{ID: household, Clinic: of, Created: started}),
			tx.AddCaregiver(ctx, clinic.Person{ID: caregiver, Household: household, Created: started}),
			tx.AddDevice(ctx, clinic.Device{ID: f.device, Household: household, Caregiver: caregiver, Enrolled: started}),
			tx.AddLearner(ctx, clinic.Learner{ID: f.learner, Household: household, Clinic: of, Created: started}),
			tx.AddRefreshToken(ctx, clinic.RefreshToken{Hash: session[:], Family: session, Device: f.device}),
			tx.SaveProjection(ctx, f.projection, nil),
		} {
			if err != nil {
				return err
			}
		}
		return nil
	}))
	f.look(t, s)
	return f
}

// look has it known how things stand.
func (f *family) look(t *testing.T, s *Store) {
	t.Helper()
	require.NoError(t, s.Read(t.Context(), func(ctx context.Context, v clinic.View) (err error) {
		if f.as.Edition, err = v.Edition(ctx, f.as.Household); err == nil {
			f.as.Head, err = v.Head(ctx, f.as.Household)
		}
		return err
	}))
}

// evening hands one in.
func (f *family) evening(ctx context.Context, store clinic.Tx) error {
	if err := store.Assume(ctx, f.as); err != nil {
		return err
	}
	head := f.as.Head
	entries := make([]clinic.StoredEntry, f.entries)
	for n := range entries {
		entries[n] = clinic.StoredEntry{
			Rev: head.Rev + int64(n) + 1, ID: uuid.New(), Learner: f.learner, Device: f.device, Received: started, Stored: started,
		}
	}
	if f.id != uuid.Nil {
		entries[0].ID = f.id
	}
	p := f.projection
	p.Urgency++
	p.Nights = append(p.Nights, clinic.ProjectedNight{Night: practice.Night(head.Rev), ChangedRev: head.Rev})
	err := errors.Join(
		store.AppendEntries(ctx, f.as.Household, entries, nil), store.Heard(ctx, f.device, started), store.SaveProjection(ctx, p, &f.projection),
		store.AppendAudit(ctx, audit.Row{Clinic: f.as.Clinic, At: started, Did: "sync", Outcome: audit.Done}),
		store.(*tx).write(f.more...),
	)
	if err != nil {
		return err
	}
	f.projection = p
	if f.as.Edition, err = store.Edition(ctx, f.as.Household); err == nil {
		f.as.Head, err = store.Head(ctx, f.as.Household)
	}
	return err
}

// inCompany has families hand in an evening each, as one group and in this order, and returns what they were answered.
func inCompany(t *testing.T, s *Store, families ...*family) []error {
	t.Helper()
	others := allOut(s)
	answers := make([]error, len(families))
	var all sync.WaitGroup
	for i, f := range families {
		all.Go(func() { answers[i] = s.InTx(t.Context(), f.evening) })
		waiting(t, s, i+1)
	}
	for range others {
		s.queue.back()
	}
	all.Wait()
	return answers
}

// allOut has as many groups be under way as may be, and returns how many have yet to come back.
func allOut(s *Store) int {
	s.queue.mu.Lock()
	defer s.queue.mu.Unlock()
	others := s.queue.free
	s.queue.free = 0
	return others
}

// waiting waits until so many wait for their turn.
func waiting(t *testing.T, s *Store, count int) {
	t.Helper()
	require.Eventually(t, func() bool {
		s.queue.mu.Lock()
		defer s.queue.mu.Unlock()
		return len(s.queue.waiting) == count
	}, 10*time.Second, 100*time.Microsecond)
}

// handedIn returns how many entries there are of a family, and how many rows on its clinic's trail.
func handedIn(t *testing.T, s *Store, f *family) (entries int, rows int64) {
	t.Helper()
	entries, rows, err := handedInBy(t.Context(), s, f)
	require.NoError(t, err)
	return entries, rows
}

func handedInBy(ctx context.Context, s *Store, f *family) (entries int, rows int64, err error) {
	err = s.Read(ctx, func(ctx context.Context, v clinic.View) error {
		all, err := v.Entries(ctx, f.as.Household, 0, 0)
		if err != nil {
			return err
		}
		head, err := v.AuditHead(ctx, f.as.Clinic)
		entries, rows = len(all), head.Seq
		return err
	})
	return entries, rows, err
}

func families(t *testing.T, s *Store, count int) []*family {
	t.Helper()
	of, all := newClinic(t, s), make([]*family, count)
	for i := range all {
		all[i] = newFamily(t, s, of)
	}
	return all
}

func TestThoseWhoComeTogetherShareATrip(t *testing.T) {
	t.Parallel()
	s, counted := countedStore(t)
	all := families(t, s, 5)
	for _, err := range inCompany(t, s, all...) { // prepares the statements
		require.NoError(t, err)
	}
	before := counted.count.Load()
	for _, err := range inCompany(t, s, all...) {
		require.NoError(t, err)
	}
	assert.Equal(t, int64(1), counted.count.Load()-before)
	for _, f := range all {
		entries, rows := handedIn(t, s, f)
		assert.Equal(t, 12, entries)
		assert.Equal(t, int64(10), rows)
	}
	assert.Equal(t, newQueue(defaultConnections).free, s.queue.free, "all groups are back")
}

// TestAGroupIsAsLargeAsItMayBe lets more come than a group takes.
func TestAGroupIsAsLargeAsItMayBe(t *testing.T) {
	t.Parallel()
	s, counted := countedStore(t)
	all := families(t, s, fewInGroup+2)
	inCompany(t, s, all...) // prepares the statements, of two connections
	inCompany(t, s, all...)
	before := counted.count.Load()
	for _, err := range inCompany(t, s, all...) {
		require.NoError(t, err)
	}
	assert.Equal(t, int64(2), counted.count.Load()-before)
}

// TestThereAreTwoGroupsIfThereCanBe counts how many may set out with so many connections.
func TestThereAreTwoGroupsIfThereCanBe(t *testing.T) {
	t.Parallel()
	for connections, groups := range map[int32]int{1: 1, 2: 1, 3: 1, 4: 2, 8: 2, 16: 2, 23: 2, 24: 3, 64: 8} {
		assert.Equal(t, groups, newQueue(connections).free, connections)
	}
}

// TestAGroupLeavesHalfToTheNext has many wait while the groups come back one after the other.
func TestAGroupLeavesHalfToTheNext(t *testing.T) {
	t.Parallel()
	q := newQueue(defaultConnections)
	for q.free > 0 {
		require.True(t, q.await(t.Context(), &member{}, 0).leads)
	}
	all := make([]*member, 40)
	for i := range all {
		all[i] = &member{turn: make(chan turn, 1)}
	}
	q.waiting = slices.Clone(all)
	for _, size := range []int{12, 12, 8, 6, 2} {
		q.back()
		assert.Equal(t, turn{leads: true, others: all[1:size]}, <-all[0].turn)
		all = all[size:]
	}
	assert.Empty(t, all)
	assert.Empty(t, q.waiting)
}

// TestAGroupIsOnTheDisk looks how far the server's log is on the disk once a group has returned, where all commit and where one is refused:
// at least to where it was when the last of those who were not had written all but the commit.
func TestAGroupIsOnTheDisk(t *testing.T) {
	t.Parallel()
	s := ownStore(t)
	_, err := s.pool.Exec(t.Context(), `CREATE TABLE noted (at pg_lsn)`)
	require.NoError(t, err)
	note := statement{"note", `INSERT INTO noted SELECT pg_current_wal_insert_lsn()`}
	all := families(t, s, 4)
	for n := range 40 {
		refused := n % 4 // the first, the second or the third, or none
		for i, f := range all {
			f.look(t, s)
			if f.more = nil; i < refused || refused == 0 {
				f.more = []call{note.of()}
			}
		}
		if refused > 0 {
			all[refused].as.Edition.Number++
		}
		for i, err := range inCompany(t, s, all...) {
			require.Equal(t, refused > 0 && i == refused, err != nil, "%d of %d: %v", i, refused, err)
		}
		var onDisk bool
		require.NoError(t, s.pool.QueryRow(t.Context(), `SELECT pg_current_wal_flush_lsn() >= max(at) FROM noted`).Scan(&onDisk))
		require.True(t, onDisk)
	}
}

// TestNobodyFailsForAnother refuses two of a group, each for a reason of its own.
func TestNobodyFailsForAnother(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	all := families(t, s, 6)
	all[1].as.Edition.Number++
	all[4].id = uuid.New()
	require.NoError(t, s.InTx(t.Context(), all[4].evening)) // so that the id is taken
	answers := inCompany(t, s, all...)
	require.ErrorIs(t, answers[1], clinic.ErrChanged)
	require.ErrorContains(t, answers[1], assume.task)
	assert.Equal(t, fault.Conflict, fault.KindOf(answers[4]))
	require.ErrorContains(t, answers[4], insertEntries.task)
	for i, want := range []int{6, 0, 6, 6, 6, 6} {
		entries, rows := handedIn(t, s, all[i])
		assert.Equal(t, want, entries, i)
		assert.Equal(t, int64(5), rows)
		if i != 1 && i != 4 {
			require.NoError(t, answers[i])
		}
	}
}

// TestNobodyWaitsForAnothersHousehold has somebody hold the household of one of a group, until the others are done.
func TestNobodyWaitsForAnothersHousehold(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	all := families(t, s, 3)
	held, othersDone := make(chan struct{}), make(chan bool, 1)
	go func() {
		_ = s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
			_, err := tx.Head(ctx, all[1].as.Household)
			close(held)
			othersDone <- assert.Eventually(t, func() bool {
				one, _, err := handedInBy(ctx, s, all[0])
				other, _, again := handedInBy(ctx, s, all[2])
				return errors.Join(err, again) == nil && one == 6 && other == 6
			}, defaultPatience/2, time.Millisecond)
			return err
		})
	}()
	<-held
	for _, err := range inCompany(t, s, all...) {
		require.NoError(t, err)
	}
	assert.True(t, <-othersDone)
	entries, rows := handedIn(t, s, all[1])
	assert.Equal(t, 6, entries, "whose household was held as it was, and only for a while")
	assert.Equal(t, int64(3), rows)
}

// TestNobodyWaitsForAnothersTrail has somebody keep the trail of one of a group, until another of another clinic is done.
func TestNobodyWaitsForAnothersTrail(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	here, elsewhere := newFamily(t, s, newClinic(t, s)), newFamily(t, s, newClinic(t, s))
	kept, otherDone := make(chan struct{}), make(chan bool, 1)
	go func() {
		_ = s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
			_, err := tx.AuditHead(ctx, here.as.Clinic)
			close(kept)
			otherDone <- assert.Eventually(t, func() bool {
				entries, _, err := handedInBy(ctx, s, elsewhere)
				return err == nil && entries == 6
			}, defaultPatience/2, time.Millisecond)
			return err
		})
	}()
	<-kept
	for _, err := range inCompany(t, s, here, elsewhere) {
		require.NoError(t, err)
	}
	assert.True(t, <-otherDone)
	entries, rows := handedIn(t, s, here)
	assert.Equal(t, 6, entries)
	assert.Equal(t, int64(1), rows)
}

// lostEnd is a server that goes away when it is to roll back what it refused.
type lostEnd struct {
	*trips
	other *Store
	armed atomic.Bool
}

func (l *lostEnd) TraceQueryStart(ctx context.Context, conn *pgx.Conn, data pgx.TraceQueryStartData) context.Context {
	if data.SQL == "ROLLBACK" && conn.PgConn().TxStatus() == 'E' && l.armed.CompareAndSwap(true, false) {
		_, _ = l.other.pool.Exec(ctx, `SELECT pg_terminate_backend($1, 5000)`, int32(conn.PgConn().PID()))
	}
	return l.trips.TraceQueryStart(ctx, conn, data)
}

// TestAConnectionLostBehindARefusal loses it before it is known whether what was committed is on the disk.
func TestAConnectionLostBehindARefusal(t *testing.T) {
	t.Parallel()
	end := &lostEnd{trips: &trips{}, other: newStore(t)}
	s := tracedStore(t, end)
	all := families(t, s, 3)
	all[1].as.Edition.Number++
	end.armed.Store(true)
	answers := inCompany(t, s, all...)
	assert.False(t, end.armed.Load())
	assert.Equal(t, fault.Unavailable, fault.KindOf(answers[0]), "%v", answers[0])
	require.ErrorIs(t, answers[1], clinic.ErrChanged)
	require.NoError(t, answers[2])
}

// TestAConnectionLostWithAGroup has the server end it in the midst of the group. Nobody is told that all is well of whom nobody knows it, and
// who asks again finds out.
func TestAConnectionLostWithAGroup(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	all := families(t, s, 4)
	all[2].more = []call{statement{"lose connection", `SELECT pg_terminate_backend(pg_backend_pid())`}.of()}
	for i, err := range inCompany(t, s, all...) {
		assert.Equal(t, fault.Unavailable, fault.KindOf(err), "%d: %v", i, err)
	}
	all[2].more = nil
	for i, f := range all {
		before, _ := handedIn(t, s, f)
		assert.Contains(t, map[int][]int{0: {0, 6}, 1: {0, 6}, 2: {0}, 3: {0}}[i], before, i)
		f.look(t, s)
		require.NoError(t, s.InTx(t.Context(), f.evening))
		after, _ := handedIn(t, s, f)
		assert.Equal(t, before+6, after)
	}
}

// TestWhoeverGivesUpLeaves while others wait, of whom nobody fails for it.
func TestWhoeverGivesUpLeaves(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	all := families(t, s, 2)
	others := allOut(s)
	ctx, giveUp := context.WithCancel(t.Context())
	first, second := make(chan error, 1), make(chan error, 1)
	go func() { first <- s.InTx(ctx, all[0].evening) }()
	waiting(t, s, 1)
	go func() { second <- s.InTx(t.Context(), all[1].evening) }()
	waiting(t, s, 2)
	giveUp()
	require.ErrorIs(t, <-first, context.Canceled)
	for range others {
		s.queue.back()
	}
	require.NoError(t, <-second)
	entries, _ := handedIn(t, s, all[0])
	assert.Zero(t, entries)
}

// TestWhoeverLeadsTakesTheOthersHome although its own caller has given up.
func TestWhoeverLeadsTakesTheOthersHome(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	all := families(t, s, 2)
	ctx, giveUp := context.WithCancel(t.Context())
	all[0].more = []call{statement{"take a while", `SELECT pg_sleep(0.2)`}.of()}
	others := allOut(s)
	first, second := make(chan error, 1), make(chan error, 1)
	go func() { first <- s.InTx(ctx, all[0].evening) }()
	waiting(t, s, 1)
	go func() { second <- s.InTx(t.Context(), all[1].evening) }()
	waiting(t, s, 2)
	for range others {
		s.queue.back()
	}
	time.AfterFunc(100*time.Millisecond, giveUp)
	require.NoError(t, <-second)
	require.NoError(t, <-first, "it is in the database")
	entries, _ := handedIn(t, s, all[0])
	assert.Equal(t, 6, entries)
}

// TestWhoeverSetsOutAloneMayGiveUp on the way, and nothing comes of it.
func TestWhoeverSetsOutAloneMayGiveUp(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	f := newFamily(t, s, newClinic(t, s))
	f.more = []call{statement{"take a while", `SELECT pg_sleep(30)`}.of()}
	ctx, giveUp := context.WithTimeout(t.Context(), time.Second/2)
	defer giveUp()
	require.ErrorIs(t, s.InTx(ctx, f.evening), context.DeadlineExceeded)
	entries, rows := handedIn(t, s, f)
	assert.Zero(t, entries)
	assert.Zero(t, rows)
}

// TestAGroupTakesNoLongerThanAStatement has one of a group take longer. Nobody's own time is up, so all may ask again.
func TestAGroupTakesNoLongerThanAStatement(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	all := families(t, s, 3)
	all[1].more = []call{statement{"take a while", `SELECT pg_sleep(30)`}.of()}
	s.options.Patience = time.Second / 2
	for i, err := range inCompany(t, s, all...) {
		assert.Equal(t, fault.Unavailable, fault.KindOf(err), "%d: %v", i, err)
	}
}

func TestPatienceWithGroups(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	all := families(t, s, 3)
	s.options.Patience = time.Second / 2
	allOut(s)
	err := s.InTx(t.Context(), all[0].evening)
	assert.Equal(t, fault.Unavailable, fault.KindOf(err))
	require.ErrorIs(t, err, errBusy)
	all[1].entries = entriesInGroup + 1
	require.NoError(t, s.InTx(t.Context(), all[1].evening), "who brings much goes alone, and waits for no group")
	all[2].more = slices.Repeat([]call{statement{"look", `SELECT 1`}.of()}, callsInGroup)
	require.NoError(t, s.InTx(t.Context(), all[2].evening), "nor does who has much done")
}
