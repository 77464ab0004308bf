package storetest

import (
	"bytes"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
)

// finder is a method that returns what an id names.
type finder[T any] = func(context.Context, uuid.UUID) (T, error)

func clinicOf(v clinic.View) finder[clinic.Clinic]                { return v.Clinic }
func memberOf(v clinic.View) finder[clinic.Member]                { return v.Member }
func planOf(v clinic.View) finder[clinic.Plan]                    { return v.Plan }
func plansOf(v clinic.View) finder[[]clinic.Plan]                 { return v.Plans }
func householdOf(v clinic.View) finder[clinic.Household]          { return v.Household }
func caregiversOf(v clinic.View) finder[[]clinic.Person]          { return v.Caregivers }
func caregiverOf(v clinic.View) finder[clinic.Person]             { return v.Caregiver }
func devicesOf(v clinic.View) finder[[]clinic.Device]             { return v.Devices }
func deviceOf(v clinic.View) finder[clinic.Device]                { return v.Device }
func learnersOf(v clinic.View) finder[[]clinic.Learner]           { return v.Learners }
func learnerOf(v clinic.View) finder[clinic.Learner]              { return v.Learner }
func screeningOf(v clinic.View) finder[clinic.Screening]          { return v.LastScreening }
func enrolmentOf(v clinic.View) finder[clinic.Enrolment]          { return v.Enrolment }
func enrolmentsOf(v clinic.View) finder[[]clinic.Enrolment]       { return v.Enrolments }
func serviceTokenOf(v clinic.View) finder[clinic.ServiceToken]    { return v.ServiceToken }
func serviceTokensOf(v clinic.View) finder[[]clinic.ServiceToken] { return v.ServiceTokens }
func headOf(v clinic.View) finder[clinic.Head]                    { return v.Head }
func projectionOf(v clinic.View) finder[clinic.Projection]        { return v.Projection }

func clinicsAndMembers(b *bundle) {
	w := newWorld(b, 1)
	assert.Equal(b, sampleClinic(1), get(b, clinicOf, w.clinic))
	changed, other := sampleClinic(1), newWorld(b, 2)
	changed.SecondFactor, changed.InviteWindow = "all", 90*time.Minute
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.SetClinic(ctx, changed) })
	assert.Equal(b, changed, get(b, clinicOf, w.clinic))
	assert.Equal(b, sampleClinic(2), get(b, clinicOf, other.clinic), "no other")
	b.assertFails(fault.NotFound, func(ctx context.Context, tx clinic.Tx) error { return tx.SetClinic(ctx, clinic.Clinic{ID: nobody}) })
	want := sampleMember(1, w.clinic)
	assert.Equal(b, want, get(b, memberOf, w.member))
	assert.Equal(b, want, read(b, func(ctx context.Context, v clinic.View) (clinic.Member, error) {
		return v.MemberByEmail(ctx, want.Email)
	}))
}

func secondFactor(b *bundle) {
	w := newWorld(b, 1)
	want := sampleMember(2, w.clinic)
	want.TOTPSecret, want.TOTPSince, want.TOTPLastStep = "", time.Time{}, 0
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AddMember(ctx, want) })
	assert.Equal(b, want, get(b, memberOf, want.ID), "none set up")

	want.TOTPSecret, want.TOTPSince, want.TOTPLastStep = "other", minutes(9), 1<<40
	set := func(ctx context.Context, tx clinic.Tx) error {
		return tx.SetSecondFactor(ctx, want.ID, want.TOTPSecret, want.TOTPSince, want.TOTPLastStep)
	}
	b.write(set)
	assert.Equal(b, want, get(b, memberOf, want.ID))
	assert.Equal(b, sampleMember(1, w.clinic), get(b, memberOf, w.member), "nobody else's")

	want.TOTPSince = time.Time{}
	b.write(set)
	assert.Equal(b, want, get(b, memberOf, want.ID), "not confirmed yet")
}

func plans(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	builtIn := samplePlan(9, uuid.Nil)
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AddPlan(ctx, builtIn) })
	assert.Equal(b, builtIn, get(b, planOf, builtIn.ID))
	assert.Equal(b, samplePlan(1, w.clinic), get(b, planOf, w.plan))
	assert.Equal(b, []clinic.Plan{samplePlan(1, w.clinic), builtIn}, get(b, plansOf, w.clinic))
	assert.Equal(b, []clinic.Plan{samplePlan(2, other.clinic), builtIn}, get(b, plansOf, other.clinic))
}

func households(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	want := []clinic.Household{sampleHousehold(1, w.clinic)}
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		for _, n := range []int{8, 3, 5, 9, 4} {
			want = append(want, sampleHousehold(n, w.clinic))
			if err := tx.AddHousehold(ctx, sampleHousehold(n, w.clinic)); err != nil {
				return err
			}
		}
		return nil
	})
	slices.SortFunc(want, func(a, b clinic.Household) int { return bytes.Compare(a.ID[:], b.ID[:]) })
	assert.Equal(b, want[0], get(b, householdOf, want[0].ID))
	all := make([]uuid.UUID, 0, len(want)+1)
	for _, h := range want {
		all = append(all, h.ID)
	}
	all = slices.Insert(all, 1, other.household)
	for limit := 1; limit <= len(all)+1; limit++ {
		assert.Equal(b, want, paged(b, limit, func(h clinic.Household) uuid.UUID { return h.ID },
			func(ctx context.Context, v clinic.View, page clinic.Page) ([]clinic.Household, error) {
				return v.Households(ctx, w.clinic, page)
			}), "pages of %d", limit)
		assert.Equal(b, all, paged(b, limit, func(id uuid.UUID) uuid.UUID { return id },
			func(ctx context.Context, v clinic.View, page clinic.Page) ([]uuid.UUID, error) {
				return v.HouseholdIDs(ctx, page)
			}), "pages of %d", limit)
		assert.Equal(b, []uuid.UUID{w.clinic, other.clinic}, paged(b, limit, func(id uuid.UUID) uuid.UUID { return id },
			func(ctx context.Context, v clinic.View, page clinic.Page) ([]uuid.UUID, error) {
				return v.ClinicIDs(ctx, page)
			}), "pages of %d", limit)
	}
}

// paged collects all pages of a list, each of which must be within the limit.
func paged[T any](
	b *bundle, limit int, id func(T) uuid.UUID,
	list func(ctx context.Context, v clinic.View, page clinic.Page) ([]T, error),
) []T {
	b.Helper()
	var found []T
	page := clinic.Page{Limit: limit}
	for {
		got := read(b, func(ctx context.Context, v clinic.View) ([]T, error) { return list(ctx, v, page) })
		assert.LessOrEqual(b, len(got), limit)
		if len(got) == 0 {
			return found
		}
		found = append(found, got...)
		page.After = id(got[len(got)-1])
	}
}

func peopleOfHousehold(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	dad := sampleCaregiver(20, w.household)
	dad.Consented, dad.ConsentVersion = time.Time{}, ""
	revoked := sampleDevice(20, w.household, dad.ID)
	revoked.Heard, revoked.Revoked = minutes(1), minutes(2)
	sister := sampleLearner(20, w.household, w.clinic)
	sister.BirthMonth = ""
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		if err := tx.AddCaregiver(ctx, dad); err != nil {
			return err
		}
		if err := tx.AddDevice(ctx, revoked); err != nil {
			return err
		}
		return tx.AddLearner(ctx, sister)
	})
	assert.Equal(b, []clinic.Person{sampleCaregiver(1, w.household), dad}, get(b, caregiversOf, w.household))
	dad.Withdrawn, revoked.Withdrawn = minutes(6), minutes(6)
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.WithdrawConsent(ctx, dad.ID, minutes(6)) })
	assert.Equal(b, dad, get(b, caregiverOf, dad.ID))
	assert.Equal(b, []clinic.Device{sampleDevice(1, w.household, w.caregiver), revoked}, get(b, devicesOf, w.household), "his alone")
	dad.Withdrawn, revoked.Withdrawn = time.Time{}, time.Time{}
	dad.Consented, dad.ConsentVersion = minutes(7), "2"
	b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.RecordConsent(ctx, dad.ID, "2", minutes(7)) })
	assert.Equal(b, []clinic.Person{sampleCaregiver(1, w.household), dad}, get(b, caregiversOf, w.household))
	assert.Equal(b, []clinic.Device{sampleDevice(1, w.household, w.caregiver), revoked}, get(b, devicesOf, w.household))
	assert.Equal(b, revoked, get(b, deviceOf, revoked.ID))
	assert.Equal(b, []clinic.Learner{sampleLearner(1, w.household, w.clinic), sister}, get(b, learnersOf, w.household))
	assert.Equal(b, sister, get(b, learnerOf, sister.ID))
	assert.Len(b, get(b, caregiversOf, other.household), 1)
	assert.Len(b, get(b, devicesOf, other.household), 1)
	assert.Len(b, get(b, learnersOf, other.household), 1)
}

func screenings(b *bundle) {
	w := newWorld(b, 1)
	add := func(s clinic.Screening) {
		b.Helper()
		b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AddScreening(ctx, s) })
	}
	newest := sampleScreening(1, w.learner, w.member)
	add(newest)
	assert.Equal(b, newest, get(b, screeningOf, w.learner))

	older := sampleScreening(2, w.learner, w.member)
	older.At, older.Decision = newest.At.Add(-time.Millisecond), "no_go"
	add(older)
	assert.Equal(b, newest, get(b, screeningOf, w.learner), "the newest is not the one written last")

	bare := sampleScreening(3, w.learner, w.member)
	bare.At, bare.Answers, bare.Note = newest.At.Add(time.Millisecond), map[string]bool{}, ""
	add(bare)
	assert.Equal(b, bare, get(b, screeningOf, w.learner))
}

func enrolments(b *bundle) {
	w := newWorld(b, 1)
	first := sampleEnrolment(2, w.learner, w.plan)
	second := sampleEnrolment(1, w.learner, w.plan)
	second.FirstNight, second.ReminderAt, second.Positions, second.Target = -3, 0, nil, nil
	second.Written = first.Written.Add(time.Second)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		if err := tx.AddEnrolment(ctx, first); err != nil {
			return err
		}
		return tx.AddEnrolment(ctx, second)
	})
	assert.Equal(b, first, get(b, enrolmentOf, first.ID))
	assert.Equal(b, []clinic.Enrolment{first, second}, get(b, enrolmentsOf, w.household), "as written, not by id")

	first.Status, first.StatusNote, first.EndedOn = "ended", "moved away", practice.NightOn(2027, time.March, 9)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return tx.SetEnrolmentStatus(ctx, first.ID, first.Status, first.StatusNote, first.EndedOn)
	})
	assert.Equal(b, []clinic.Enrolment{first, second}, get(b, enrolmentsOf, w.household))

	second.ReminderAt, second.ReminderSet = 23*60+59, minutes(7)
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return tx.SetReminderTime(ctx, second.ID, second.ReminderAt, second.ReminderSet)
	})
	assert.Equal(b, []clinic.Enrolment{first, second}, get(b, enrolmentsOf, w.household), "no other")
}
