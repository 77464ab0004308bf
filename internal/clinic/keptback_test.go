package clinic_test

import (
	"bytes"
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/door"
	"swallowtail/internal/practice"
)

// keptByAnOlder puts entries of the phone into the store as a program before this one left them there: with another status
// than they would get now, and nothing folded.
func (h *house) keptByAnOlder(status practice.Status, change func(*clinic.StoredEntry), raws ...[]byte) {
	h.t.Helper()
	require.NoError(h.t, h.Store.InTx(h.t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		head, err := tx.Head(ctx, h.household)
		if err != nil {
			return err
		}
		for _, raw := range raws {
			o := door.Examine(raw, 1, practice.Caregiver)
			e := clinic.StoredEntry{
				Rev: head.Rev + 1, ID: o.Entry.ID.UUID, Learner: h.learner, Status: status, Device: h.phone.DeviceID,
				Author:   practice.Author{Role: practice.Caregiver, ID: practice.PersonID{UUID: h.phone.CaregiverID}},
				Received: started, Schema: 1, Sent: o.Sent, Content: o.Content,
			}
			if status == practice.Quarantined {
				e.Problem = []byte(`[{"Pointer":"/body/ease","Detail":"Invented for this test."}]`)
			}
			change(&e)
			e.Chain = clinic.Chained(head.Chain, &e)
			head = clinic.Head{Rev: e.Rev, Chain: e.Chain}
			if err := tx.AppendEntries(ctx, h.household, []clinic.StoredEntry{e}, nil); err != nil {
				return err
			}
		}
		return nil
	}))
}

func asItWas(*clinic.StoredEntry) {}

// listed returns why each of the learner's entries is without effect.
func (h *house) listed() []practice.Why {
	h.t.Helper()
	page, err := h.Entries(h.t.Context(), h.clinician, h.learner, clinic.EntryPage{Limit: 100}, started)
	require.NoError(h.t, err)
	require.False(h.t, page.More)
	why := make([]practice.Why, len(page.Entries))
	for i := range page.Entries {
		why[i] = page.Entries[i].Why
	}
	return why
}

// kept returns what is kept of the learner's fold: whether a night is complete, and the flags.
func (h *house) kept() (complete bool, flags []string) {
	h.t.Helper()
	require.NoError(h.t, h.Store.Read(h.t.Context(), func(ctx context.Context, view clinic.View) error {
		p, err := view.Projection(ctx, h.learner)
		if err == nil {
			complete, flags = bytes.Contains(p.Row, []byte(`"complete":1`)), p.Flags
		}
		return err
	}))
	return complete, flags
}

func (h *house) reviewed(take bool, raws ...[]byte) {
	h.t.Helper()
	for _, raw := range raws {
		_, review := h.entry("review", map[string]any{
			"entry": door.Examine(raw, 1, practice.Caregiver).Entry.ID.String(), "take": take,
		})
		a, err := h.AddEntries(h.t.Context(), h.clinician, h.learner, [][]byte{review}, started.Add(time.Minute))
		require.NoError(h.t, err)
		require.Equal(h.t, "accepted", a.Results[0].Status, "%v", a.Results[0].Flaws)
	}
}

// TestWhatWasParkedIsTakenUpAfterAnUpgrade: this program knows what the one before it did not. A rebuild, or whatever else
// folds the household, takes it up; nobody has to send it again.
func TestWhatWasParkedIsTakenUpAfterAnUpgrade(t *testing.T) {
	t.Parallel()
	for name, fold := range map[string]func(h *house){
		"by a rebuild": func(h *house) { require.NoError(t, h.Rebuild(t.Context(), started)) },
		"by a sync":    func(h *house) { h.push(started) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newFamily(t)
			evening := h.evening()
			h.push(started, evening[0])
			h.keptByAnOlder(practice.Parked, asItWas, evening[1:]...)
			complete, _ := h.kept()
			require.False(t, complete)
			require.Contains(t, h.found(), "the nights are not what a fresh fold gives: 2027-03-01 differs", "a check after the upgrade")
			fold(h)
			complete, flags := h.kept()
			assert.True(t, complete)
			assert.Empty(t, flags)
			assert.Equal(t, make([]practice.Why, 6), h.listed(), "all of it counts")
			assert.Empty(t, h.found())

			// It is there already when it comes again, with the status it got.
			a, err := h.Sync(t.Context(), h.phone, clinic.SyncRequest{Schema: 1, Sent: started, Limit: 10, Entries: evening[1:2]}, started)
			require.NoError(t, err)
			assert.Equal(t, clinic.Duplicate, a.Results[0].Status)
			assert.Equal(t, practice.Parked, a.Changes[1].Status)
		})
	}
}

// TestWhatWasParkedIsJudgedLikeAnyOther once its kind is known: what is wrong with it, alone or in this household, keeps it
// from counting and is flagged; an incident holds.
func TestWhatWasParkedIsJudgedLikeAnyOther(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	_, wrong := h.entry("excuse", map[string]any{"night": "2027-03-02", "reason": "boredom"})
	_, strange := h.entry("excuse", map[string]any{"night": "2027-03-02", "reason": "ill"})
	strange = bytes.Replace(strange, []byte(h.learner.String()), []byte(uuid.NewString()), 1)
	_, unknown := h.entry("dream", map[string]any{"of": "flying"})
	_, later := h.entry("excuse", map[string]any{"night": "2027-03-02", "reason": "ill"})
	nobodys := func(e *clinic.StoredEntry) { e.Learner = uuid.Nil }
	h.keptByAnOlder(practice.Parked, asItWas, wrong)
	h.keptByAnOlder(practice.Parked, nobodys, strange)
	h.keptByAnOlder(practice.Parked, asItWas, unknown)
	h.keptByAnOlder(practice.Parked, func(e *clinic.StoredEntry) { e.Schema = door.KnownSchema + 1 }, later)
	require.NoError(t, h.Rebuild(t.Context(), started))
	assert.Equal(t, []practice.Why{
		practice.WhyFlawed, practice.WhyFlawed, practice.WhyParked, practice.WhyParked,
	}, h.listed())
	_, flags := h.kept()
	assert.Equal(t, []string{"quarantined_entries"}, flags)

	_, incident := h.entry("incident", map[string]any{"what": "choking"})
	h.keptByAnOlder(practice.Parked, asItWas, incident)
	require.NoError(t, h.Rebuild(t.Context(), started))
	_, flags = h.kept()
	assert.Equal(t, []string{"on_hold", "quarantined_entries"}, flags)
	assert.Empty(t, h.found())
}

// TestAQuarantinedEntryThatIsSoundByNow waits for a review: its author was told to mend it, and may have.
func TestAQuarantinedEntryThatIsSoundByNow(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(*clinic.StoredEntry){
		"a limit was lifted":         asItWas,
		"its learner has come since": func(e *clinic.StoredEntry) { e.Learner = uuid.Nil },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newFamily(t)
			evening := h.evening()
			h.keptByAnOlder(practice.Quarantined, change, evening...)
			require.NoError(t, h.Rebuild(t.Context(), started))
			complete, flags := h.kept()
			assert.False(t, complete)
			assert.Equal(t, []string{"quarantined_entries"}, flags)
			assert.Equal(t, practice.WhySoundByNow, h.listed()[0])

			h.reviewed(true, evening[:5]...)
			complete, flags = h.kept()
			assert.False(t, complete)
			assert.Equal(t, []string{"quarantined_entries"}, flags)
			h.reviewed(true, evening[5])
			complete, flags = h.kept()
			assert.True(t, complete)
			assert.Empty(t, flags)
			assert.Equal(t, make([]practice.Why, 12), h.listed())
			h.reviewed(false, evening...)
			complete, flags = h.kept()
			assert.False(t, complete, "where reviews differ, it is left")
			assert.Empty(t, flags)
			assert.Equal(t, practice.WhyLeft, h.listed()[0])
			assert.Empty(t, h.found())
		})
	}
}
