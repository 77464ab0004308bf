package clinic_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
	"swallowtail/internal/reminder"
)

// robot is a scheduler of the house's clinic.
func (h *house) robot() access.Principal {
	return access.Principal{Role: access.RoleScheduler, ClinicID: h.clinic.ID, TokenID: newID().String()}
}

// tonight claims the one reminder that is due and gives the go-ahead.
func (h *house) tonight(at time.Time) clinic.ClaimedReminder {
	h.t.Helper()
	claimed, err := h.ClaimReminders(h.t.Context(), h.robot(), clinic.ClaimWish{Limit: 10, Lease: time.Minute}, at)
	require.NoError(h.t, err)
	require.Len(h.t, claimed, 1)
	_, err = h.GiveGoAhead(h.t.Context(), h.robot(), claimed[0].ID, clinic.GoAheadAsk{Claim: claimed[0].Claim}, at)
	require.NoError(h.t, err)
	return claimed[0]
}

// overdue returns the kinds and nights of what is due.
func (h *house) overdue(at time.Time) []string {
	h.t.Helper()
	due, err := h.Overdue(h.t.Context(), h.robot(), time.Time{}, nil, 10, at)
	require.NoError(h.t, err)
	all := []string{}
	for _, r := range due {
		all = append(all, r.Kind+" "+r.Night.String())
	}
	return all
}

// atNight is 19:30 in Halifax on a night of the programme, counted from the first.
func atNight(n int) time.Time { return started.Add(90*time.Minute + time.Duration(n)*24*time.Hour) }

// TestNoOlderBackupTellsAFamilyAgain: what may have been sent is in the journal, from the go-ahead on.
func TestNoOlderBackupTellsAFamilyAgain(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	backup := h.backUp()
	h.tonight(atNight(0))
	assert.Empty(t, h.overdue(atNight(0)))
	records := h.journal.Records()

	h.goBack(backup)
	assert.Equal(t, []string{"tonight 2027-03-01"}, h.overdue(atNight(0)), "without the journal")
	h.goBack(backup)
	done := h.replay(records, atNight(0))
	assert.Equal(t, 1, done.Told)
	assert.Empty(t, h.overdue(atNight(0).Add(time.Minute)))
	assert.Equal(t, []string{"tonight 2027-03-02"}, h.overdue(atNight(1)), "the next evening is another")
	assert.Zero(t, h.replay(records, atNight(1)).Told, "it can be repeated")
	assert.Empty(t, h.found())
}

// TestNoOlderBackupBringsAnAddressBack, nor a calendar feed.
func TestNoOlderBackupBringsAnAddressBack(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.PublicURL = "https://practice.example.org"
	ctx := t.Context()
	address, err := h.AddReminderAddress(ctx, h.phone, clinic.NewAddress{Channel: clinic.EMail, To: "papa@example.org"}, started)
	require.NoError(t, err)
	other, err := h.AddReminderAddress(ctx, h.phone, clinic.NewAddress{Channel: clinic.EMail, To: "other@example.org"}, started)
	require.NoError(t, err)
	feed, err := h.CreateCalendarFeed(ctx, h.phone, started)
	require.NoError(t, err)
	backup := h.backUp()
	require.NoError(t, h.RemoveReminderAddress(ctx, h.phone, address.ID, started))
	require.NoError(t, h.Unsubscribe(ctx, h.Keys.Link(access.LinkUnsubscribe, other.ID), started))
	require.NoError(t, h.RevokeCalendarFeed(ctx, h.phone, feed.ID, started))
	records := h.journal.Records()

	h.goBack(backup)
	assert.Equal(t, 3, h.replay(records, started).Channels)
	left, err := h.ReminderAddresses(ctx, h.phone, started)
	require.NoError(t, err)
	assert.Empty(t, left)
	feeds, err := h.CalendarFeeds(ctx, h.phone, started)
	require.NoError(t, err)
	assert.Empty(t, feeds)
	assert.Zero(t, h.replay(records, started).Channels)
}

// TestZoneRulesThatChange: the learners at home there are folded anew, once, and nobody else.
func TestZoneRulesThatChange(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	require.NoError(t, h.RenewZones(t.Context(), started))
	assert.Empty(t, h.found())
	wrong := func() {
		h.alter(`UPDATE projection SET next_due = next_due + 3600000`) // as an hour's other offset would have it
		require.NotEmpty(t, h.found())
	}
	wrong()
	require.NoError(t, h.RenewZones(t.Context(), started))
	assert.NotEmpty(t, h.found(), "the rules are the same as before")
	h.alter(`UPDATE zone_rules SET rules = zeroblob(32)`)
	require.NoError(t, h.RenewZones(t.Context(), started))
	assert.Empty(t, h.found())
	wrong()
	require.NoError(t, h.RenewZones(t.Context(), started))
	assert.NotEmpty(t, h.found(), "they have been noted")
}

// TestWhoGetsAReminder: an address counts once it has been verified, for as long as its owner may know of the household, and where
// and when they want.
func TestWhoGetsAReminder(t *testing.T) {
	t.Parallel()
	verified := clinic.Address{Verified: started}
	for name, test := range map[string]struct {
		change func(r *clinic.Recipient)
		takes  bool
	}{
		"verified":            {func(*clinic.Recipient) {}, true},
		"not verified":        {func(r *clinic.Recipient) { r.Verified = time.Time{} }, false},
		"failing":             {func(r *clinic.Recipient) { r.Failing = started }, false},
		"consent withdrawn":   {func(r *clinic.Recipient) { r.Withdrawn = started }, false},
		"no device left":      {func(r *clinic.Recipient) { r.Devices = 0 }, false},
		"wants only the next": {func(r *clinic.Recipient) { r.Wanted.Kinds = []string{"missed"} }, false},
		"not on Mondays":      {func(r *clinic.Recipient) { r.Wanted.Weekdays = []int{2, 3, 4, 5, 6, 7} }, false},
		"on Mondays only":     {func(r *clinic.Recipient) { r.Wanted.Weekdays = []int{1} }, true},
		"quiet in Berlin":     {func(r *clinic.Recipient) { r.Wanted.Timezone = "Europe/Berlin" }, false}, // where it is half past midnight
		"quiet in Vancouver":  {func(r *clinic.Recipient) { r.Wanted.Timezone = "America/Vancouver" }, true},
	} {
		to := clinic.Recipient{Address: verified, Devices: 1}
		to.ID = newID()
		to.Wanted = clinic.Wanted{Kinds: []string{"tonight", "missed"}, Weekdays: []int{1, 2, 3, 4, 5, 6, 7}, QuietFrom: 22 * 60, QuietUntil: 7 * 60}
		test.change(&to)
		d := clinic.Delivery{Delivery: reminder.Delivery{Kind: reminder.Tonight, Night: practice.NightOn(2027, time.March, 1)}}
		assert.Equal(t, test.takes, to.Takes(&d, atNight(0)), name)
	}
}

// TestACodeIsForOneAddressAndADay, and few wrong ones may be typed.
func TestACodeIsForOneAddressAndADay(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.PublicURL = "https://practice.example.org"
	ctx := t.Context()
	add := func(to string) clinic.Address {
		a, err := h.AddReminderAddress(ctx, h.phone, clinic.NewAddress{Channel: clinic.EMail, To: to}, started)
		require.NoError(t, err)
		return a
	}
	verify := func(a clinic.Address, code string, at time.Time) string {
		if _, err := h.VerifyReminderAddress(ctx, h.phone, a.ID, code, at); err != nil {
			return fault.ProblemOf(err)
		}
		return ""
	}
	a, b := add("a@example.org"), add("b@example.org")
	code := h.Keys.AddressCode(a.Code.ID)
	assert.Equal(t, "code-refused", verify(b, code, started))
	assert.Equal(t, "code-spent", verify(a, code, started.Add(24*time.Hour)))
	again, err := h.SendAddressCode(ctx, h.phone, a.ID, started)
	require.NoError(t, err)
	assert.Equal(t, "code-refused", verify(a, code, started), "a new one has been sent")
	assert.Empty(t, verify(a, " "+h.Keys.AddressCode(again.Code.ID)+" ", started))
	for range 9 {
		assert.Equal(t, "code-refused", verify(b, "0000-0000", started))
	}
	assert.Equal(t, "code-spent", verify(b, h.Keys.AddressCode(b.Code.ID), started), "after ten wrong ones")
	var deliveries []clinic.Delivery
	require.NoError(t, h.Store.Read(ctx, func(ctx context.Context, view clinic.View) (err error) {
		deliveries, err = view.ReadyCodes(ctx, h.clinic.ID, started, 10)
		return err
	}))
	assert.Len(t, deliveries, 2, "of each address the newest")
	_, err = h.AddReminderAddress(ctx, access.Principal{
		Role: access.RoleDevice, ClinicID: h.clinic.ID, HouseholdID: h.household, CaregiverID: uuid.New(),
	}, clinic.NewAddress{Channel: clinic.EMail, To: "c@example.org"}, started)
	require.Error(t, err, "nobody else's caregiver")
}
