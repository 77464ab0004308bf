package clinic_test

import (
	"context"
	"errors"
	"net/netip"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// trail returns the whole audit trail of the house's clinic, after following it.
func (h *house) trail() []audit.Row {
	h.t.Helper()
	var rows []audit.Row
	require.NoError(h.t, h.Store.Read(h.t.Context(), func(ctx context.Context, view clinic.View) error {
		var err error
		rows, err = view.AuditRows(ctx, clinic.AuditQuery{Clinic: h.clinic.ID, Limit: 100_000})
		return err
	}))
	head := audit.Head{Clinic: h.clinic.ID}
	for i := range rows {
		var err error
		head, err = head.Follow(&rows[i])
		require.NoError(h.t, err)
	}
	return rows
}

// entered returns the rows that a function leaves on the trail.
func (h *house) entered(do func()) []audit.Row {
	h.t.Helper()
	before := len(h.trail())
	do()
	return h.trail()[before:]
}

// TestWhoReadAndChangedWhat holds each kind of call to the row it leaves, by a phone, a clinician and a program.
func TestWhoReadAndChangedWhat(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	ctx := access.WithOrigin(t.Context(), netip.MustParseAddr("192.0.2.7"))
	at := started.Add(time.Hour)
	h.clinician.TokenID, h.phone.TokenID = "token of the lead", "token of the phone"
	stranger := uuid.New()
	row := func(p access.Principal, did, outcome string) audit.Row {
		who := p.ClinicianID
		if p.Role == access.RoleDevice {
			who = p.DeviceID
		}
		return audit.Row{
			Clinic: h.clinic.ID, At: at, Role: string(p.Role), Who: who, Token: p.TokenID, From: "192.0.2.7", Did: did, Outcome: outcome,
		}
	}
	about := func(r audit.Row, household, learner, thing uuid.UUID) audit.Row {
		r.Household, r.Learner, r.Thing = household, learner, thing
		return r
	}
	clinician := h.clinician
	clinician.Role = access.RoleClinician
	for name, test := range map[string]struct {
		do   func() error
		want audit.Row
	}{
		"a summary": {func() error {
			_, err := h.Summary(ctx, h.clinician, h.learner, clinic.Question{}, at)
			return err
		}, about(row(h.clinician, "getSummary", "done"), h.household, h.learner, uuid.Nil)},
		"a family's summary": {func() error {
			_, err := h.Summary(ctx, h.phone, h.learner, clinic.Question{}, at)
			return err
		}, about(row(h.phone, "getSummary", "done"), h.household, h.learner, uuid.Nil)},
		"one that is not there": {func() error {
			_, err := h.Summary(ctx, h.clinician, stranger, clinic.Question{}, at)
			return err
		}, about(row(h.clinician, "getSummary", "not-found"), uuid.Nil, stranger, uuid.Nil)},
		"the roster": {func() error {
			_, err := h.Roster(ctx, h.clinician, clinic.RosterQuery{Order: "missed", Limit: 1}, at)
			return err
		}, row(h.clinician, "getRoster", "done")},
		"what is the lead's": {func() error {
			_, err := h.Audit(ctx, clinician, clinic.AuditPage{Limit: 1}, at)
			return err
		}, row(clinician, "listAudit", "forbidden")},
		"the trail itself": {func() error {
			_, err := h.Audit(ctx, h.clinician, clinic.AuditPage{Learner: h.learner, Limit: 1}, at)
			return err
		}, about(row(h.clinician, "listAudit", "done"), uuid.Nil, h.learner, uuid.Nil)},
		"a sync call": {func() error {
			_, err := h.Sync(ctx, h.phone, clinic.SyncRequest{Schema: 1, Sent: at, Limit: 1}, at)
			return err
		}, about(row(h.phone, "sync", "done"), h.household, uuid.Nil, uuid.Nil)},
		"a pause of nobody's": {func() error {
			_, err := h.SetEnrolmentStatus(ctx, h.clinician, stranger, clinic.Paused, "", at)
			return err
		}, about(row(h.clinician, "setEnrolmentStatus", "not-found"), uuid.Nil, uuid.Nil, stranger)},
	} {
		var err error
		rows := h.entered(func() { err = test.do() })
		require.Len(t, rows, 1, name)
		got := rows[0]
		got.Seq, got.Hash = 0, [32]byte{}
		assert.Equal(t, test.want, got, name)
		assert.Equal(t, test.want.Outcome == audit.Done, err == nil, "%s: %v", name, err)
	}
}

// TestWhatLeavesNoTrail: what was asked for in a wrong way, and what tells nothing of anybody.
func TestWhatLeavesNoTrail(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	rows := h.entered(func() {
		_, err := h.CreateHousehold(t.Context(), h.clinician, "", started)
		require.Equal(t, fault.Invalid, fault.KindOf(err))
		_, err = h.Summary(t.Context(), h.clinician, h.learner, clinic.Question{AsOf: started.AddDate(1, 0, 0)}, started)
		require.Equal(t, fault.Invalid, fault.KindOf(err))
		_, err = h.Plans(t.Context(), h.clinician, started)
		require.NoError(t, err)
	})
	assert.Empty(t, rows)
}

// TestAChangeAndItsRowAreOne: a change whose row can't be written is none.
func TestAChangeAndItsRowAreOne(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	before := h.trail()
	sound := h.Store
	h.Store = mute{sound}
	_, err := h.CreateHousehold(t.Context(), h.clinician, "green folder", started)
	require.ErrorIs(t, err, errMute)
	h.Store = sound
	assert.Equal(t, before, h.trail())
	households, err := h.Households(t.Context(), h.clinician, clinic.Page{Limit: 10}, started)
	require.NoError(t, err)
	assert.Len(t, households, 1)
}

var errMute = errors.New("no row can be written")

// mute is a store on whose trails nothing can be put.
type mute struct{ clinic.Store }

type muteTx struct{ clinic.Tx }

func (muteTx) AppendAudit(context.Context, audit.Row) error { return errMute }

func (m mute) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	return m.Store.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error { return fn(ctx, muteTx{tx}) })
}

// counted counts the transactions of a store, and lets the first of them wait until the gate is opened.
type counted struct {
	clinic.Store
	began atomic.Int64
	gate  chan struct{}
}

func (c *counted) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	if c.began.Add(1) == 1 {
		<-c.gate
	}
	return c.Store.InTx(ctx, fn)
}

// TestReadingsShareACommit: rows of readings that come while one is written are written together, each once.
func TestReadingsShareACommit(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	const many = 40
	store := &counted{Store: h.Store, gate: make(chan struct{})}
	h.Store = store
	rows := h.entered(func() {
		var readers sync.WaitGroup
		var answered atomic.Int64
		for range many {
			readers.Go(func() {
				_, err := h.Nights(t.Context(), h.clinician, h.learner, clinic.Question{}, started)
				if assert.NoError(t, err) {
					answered.Add(1)
				}
			})
		}
		require.Eventually(t, func() bool { return store.began.Load() == 1 && h.WaitingRows() == many-1 }, time.Minute, time.Millisecond)
		assert.Zero(t, answered.Load(), "nothing is answered before its row is durable")
		close(store.gate)
		readers.Wait()
	})
	assert.Len(t, rows, many)
	assert.Equal(t, int64(2), store.began.Load(), "the first alone, then all the others")
}

// TestWhoeverLeavesTakesNoRowAway: a reader whose call ends while others wait for the same commit spoils nothing.
func TestWhoeverLeavesTakesNoRowAway(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	store := &counted{Store: h.Store, gate: make(chan struct{})}
	h.Store = store
	ctx, leave := context.WithCancel(t.Context())
	rows := h.entered(func() {
		var readers sync.WaitGroup
		for _, ctx := range []context.Context{ctx, ctx, t.Context()} {
			readers.Go(func() {
				_, err := h.Nights(ctx, h.clinician, h.learner, clinic.Question{}, started)
				assert.True(t, err == nil || ctx != t.Context(), "%v", err)
			})
		}
		require.Eventually(t, func() bool { return store.began.Load() == 1 && h.WaitingRows() == 2 }, time.Minute, time.Millisecond)
		leave()
		close(store.gate)
		readers.Wait()
	})
	assert.Len(t, rows, 3)
}

// following is a store that notes in which order trails are come to.
type following struct {
	*counted
	trails []uuid.UUID // by the one who writes
}

type followedTx struct {
	clinic.Tx
	store *following
}

func (f *following) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	return f.counted.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error { return fn(ctx, followedTx{tx, f}) })
}

func (t followedTx) AppendAudit(ctx context.Context, row audit.Row) error {
	t.store.trails = append(t.store.trails, row.Clinic)
	return t.Tx.AppendAudit(ctx, row)
}

// TestTrailsAreComeToInOneOrder: whatever order rows of several clinics come in, two servers that write them at the same time don't wait
// for each other in a circle.
func TestTrailsAreComeToInOneOrder(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	store := &following{counted: &counted{Store: h.Store, gate: make(chan struct{})}}
	h.Store = store
	var readers sync.WaitGroup
	ask := func(of uuid.UUID, waiting int) {
		stranger := h.clinician
		stranger.ClinicID = of
		readers.Go(func() {
			_, err := h.Nights(t.Context(), stranger, h.learner, clinic.Question{}, started)
			assert.Equal(t, fault.NotFound, fault.KindOf(err))
		})
		require.Eventually(t, func() bool { return store.began.Load() == 1 && h.WaitingRows() == waiting }, time.Minute, time.Millisecond)
	}
	low, middle, high := uuid.UUID{1}, uuid.UUID{2}, uuid.UUID{3}
	for waiting, of := range []uuid.UUID{high, high, low, middle, high, low} {
		ask(of, waiting)
	}
	close(store.gate)
	readers.Wait()
	assert.Equal(t, []uuid.UUID{high, low, low, middle, high, high}, store.trails)
}

// bursting is a store whose first transaction panics once the gate is opened.
type bursting struct{ *counted }

func (b bursting) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	if b.began.Add(1) == 1 {
		<-b.gate
		panic("a defect")
	}
	return b.Store.InTx(ctx, fn)
}

// TestAPanicLeavesNobodyWaiting: those who wait for the next write get theirs.
func TestAPanicLeavesNobodyWaiting(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	store := bursting{&counted{Store: h.Store, gate: make(chan struct{})}}
	h.Store = store
	rows := h.entered(func() {
		var readers sync.WaitGroup
		var panics, answers atomic.Int64
		for range 5 {
			readers.Go(func() {
				defer func() {
					if recover() != nil {
						panics.Add(1)
					}
				}()
				_, err := h.Nights(t.Context(), h.clinician, h.learner, clinic.Question{}, started)
				if assert.NoError(t, err) {
					answers.Add(1)
				}
			})
		}
		require.Eventually(t, func() bool { return store.began.Load() == 1 && h.WaitingRows() == 4 }, time.Minute, time.Millisecond)
		close(store.gate)
		readers.Wait()
		assert.Equal(t, []int64{1, 4}, []int64{panics.Load(), answers.Load()})
	})
	assert.Len(t, rows, 4)
}

// TestVerifyAudit follows trails that are whole, altered, cut and written anew.
func TestVerifyAudit(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	other, err := h.AddClinic(t.Context(), newClinic("South", "Etc/UTC", "none"), started)
	require.NoError(t, err)
	verify := func(known ...audit.Head) clinic.AuditReport {
		t.Helper()
		report, err := h.VerifyAudit(t.Context(), known)
		require.NoError(t, err)
		return report
	}
	whole := verify()
	assert.Empty(t, whole.Faults)
	require.Len(t, whole.Heads, 2)
	h.push(started, h.evening()...)
	later := verify(whole.Heads...)
	assert.Empty(t, later.Faults)
	assert.Equal(t, whole.Heads[0].Seq+1, later.Heads[0].Seq)

	assert.Len(t, verify(audit.Head{Clinic: uuid.New(), Seq: 1}).Faults, 1, "a clinic that is gone")
	ahead := later.Heads[0]
	ahead.Seq++
	assert.Len(t, verify(ahead).Faults, 1, "rows cut off the end")
	another := whole.Heads[0]
	another.Hash[0]++
	assert.Len(t, verify(another).Faults, 1, "written anew")
	assert.Empty(t, verify(audit.Head{Clinic: other.ID}).Faults, "nothing was written down yet")
	assert.Len(t, verify(later.Heads[0], another, later.Heads[0]).Faults, 1, "each head is held against it")
	h.alter(`DELETE FROM clinic WHERE id = ?`, other.ID[:]) // as after going back to before there was one
	assert.Empty(t, verify(later.Heads...).Faults, "its trail is still followed")

	_, err = h.exec(`UPDATE audit SET outcome = 'done' WHERE seq = 1`)
	require.ErrorContains(t, err, "only added to")
	_, err = h.exec(`DELETE FROM audit WHERE seq = 1`)
	require.ErrorContains(t, err, "only added to")
	_, err = h.exec(`DROP TRIGGER audit_is_not_changed`)
	require.NoError(t, err)
	h.alter(`UPDATE audit SET who = NULL WHERE clinic = ? AND seq = 3`, h.clinic.ID[:])
	altered := verify(later.Heads...)
	require.Len(t, altered.Faults, 2)
	assert.Contains(t, altered.Faults[0].What, "row 3")
	assert.Equal(t, int64(2), altered.Heads[0].Seq)
}
