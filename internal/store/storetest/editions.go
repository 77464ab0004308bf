package storetest

import (
	"context"
	"errors"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

func folderOf(household uuid.UUID) func(ctx context.Context, v clinic.View) (clinic.Folder, error) {
	return func(ctx context.Context, v clinic.View) (clinic.Folder, error) { return v.Folder(ctx, household) }
}

// editions makes every change that there is in a transaction of its own, and requires that a household whose folder has changed is of
// another edition, which whoever made the change has been told, and that one which was left as it was is of the same.
func editions(b *bundle) {
	w := newFullWorld(b)
	other := newWorld(b, w.number+1)
	elsewhere := read(b, folderOf(other.household))
	seen := map[clinic.Edition]string{}
	moved := map[string]bool{}
	for _, u := range w.change() {
		before := read(b, folderOf(w.household))
		seen[before.Edition] = u.name
		var within clinic.Edition
		b.write(func(ctx context.Context, tx clinic.Tx) error {
			old, err := tx.Edition(ctx, w.household)
			require.NoError(b, err)
			require.Equal(b, before.Edition, old, u.name)
			require.NoError(b, u.call(ctx, tx), u.name)
			within, err = tx.Edition(ctx, w.household)
			return err
		})
		after := read(b, folderOf(w.household))
		assert.Equal(b, within, after.Edition, u.name)
		glance, err := b.store.Edition(b.ctx, w.household)
		require.NoError(b, err)
		assert.Equal(b, within, glance, "%s, at a glance", u.name)
		edition := after.Edition
		before.Edition, after.Edition = clinic.Edition{}, clinic.Edition{}
		if !assert.ObjectsAreEqual(before, after) {
			assert.NotContains(b, seen, edition, "%s leaves the edition that there was before %s", u.name, seen[edition])
			moved[u.name] = true
		}
	}
	assert.Greater(b, len(moved), 12, "%v", moved)
	assert.True(b, moved["AddCaregiver"])
	now := read(b, folderOf(other.household))
	elsewhere.Edition.Epoch = now.Edition.Epoch // which one of the changes renews
	assert.Equal(b, elsewhere, now)
}

// editionsUndone requires that a change that is undone leaves the edition that there was, and that several changes of one transaction leave
// one other.
func editionsUndone(b *bundle) {
	w := newFullWorld(b)
	edition := func(ctx context.Context, v clinic.View) (clinic.Edition, error) { return v.Edition(ctx, w.household) }
	before := read(b, edition)
	heard := func(ctx context.Context, tx clinic.Tx) (clinic.Edition, error) {
		require.NoError(b, tx.Heard(ctx, w.device, minutes(9)))
		return tx.Edition(ctx, w.household)
	}
	require.Error(b, b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) error {
		within, err := heard(ctx, tx)
		require.NoError(b, err)
		assert.NotEqual(b, before, within)
		return errors.New("the caller's own")
	}))
	assert.Equal(b, before, read(b, edition))
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		first, err := heard(ctx, tx)
		require.NoError(b, err)
		require.NoError(b, tx.RevokeDevice(ctx, w.device, minutes(9)))
		require.NoError(b, tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{w.entry(3)}, nil))
		p, err := tx.Projection(ctx, w.learner)
		require.NoError(b, err)
		require.NoError(b, tx.SaveProjection(ctx, p, &p))
		last, err := tx.Edition(ctx, w.household)
		assert.Equal(b, first, last)
		return err
	})
	assert.NotEqual(b, before, read(b, edition))
}

// inPlaceOfOneRead replaces projections by others with the store being told what there is, and requires that the same comes back as where
// it has to look.
func inPlaceOfOneRead(b *bundle) {
	w := newWorld(b, 1)
	save(b, w.projection())
	later := minutes(3)
	for _, c := range []struct {
		what   string
		change func(p *clinic.Projection)
	}{
		{"nothing", func(*clinic.Projection) {}},
		{"news", func(p *clinic.Projection) { p.Heard, p.Folded = later, later }},
		{"older news", func(p *clinic.Projection) { p.Heard, p.Folded = minutes(1), later }},
		{"a later fold", func(p *clinic.Projection) {
			p.Folded, p.Until, p.Urgency = later.Add(minutes(1).Sub(minutes(0))), later.Add(minutes(9).Sub(minutes(0))), 1
		}},
		{"a name", func(p *clinic.Projection) { p.Nickname = "Robin" }},
		{"a weighing", func(p *clinic.Projection) { p.Weighed.Doc, p.Verdict, p.Nearness = []byte(`{"b": 2}`), "ready", 6 }},
		{"no weighing", func(p *clinic.Projection) { p.Weighed.Doc, p.Verdict, p.Nearness = nil, "", 0 }},
		{"another reminder", func(p *clinic.Projection) { p.Reminders[0].Due = later }},
		{"a later attempt", func(p *clinic.Projection) { p.Reminders[1].Ready = later }},
		{"no reminder", func(p *clinic.Projection) { p.Reminders = nil }},
		{"one concern less", func(p *clinic.Projection) { p.Concerns = p.Concerns[:1] }},
		{"a longer run", func(p *clinic.Projection) { p.Concerns[0].Run++ }},
		{"a night", func(p *clinic.Projection) { p.Nights[0].ChangedRev = 4 }},
	} {
		before := read(b, func(ctx context.Context, v clinic.View) (clinic.Projection, error) {
			return v.Projection(ctx, w.learner)
		})
		p := w.projection()
		c.change(&p)
		b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.SaveProjection(ctx, p, &before) })
		told := read(b, w.keptAround)
		b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.SaveProjection(ctx, before, nil) })
		b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.SaveProjection(ctx, p, nil) })
		assert.Equal(b, read(b, w.keptAround), told, c.what)
	}
}

// around is a projection, and what else is found by it.
type around struct {
	Projection clinic.Projection
	Due        []clinic.DueReminder
	Concerns   []clinic.OpenConcern
	Stale      []uuid.UUID // who was folded after an instant
	Folder     clinic.Folder
}

func (w world) keptAround(ctx context.Context, v clinic.View) (a around, err error) {
	if a.Projection, err = v.Projection(ctx, w.learner); err != nil {
		return a, err
	}
	if a.Due, err = v.DueReminders(ctx, w.clinic, minutes(100), nil, 9); err != nil {
		return a, err
	}
	if a.Concerns, err = v.Concerns(ctx, w.clinic, nil, 9); err != nil {
		return a, err
	}
	if a.Stale, err = v.StaleReminders(ctx, w.clinic, minutes(2), clinic.Page{Limit: 9}); err != nil {
		return a, err
	}
	a.Folder, err = v.Folder(ctx, w.household)
	a.Folder.Edition = clinic.Edition{}
	return a, err
}

// afterThoseRead appends entries with the store being told which there are, and requires that an id that is taken is refused all the same,
// even where what it is told is not all.
func afterThoseRead(b *bundle) {
	w := newWorld(b, 1)
	there := w.fill(b, 3)
	others := []clinic.StoredEntry{w.entry(9), w.entry(8), w.entry(7)}
	for what, before := range map[string][]clinic.StoredEntry{"all": there, "some": there[:2], "others": others, "none": {}} {
		taken := w.entry(4)
		taken.ID = there[1].ID
		err := b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) error {
			return tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{taken}, clinic.HeldOf(before))
		})
		assert.Equal(b, fault.Conflict, fault.KindOf(err), what)
	}
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{w.entry(4)}, clinic.HeldOf(there))
	})
	assert.Equal(b, w.entry(4), entriesOf(b, w.household, 3, 0)[0])
}
