package storetest

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
)

// assumptionOf is what a household is as it has been read.
func assumptionOf(f clinic.Folder) clinic.Assumption {
	return clinic.Assumption{
		Edition: f.Edition, Household: f.Household.ID, Clinic: f.Household.Clinic, Head: f.Head, Learners: f.Learners, Devices: f.Devices,
	}
}

// evening is what an upload changes, of a household that it takes for what it was read as.
func (w world) evening(a clinic.Assumption, n int64) func(ctx context.Context, tx clinic.Tx) error {
	return func(ctx context.Context, tx clinic.Tx) error {
		if err := tx.Assume(ctx, a); err != nil {
			return err
		}
		p := w.projection()
		p.Folded = minutes(int(n))
		row := audit.Row{Clinic: w.clinic, At: minutes(int(n)), Did: "sync", Outcome: audit.Done, Household: w.household}
		return errors.Join(tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{w.entry(n)}, nil),
			tx.Heard(ctx, w.device, minutes(int(n))), tx.SaveProjection(ctx, p, nil), tx.AppendAudit(ctx, row))
	}
}

// assumedRightly changes a household without a look at it, and requires that the same comes of it as of one that was looked at.
func assumedRightly(b *bundle) {
	w, looked := newWorld(b, 1), newWorld(b, 2)
	for _, of := range []world{w, looked} {
		of.fill(b, 2)
		save(b, of.projection())
	}
	before := read(b, folderOf(w.household))
	var left clinic.Edition
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		require.NoError(b, w.evening(assumptionOf(before), 3)(ctx, tx))
		head, err := tx.Head(ctx, w.household)
		require.NoError(b, err)
		assert.Equal(b, int64(3), head.Rev)
		require.NoError(b, tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{w.entry(4)}, nil))
		left, err = tx.Edition(ctx, w.household)
		return err
	})
	now := read(b, folderOf(w.household))
	assert.Equal(b, left, now.Edition)
	assert.NotEqual(b, before.Edition, now.Edition)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		p := looked.projection()
		p.Folded = minutes(3)
		return errors.Join(tx.AppendEntries(ctx, looked.household, []clinic.StoredEntry{looked.entry(3), looked.entry(4)}, nil),
			tx.Heard(ctx, looked.device, minutes(3)), tx.SaveProjection(ctx, p, nil))
	})
	other := read(b, folderOf(looked.household))
	assert.Equal(b, entriesOf(b, w.household, 0, 0), now.Entries)
	assert.Equal(b, int64(4), now.Head.Rev)
	assert.Len(b, now.Entries, len(other.Entries))
	assert.Equal(b, other.Devices[0].Heard, now.Devices[0].Heard)
	assert.Equal(b, other.Projections[0].Folded, now.Projections[0].Folded)
	// Nothing is changed, nor is anything written down as changed.
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.Assume(ctx, assumptionOf(now)) })
	again := read(b, folderOf(w.household))
	again.Edition = now.Edition
	assert.Equal(b, now, again)
}

// assumedWrongly takes a household for what it is not, and requires that nothing comes of that.
func assumedWrongly(b *bundle) {
	w := newWorld(b, 1)
	w.fill(b, 2)
	save(b, w.projection())
	old := assumptionOf(read(b, folderOf(w.household)))
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.Heard(ctx, w.device, minutes(1)) })
	now := read(b, folderOf(w.household))
	otherEpoch, nowhere := assumptionOf(now), assumptionOf(now)
	otherEpoch.Edition.Epoch, nowhere.Household = id(anEpoch, 77), uuid.New()
	for what, a := range map[string]clinic.Assumption{"changed since": old, "of another epoch": otherEpoch, "nowhere": nowhere} {
		for how, change := range map[string]func(ctx context.Context, tx clinic.Tx) error{
			"nothing": func(context.Context, clinic.Tx) error { return nil },
			"an evening": func(ctx context.Context, tx clinic.Tx) error {
				return tx.AppendEntries(ctx, a.Household, []clinic.StoredEntry{w.entry(3)}, nil)
			},
			"a reading": func(ctx context.Context, tx clinic.Tx) error {
				_, err := tx.Entries(ctx, a.Household, 0, 0)
				return err
			},
		} {
			err := b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) error {
				if err := tx.Assume(ctx, a); err != nil {
					return err
				}
				return change(ctx, tx)
			})
			require.ErrorIs(b, err, clinic.ErrChanged, "%s, %s", what, how)
		}
	}
	assert.Equal(b, now, read(b, folderOf(w.household)))
	// Of one that has been looked at it is known at once, and the transaction goes on.
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		_, err := tx.Edition(ctx, w.household)
		require.NoError(b, err)
		require.ErrorIs(b, tx.Assume(ctx, old), clinic.ErrChanged)
		require.NoError(b, tx.Assume(ctx, assumptionOf(now)))
		return tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{w.entry(3)}, nil)
	})
	assert.Equal(b, int64(3), read(b, folderOf(w.household)).Head.Rev)
}

// assumedBy changes a household for whoever bears a session of which nobody has looked whether it is good.
func assumedBy(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	w.fill(b, 2)
	save(b, w.projection())
	good, ended, ofOther, ofMember := id(aFamily, 1), id(aFamily, 2), id(aFamily, 3), id(aFamily, 4)
	add := func(hash byte, family, member, device uuid.UUID) {
		b.write(func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddRefreshToken(ctx, clinic.RefreshToken{Hash: []byte{hash}, Family: family, Member: member, Device: device, Expires: minutes(9)})
		})
	}
	add(1, good, uuid.Nil, w.device)
	add(2, good, uuid.Nil, w.device)
	add(3, ended, uuid.Nil, w.device)
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.EndTokenFamily(ctx, ended) })
	add(4, ofOther, uuid.Nil, other.device)
	add(5, ofMember, w.member, uuid.Nil)
	before := read(b, folderOf(w.household))
	refused := func(what string, by clinic.Bearer) {
		b.Helper()
		a := assumptionOf(read(b, folderOf(w.household)))
		a.By = &by
		require.ErrorIs(b, b.store.InTx(b.ctx, w.evening(a, 3)), clinic.ErrChanged, what)
		// Of one that has been looked at it is known at once, and the transaction goes on.
		b.write(func(ctx context.Context, tx clinic.Tx) error {
			_, err := tx.Edition(ctx, w.household)
			require.NoError(b, err)
			require.ErrorIs(b, tx.Assume(ctx, a), clinic.ErrChanged, what)
			return nil
		})
	}
	for what, by := range map[string]clinic.Bearer{
		"ended":               {Session: ended, Device: w.device},
		"of another device":   {Session: ofOther, Device: w.device},
		"of another family":   {Session: ofOther, Device: other.device},
		"of a clinician":      {Session: ofMember, Device: w.device},
		"of nobody":           {Session: ofMember},
		"not there":           {Session: id(aFamily, 9), Device: w.device},
		"none":                {Device: w.device},
		"good for no one":     {Session: good},
		"good for other ones": {Session: good, Device: other.device},
	} {
		refused(what, by)
	}
	assert.Equal(b, before, read(b, folderOf(w.household)))
	for n := range int64(2) {
		a := assumptionOf(read(b, folderOf(w.household)))
		a.By = &clinic.Bearer{Session: good, Device: w.device}
		b.write(func(ctx context.Context, tx clinic.Tx) error {
			if n == 1 {
				_, err := tx.Edition(ctx, w.household)
				require.NoError(b, err)
			}
			return w.evening(a, 3+n)(ctx, tx)
		})
	}
	assert.Equal(b, int64(4), read(b, folderOf(w.household)).Head.Rev)
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.EndTokenFamily(ctx, good) })
	refused("ended since", clinic.Bearer{Session: good, Device: w.device})
	assert.Equal(b, int64(4), read(b, folderOf(w.household)).Head.Rev)
}

// assumedAsASessionEnds has an upload wait for a household whose holder ends the upload's session meanwhile.
func assumedAsASessionEnds(b *bundle) {
	w := newWorld(b, 1)
	save(b, w.projection())
	session := id(aFamily, 1)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return tx.AddRefreshToken(ctx, clinic.RefreshToken{Hash: []byte{1}, Family: session, Device: w.device, Expires: minutes(9)})
	})
	a := assumptionOf(read(b, folderOf(w.household)))
	a.By = &clinic.Bearer{Session: session, Device: w.device}
	const soon = 200 * time.Millisecond // by then whoever waits, waits; were it longer, nothing would change
	waits := make(chan error, 1)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		if _, err := tx.Head(ctx, w.household); err != nil {
			return err
		}
		go func() { waits <- b.store.InTx(b.ctx, w.evening(a, 1)) }()
		time.Sleep(soon)
		return tx.EndTokenFamily(ctx, session)
	})
	require.ErrorIs(b, <-waits, clinic.ErrChanged)
	assert.Empty(b, entriesOf(b, w.household, 0, 0))
}

// assumedByMany lets many take a household for what it was, and requires that one of them gets its way.
func assumedByMany(b *bundle) {
	w := newWorld(b, 1)
	save(b, w.projection())
	before := assumptionOf(read(b, folderOf(w.household)))
	var done, changed atomic.Int64
	var all sync.WaitGroup
	const many = 12
	for range many {
		all.Go(func() {
			switch err := b.store.InTx(b.ctx, w.evening(before, 1)); {
			case err == nil:
				done.Add(1)
			case errors.Is(err, clinic.ErrChanged):
				changed.Add(1)
			}
		})
	}
	all.Wait()
	assert.Equal(b, int64(1), done.Load())
	assert.Equal(b, int64(many-1), changed.Load())
	assert.Len(b, entriesOf(b, w.household, 0, 0), 1)
}

// handIn hands an entry in without a look at the household, is on a trail for it, and returns what the household is then.
func (w world) handIn(b *bundle, a clinic.Assumption) (left clinic.Assumption, err error) {
	left = a
	err = b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) (err error) {
		err = errors.Join(tx.Assume(ctx, a), tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{w.entry(a.Head.Rev + 1)}, nil),
			tx.Heard(ctx, w.device, minutes(w.number)), tx.AppendAudit(ctx, audit.Row{Clinic: nobody, At: minutes(w.number), Did: "sync", Outcome: audit.Done}))
		if err == nil {
			left.Edition, err = tx.Edition(ctx, w.household)
		}
		if err == nil {
			left.Head, err = tx.Head(ctx, w.household)
		}
		return err
	})
	return left, err
}

// assumedOfMany has many families hand in at the same time, again and again. Some of the time they take their household for what it is no
// more, and nobody fails for them.
func assumedOfMany(b *bundle) {
	const families, evenings = 12, 8
	worlds := make([]world, families)
	for n := range worlds {
		worlds[n] = newWorld(b, n+1)
	}
	var done, changed atomic.Int64
	var all sync.WaitGroup
	for _, w := range worlds {
		old := assumptionOf(read(b, folderOf(w.household)))
		all.Go(func() {
			now := old
			for range evenings {
				left, err := w.handIn(b, now)
				if err == nil {
					done.Add(1)
				}
				if _, err := w.handIn(b, old); errors.Is(err, clinic.ErrChanged) {
					changed.Add(1)
				}
				now = left
			}
		})
	}
	all.Wait()
	assert.Equal(b, int64(families*evenings), done.Load())
	assert.Equal(b, int64(families*evenings), changed.Load())
	for _, w := range worlds {
		assert.Len(b, entriesOf(b, w.household, 0, 0), evenings)
	}
	head := audit.Head{Clinic: nobody}
	for _, row := range read(b, func(ctx context.Context, v clinic.View) ([]audit.Row, error) {
		return v.AuditRows(ctx, clinic.AuditQuery{Clinic: nobody, Limit: 2 * families * evenings})
	}) {
		var err error
		head, err = head.Follow(&row)
		require.NoError(b, err)
	}
	assert.Equal(b, int64(families*evenings), head.Seq)
}
