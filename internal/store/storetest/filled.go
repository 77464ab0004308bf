package storetest

import (
	"context"
	"errors"
	"testing"

	"github.com/stretchr/testify/require"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

// Filled fills an empty store with something of every kind, with every optional value somewhere among it. What it returns asks a store
// every question there is about that, but for the names of its history, its journal and
// its editions.
func Filled(t *testing.T, store clinic.Store) (ask func(t *testing.T, store clinic.Store) map[string]any) {
	t.Helper()
	b := &bundle{T: t, ctx: t.Context(), store: store}
	w := newFullWorld(b)
	b.write(w.changeAll)
	b.write(w.more)
	return func(t *testing.T, store clinic.Store) map[string]any {
		t.Helper()
		b := &bundle{T: t, ctx: t.Context(), store: store}
		answers := read(b, w.look)
		require.NotEmpty(t, answers)
		delete(answers, "Epoch ")
		delete(answers, "Journal ")
		delete(answers, "Edition ")
		folder, is := answers["Folder "].(clinic.Folder)
		require.True(t, is)
		folder.Edition = clinic.Edition{}
		answers["Folder "] = folder
		return answers
	}
}

// more adds what neither a full world nor its change has.
func (w world) more(ctx context.Context, tx clinic.Tx) error {
	builtIn, odd, quarantined := samplePlan(there, w.clinic), sampleLearner(there, w.household, w.clinic), w.entry(5)
	builtIn.Clinic = [16]byte{}
	odd.Nickname = "Kit\x00“🦋”\\x00"
	quarantined.Status, quarantined.Problem = practice.Quarantined, []byte(`{"a":  "problem"}`)
	quarantined.Device, quarantined.Learner, quarantined.Author.Role = [16]byte{}, [16]byte{}, practice.Clinician
	row := audit.Row{
		Clinic: w.clinic, At: minutes(11), Role: "clinician", Who: w.member, Token: "t“1”", From: "2001:db8::1", Did: "getSummary",
		Outcome: audit.Done, Note: "1", Household: w.household, Learner: w.learner, Thing: id(anEnrolment, 1),
	}
	return errors.Join(
		tx.AddInvite(ctx, clinic.Invite{CodeHash: []byte{added, 2}, Household: w.household, Caregiver: w.caregiver, Expires: minutes(8)}),
		tx.AddPlan(ctx, builtIn), tx.AddLearner(ctx, odd), tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{quarantined}, nil),
		tx.AppendAudit(ctx, row), tx.AddCalendarFeed(ctx, w.feed(3)),
	)
}
