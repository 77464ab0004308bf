// Package storetest holds every implementation of clinic.Store to what that interface promises.
package storetest

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// patience bounds each part of the suite.
const patience = 2 * time.Minute

// Exercise runs the suite. open returns an empty store of the newest schema, another one at each call, and sees to it
// that it is closed when the test ends.
func Exercise(t *testing.T, open func(t *testing.T) clinic.Store) {
	t.Helper()
	for _, part := range slices.Concat(general(), ofPractice()) {
		t.Run(part.name, func(t *testing.T) {
			t.Parallel()
			ctx, cancel := context.WithTimeout(t.Context(), patience)
			defer cancel()
			part.run(&bundle{T: t, ctx: ctx, store: open(t)})
		})
	}
}

// part is a part of the suite.
type part struct {
	name string
	run  func(b *bundle)
}

// general is what holds of transactions, clinics and who may come in.
func general() []part {
	return []part{
		{"ready", ready},
		{"epoch", epoch},
		{"journal", journal},
		{"commit", commit},
		{"rollback on error", rollbackOnError},
		{"rollback on panic", rollbackOnPanic},
		{"rollback on cancellation", rollbackOnCancellation},
		{"snapshot", snapshot},
		{"uncommitted is unseen", uncommittedIsUnseen},
		{"a transaction sees what it wrote", ownWrites},
		{"everything is committed at once", wholeCommit},
		{"everything is rolled back", wholeRollback},
		{"ended context", endedContext},
		{"going on after what is absent", afterAbsence},
		{"lists are the caller's", listsAreTheCallers},
		{"locked heads", lockedHeads},
		{"giving up", givingUp},
		{"absent", absent},
		{"taken", taken},
		{"precision of instants", precision},
		{"far numbers and instants", farNumbers},
		{"odd texts", oddTexts},
		{"order of texts", orderOfTexts},
		{"rivals over one thing", rivals},
		{"only one wins", onlyOneWins},
		{"clinics and members", clinicsAndMembers},
		{"second factor", secondFactor},
		{"plans", plans},
		{"households", households},
		{"caregivers, devices and learners", peopleOfHousehold},
		{"screenings", screenings},
		{"enrolments", enrolments},
		{"invites", invites},
		{"refresh tokens", refreshTokens},
		{"service tokens", serviceTokens},
		{"passwords and disabled members", passwordsAndDisabled},
		{"token families", tokenFamilies},
		{"recovery codes", recoveryCodes},
		{"known addresses", knownAddresses},
		{"callers", callers},
	}
}

// ofPractice is what holds of the record, of what is projected from it, and of reminders.
func ofPractice() []part {
	return []part{
		{"contact", contact},
		{"revocation", revocation},
		{"entries", entries},
		{"heads", heads},
		{"standings", standings},
		{"gaps", gaps},
		{"many entries at once", manyEntries},
		{"concurrent writers", concurrentWriters},
		{"concurrent writers of several households", writersOfSeveral},
		{"households in any order", householdsInAnyOrder},
		{"rivals over reminders", rivalsOverReminders},
		{"folder", folder},
		{"entries after those that were read", afterThoseRead},
		{"editions", editions},
		{"editions of what is undone", editionsUndone},
		{"assumed rightly", assumedRightly},
		{"assumed wrongly", assumedWrongly},
		{"assumed by many", assumedByMany},
		{"assumed of many", assumedOfMany},
		{"assumed by whoever bears a session", assumedBy},
		{"assumed as a session ends", assumedAsASessionEnds},
		{"projection in place of one that was read", inPlaceOfOneRead},
		{"entries stored at any time", entriesStoredAtAnyTime},
		{"entries that are alike", entriesAlike},
		{"projections", projections},
		{"stale projections", staleProjections},
		{"unweighed projections", unweighed},
		{"whether there is any to renew", anyToRenew},
		{"roster orders", rosterOrders},
		{"roster filters", rosterFilters},
		{"roster of some who are unweighed", rosterUnweighed},
		{"roster rows", rosterRows},
		{"stale reminders", staleReminders},
		{"folded again", foldedAgain},
		{"lapsed reminders", lapsedReminders},
		{"due reminders", dueReminders},
		{"due reminders by page", dueRemindersByPage},
		{"ready reminders", readyReminders},
		{"reminders of a learner", remindersOfLearner},
		{"deliveries", deliveriesKept},
		{"deliveries that change hands", deliveriesMoved},
		{"deliveries make reminders ready", deliveriesMakeReady},
		{"many deliveries at once", manyDeliveries},
		{"ready codes", readyCodes},
		{"addresses", addressesKept},
		{"removed addresses", addressesRemoved},
		{"recipients", recipients},
		{"calendar feeds", calendarFeeds},
		{"concerns", concerns},
		{"concerns by page", concernsByPage},
		{"follow-ups", followUps},
		{"zones", zones},
		{"clinics apart", clinicsApart},
		{"audit trails", audits},
	}
}

// bundle is a test and its store.
type bundle struct {
	*testing.T
	ctx   context.Context
	store clinic.Store
}

// write runs fn in a transaction that must succeed.
func (b *bundle) write(fn func(ctx context.Context, tx clinic.Tx) error) {
	b.Helper()
	require.NoError(b, b.store.InTx(b.ctx, fn))
}

// assertFails runs fn in a transaction that must fail with a kind.
func (b *bundle) assertFails(kind fault.Kind, fn func(ctx context.Context, tx clinic.Tx) error) {
	b.Helper()
	err := b.store.InTx(b.ctx, fn)
	require.Error(b, err)
	assert.Equal(b, kind, fault.KindOf(err), "%v", err)
}

// read returns what a view says.
func read[T any](b *bundle, fn func(ctx context.Context, v clinic.View) (T, error)) T {
	b.Helper()
	var got T
	require.NoError(b, b.store.Read(b.ctx, func(ctx context.Context, v clinic.View) error {
		var err error
		got, err = fn(ctx, v)
		return err
	}))
	return got
}

// get returns the thing that an id names.
func get[T any](b *bundle, method func(v clinic.View) func(context.Context, uuid.UUID) (T, error), id uuid.UUID) T {
	b.Helper()
	return read(b, func(ctx context.Context, v clinic.View) (T, error) { return method(v)(ctx, id) })
}
