package storetest

import (
	"context"
	"errors"
	"slices"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// use is one call of a method in a transaction.
type use struct {
	name string
	call func(ctx context.Context, tx clinic.Tx) error
}

// looking makes a use of a method that returns something.
func looking[T any](name string, call func(ctx context.Context, tx clinic.Tx) (T, error)) use {
	return use{name, func(ctx context.Context, tx clinic.Tx) error {
		_, err := call(ctx, tx)
		return err
	}}
}

// absent calls every method with an id that names nothing.
func absent(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	for _, u := range append(absentReads(w), absentWrites(w, other)...) {
		err := b.store.InTx(b.ctx, u.call)
		require.Error(b, err, u.name)
		require.Equal(b, fault.NotFound, fault.KindOf(err), "%s: %v", u.name, err)
	}
}

func absentReads(w world) []use {
	page := clinic.Page{Limit: 10}
	reads := []use{
		looking("MemberByEmail", func(ctx context.Context, tx clinic.Tx) (any, error) {
			return tx.MemberByEmail(ctx, "nobody@example.org")
		}),
		looking("Households", func(ctx context.Context, tx clinic.Tx) (any, error) { return tx.Households(ctx, nobody, page) }),
		looking("LastScreening of none", func(ctx context.Context, tx clinic.Tx) (any, error) {
			return tx.LastScreening(ctx, w.learner)
		}),
		looking("Projection of none", func(ctx context.Context, tx clinic.Tx) (any, error) {
			return tx.Projection(ctx, w.learner)
		}),
		looking("InviteByHash", func(ctx context.Context, tx clinic.Tx) (any, error) { return tx.InviteByHash(ctx, nil) }),
		looking("RefreshTokenByHash", func(ctx context.Context, tx clinic.Tx) (any, error) {
			return tx.RefreshTokenByHash(ctx, []byte("none"))
		}),
		looking("Entries", func(ctx context.Context, tx clinic.Tx) (any, error) { return tx.Entries(ctx, nobody, 0, 0) }),
		looking("Edition", func(ctx context.Context, tx clinic.Tx) (any, error) { return tx.Edition(ctx, nobody) }),
		looking("Folder", func(ctx context.Context, tx clinic.Tx) (any, error) { return tx.Folder(ctx, nobody) }),
		looking("Roster", func(ctx context.Context, tx clinic.Tx) (any, error) {
			return tx.Roster(ctx, clinic.RosterQuery{Clinic: nobody, Order: "missed", Limit: 1})
		}),
		looking("Weighed", func(ctx context.Context, tx clinic.Tx) (any, error) { return tx.Weighed(ctx, nobody) }),
		looking("Unweighed", func(ctx context.Context, tx clinic.Tx) (any, error) {
			return tx.Unweighed(ctx, nobody, clinic.Page{Limit: 1})
		}),
		looking("AnyToRenew", func(ctx context.Context, tx clinic.Tx) (any, error) { return tx.AnyToRenew(ctx, nobody, evening) }),
		looking("StaleProjections", func(ctx context.Context, tx clinic.Tx) (any, error) {
			return tx.StaleProjections(ctx, nobody, evening, 1)
		}),
		looking("StaleReminders", func(ctx context.Context, tx clinic.Tx) (any, error) {
			return tx.StaleReminders(ctx, nobody, evening, page)
		}),
		looking("DueReminders", func(ctx context.Context, tx clinic.Tx) (any, error) {
			return tx.DueReminders(ctx, nobody, evening, nil, 1)
		}),
	}
	return slices.Concat(reads, absentByID(), absentStaff(), absentReminders())
}

// absentByID are the methods that take nothing but an id.
func absentByID() []use {
	var uses []use
	add := func(name string, method func(ctx context.Context, v clinic.View) error) {
		uses = append(uses, use{name, func(ctx context.Context, tx clinic.Tx) error { return method(ctx, tx) }})
	}
	add("Clinic", byID(clinicOf))
	add("Member", byID(memberOf))
	add("Plan", byID(planOf))
	add("Plans", byID(plansOf))
	add("Household", byID(householdOf))
	add("Caregivers", byID(caregiversOf))
	add("Devices", byID(devicesOf))
	add("Device", byID(deviceOf))
	add("Learner", byID(learnerOf))
	add("Learners", byID(learnersOf))
	add("LastScreening", byID(screeningOf))
	add("Enrolment", byID(enrolmentOf))
	add("Enrolments", byID(enrolmentsOf))
	add("ServiceToken", byID(serviceTokenOf))
	add("ServiceTokens", byID(serviceTokensOf))
	add("Head", byID(headOf))
	add("Projection", byID(projectionOf))
	return uses
}

func byID[T any](method func(clinic.View) finder[T]) func(context.Context, clinic.View) error {
	return func(ctx context.Context, v clinic.View) error {
		_, err := method(v)(ctx, nobody)
		return err
	}
}

func absentWrites(w, other world) []use {
	append1 := func(household uuid.UUID, change func(e *clinic.StoredEntry)) func(context.Context, clinic.Tx) error {
		return func(ctx context.Context, tx clinic.Tx) error {
			entry := w.entry(1)
			change(&entry)
			return tx.AppendEntries(ctx, household, []clinic.StoredEntry{entry}, nil)
		}
	}
	saved := func(change func(p *clinic.Projection)) func(context.Context, clinic.Tx) error {
		return func(ctx context.Context, tx clinic.Tx) error {
			p := w.projection()
			change(&p)
			return tx.SaveProjection(ctx, p, nil)
		}
	}
	return append(slices.Concat(absentParents(w, other), absentStaffWrites(w), absentReminderWrites(w, other)),
		use{"AppendEntries", append1(nobody, func(*clinic.StoredEntry) {})},
		use{"AppendEntries of no learner", append1(w.household, func(e *clinic.StoredEntry) { e.Learner = nobody })},
		use{"AppendEntries of another's learner", append1(w.household, func(e *clinic.StoredEntry) { e.Learner = other.learner })},
		use{"AppendEntries of no device", append1(w.household, func(e *clinic.StoredEntry) { e.Device = nobody })},
		use{"AppendEntries of another's device", append1(w.household, func(e *clinic.StoredEntry) { e.Device = other.device })},
		use{"SaveProjection", saved(func(p *clinic.Projection) { p.Learner = nobody })},
		use{"SaveProjection in another clinic", saved(func(p *clinic.Projection) { p.Clinic = other.clinic })},
		use{"SetSecondFactor", func(ctx context.Context, tx clinic.Tx) error {
			return tx.SetSecondFactor(ctx, nobody, "", evening, 0)
		}},
		use{"SetEnrolmentStatus", func(ctx context.Context, tx clinic.Tx) error {
			return tx.SetEnrolmentStatus(ctx, nobody, "ended", "", 0)
		}},
		use{"SpendInvite", func(ctx context.Context, tx clinic.Tx) error { return tx.SpendInvite(ctx, []byte{9}, evening) }},
		use{"SpendRefreshToken", func(ctx context.Context, tx clinic.Tx) error {
			return tx.SpendRefreshToken(ctx, []byte{9}, evening)
		}},
		use{"RecordConsent", func(ctx context.Context, tx clinic.Tx) error {
			return tx.RecordConsent(ctx, nobody, "2", evening)
		}},
		use{"RevokeDevice", func(ctx context.Context, tx clinic.Tx) error { return tx.RevokeDevice(ctx, nobody, evening) }},
		use{"RevokeServiceToken", func(ctx context.Context, tx clinic.Tx) error {
			return tx.RevokeServiceToken(ctx, nobody, evening)
		}},
		use{"Heard", func(ctx context.Context, tx clinic.Tx) error { return tx.Heard(ctx, nobody, evening) }},
	)
}

// absentParents add things to what is not there.
func absentParents(w, other world) []use {
	return []use{
		{"AddMember", func(ctx context.Context, tx clinic.Tx) error { return tx.AddMember(ctx, sampleMember(50, nobody)) }},
		{"AddPlan", func(ctx context.Context, tx clinic.Tx) error { return tx.AddPlan(ctx, samplePlan(50, nobody)) }},
		{"AddHousehold", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddHousehold(ctx, sampleHousehold(50, nobody))
		}},
		{"AddCaregiver", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddCaregiver(ctx, sampleCaregiver(50, nobody))
		}},
		{"AddDevice", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddDevice(ctx, sampleDevice(50, nobody, w.caregiver))
		}},
		{"AddDevice of nobody", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddDevice(ctx, sampleDevice(50, w.household, nobody))
		}},
		{"AddDevice of another's caregiver", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddDevice(ctx, sampleDevice(50, w.household, other.caregiver))
		}},
		{"AddLearner", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddLearner(ctx, sampleLearner(50, nobody, w.clinic))
		}},
		{"AddLearner in another clinic", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddLearner(ctx, sampleLearner(50, w.household, other.clinic))
		}},
		{"AddScreening", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddScreening(ctx, sampleScreening(50, nobody, w.member))
		}},
		{"AddScreening by nobody", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddScreening(ctx, sampleScreening(50, w.learner, nobody))
		}},
		{"AddEnrolment", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddEnrolment(ctx, sampleEnrolment(50, nobody, w.plan))
		}},
		{"AddEnrolment on no plan", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddEnrolment(ctx, sampleEnrolment(50, w.learner, nobody))
		}},
		{"AddInvite", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddInvite(ctx, clinic.Invite{CodeHash: []byte{5}, Household: nobody})
		}},
		{"AddInvite for nobody", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddInvite(ctx, clinic.Invite{CodeHash: []byte{5}, Household: w.household, Caregiver: nobody})
		}},
		{"AddRefreshToken", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddRefreshToken(ctx, clinic.RefreshToken{Hash: []byte{5}, Member: nobody})
		}},
		{"AddRefreshToken for no device", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddRefreshToken(ctx, clinic.RefreshToken{Hash: []byte{5}, Device: nobody})
		}},
		{"AddServiceToken", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddServiceToken(ctx, clinic.ServiceToken{ID: id(aServiceToken, 50), Clinic: nobody})
		}},
	}
}

// taken adds everything twice; the second time is a conflict that leaves nothing of its transaction.
func taken(b *bundle) {
	w, other := newWorld(b, 1), newWorld(b, 2)
	invite := clinic.Invite{CodeHash: []byte{1}, Household: w.household, Expires: evening}
	token := clinic.RefreshToken{Hash: []byte{1}, Member: w.member, Began: evening, Issued: evening, Expires: evening}
	service := clinic.ServiceToken{ID: id(aServiceToken, 1), Clinic: w.clinic, Issued: evening, Expires: evening}
	add := func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(
			tx.AddInvite(ctx, invite), tx.AddRefreshToken(ctx, token), tx.AddServiceToken(ctx, service),
			tx.AddScreening(ctx, sampleScreening(1, w.learner, w.member)),
			tx.AddEnrolment(ctx, sampleEnrolment(1, w.learner, w.plan)),
			tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{w.entry(1)}, nil),
			tx.AddAddress(ctx, w.address(1)), tx.AddCalendarFeed(ctx, w.feed(1)), tx.AddFollowUp(ctx, w.followUp(1)),
			tx.SaveProjection(ctx, w.projection(), nil),
		)
	}
	b.write(add)
	sameAddress, sameHash, sameConcern := w.address(2), other.feed(2), other.projection()
	sameAddress.To, sameHash.Hash, sameConcern.Concerns = w.address(1).To, w.feed(1).Hash, w.projection().Concerns
	theirAddress, theirFeed, theirFollowUp := other.address(1), other.feed(1), other.followUp(1)
	theirAddress.ID, theirFeed.ID, theirFollowUp.ID = w.address(1).ID, w.feed(1).ID, w.followUp(1).ID
	again := w.entry(2)
	again.ID = w.entry(1).ID
	samePerson := sampleMember(60, other.clinic)
	samePerson.Email = sampleMember(1, w.clinic).Email
	for _, u := range []use{
		{"clinic", func(ctx context.Context, tx clinic.Tx) error { return tx.AddClinic(ctx, sampleClinic(1)) }},
		{"member", func(ctx context.Context, tx clinic.Tx) error { return tx.AddMember(ctx, sampleMember(1, other.clinic)) }},
		{"email", func(ctx context.Context, tx clinic.Tx) error { return tx.AddMember(ctx, samePerson) }},
		{"plan", func(ctx context.Context, tx clinic.Tx) error { return tx.AddPlan(ctx, samplePlan(1, other.clinic)) }},
		{"household", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddHousehold(ctx, sampleHousehold(1, other.clinic))
		}},
		{"caregiver", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddCaregiver(ctx, sampleCaregiver(1, other.household))
		}},
		{"device", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddDevice(ctx, sampleDevice(1, other.household, other.caregiver))
		}},
		{"learner", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddLearner(ctx, sampleLearner(1, other.household, other.clinic))
		}},
		{"screening", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddScreening(ctx, sampleScreening(1, other.learner, other.member))
		}},
		{"enrolment", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddEnrolment(ctx, sampleEnrolment(1, other.learner, other.plan))
		}},
		{"invite", func(ctx context.Context, tx clinic.Tx) error { return tx.AddInvite(ctx, invite) }},
		{"refresh token", func(ctx context.Context, tx clinic.Tx) error { return tx.AddRefreshToken(ctx, token) }},
		{"service token", func(ctx context.Context, tx clinic.Tx) error { return tx.AddServiceToken(ctx, service) }},
		{"entry", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{again}, nil)
		}},
		{"address", func(ctx context.Context, tx clinic.Tx) error { return tx.AddAddress(ctx, theirAddress) }},
		{"where an address leads", func(ctx context.Context, tx clinic.Tx) error { return tx.AddAddress(ctx, sameAddress) }},
		{"calendar feed", func(ctx context.Context, tx clinic.Tx) error { return tx.AddCalendarFeed(ctx, theirFeed) }},
		{"secret of a calendar feed", func(ctx context.Context, tx clinic.Tx) error { return tx.AddCalendarFeed(ctx, sameHash) }},
		{"follow-up", func(ctx context.Context, tx clinic.Tx) error { return tx.AddFollowUp(ctx, theirFollowUp) }},
		{"concern", func(ctx context.Context, tx clinic.Tx) error { return tx.SaveProjection(ctx, sameConcern, nil) }},
	} {
		err := b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) error {
			require.NoError(b, tx.AddClinic(ctx, sampleClinic(9)))
			return u.call(ctx, tx)
		})
		require.Error(b, err, u.name)
		require.Equal(b, fault.Conflict, fault.KindOf(err), "%s: %v", u.name, err)
		b.assertFails(fault.NotFound, func(ctx context.Context, tx clinic.Tx) error {
			_, err := tx.Clinic(ctx, sampleClinic(9).ID)
			return err
		})
	}
}
