package storetest

import (
	"context"
	"errors"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// The things that a full world has beside those of a world, and those that its change adds.
const (
	there = 71
	added = 72
)

// newFullWorld stores a world with something of every kind in it.
func newFullWorld(b *bundle) world {
	b.Helper()
	w := newWorld(b, 1)
	token := func(hash byte, family int) clinic.RefreshToken {
		return clinic.RefreshToken{Hash: []byte{hash}, Family: id(aFamily, family), Member: w.member, Expires: minutes(9)}
	}
	b.write(func(ctx context.Context, tx clinic.Tx) error {
		return errors.Join(
			tx.AddDevice(ctx, sampleDevice(there, w.household, w.caregiver)),
			tx.AddScreening(ctx, sampleScreening(there, w.learner, w.member)),
			tx.AddEnrolment(ctx, sampleEnrolment(there, w.learner, w.plan)),
			tx.AddInvite(ctx, clinic.Invite{CodeHash: []byte{there}, Household: w.household}),
			tx.AddServiceToken(ctx, clinic.ServiceToken{ID: id(aServiceToken, there), Clinic: w.clinic}),
			tx.AddRefreshToken(ctx, token(1, 1)), tx.AddRefreshToken(ctx, token(2, 1)), tx.AddRefreshToken(ctx, token(3, 2)),
		)
	})
	w.fill(b, 2)
	b.write(w.letStaffIn)
	b.write(w.haveReminded)
	save(b, w.projection())
	return w
}

// change writes to a full world with every method that writes.
func (w world) change() []use {
	screening, p := sampleScreening(added, w.learner, w.member), w.projection()
	p.Weighed.Doc = nil // so that it is among the unweighed
	screening.At = minutes(99)
	p.Row, p.Nights[0].ChangedRev, p.Until = []byte(`{}`), 4, minutes(1)
	p.RemindersUntil, p.RemindersRenew, p.Reminders[0].Run, p.Concerns[0].Run = minutes(1), minutes(2), 9, 9
	enrolment := sampleEnrolment(added, w.learner, w.plan)
	enrolment.Timezone = "Pacific/Apia"
	return slices.Concat(w.changeOfStaff(), []use{
		{"AddClinic", func(ctx context.Context, tx clinic.Tx) error { return tx.AddClinic(ctx, sampleClinic(added)) }},
		{"AddMember", func(ctx context.Context, tx clinic.Tx) error { return tx.AddMember(ctx, sampleMember(added, w.clinic)) }},
		{"SetSecondFactor", func(ctx context.Context, tx clinic.Tx) error {
			return tx.SetSecondFactor(ctx, w.member, "another", minutes(9), 9)
		}},
		{"AddPlan", func(ctx context.Context, tx clinic.Tx) error { return tx.AddPlan(ctx, samplePlan(added, w.clinic)) }},
		{"AddHousehold", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddHousehold(ctx, sampleHousehold(added, w.clinic))
		}},
		{"AddCaregiver", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddCaregiver(ctx, sampleCaregiver(added, id(aHousehold, added)))
		}},
		{"AddCaregiver", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddCaregiver(ctx, sampleCaregiver(added+1, w.household))
		}},
		{"RecordConsent", func(ctx context.Context, tx clinic.Tx) error {
			return tx.RecordConsent(ctx, w.caregiver, "9", minutes(9))
		}},
		{"WithdrawConsent", func(ctx context.Context, tx clinic.Tx) error {
			return tx.WithdrawConsent(ctx, w.caregiver, minutes(10))
		}},
		{"AddDevice", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddDevice(ctx, sampleDevice(added, w.household, w.caregiver))
		}},
		{"RevokeDevice", func(ctx context.Context, tx clinic.Tx) error { return tx.RevokeDevice(ctx, w.device, minutes(9)) }},
		{"Heard", func(ctx context.Context, tx clinic.Tx) error { return tx.Heard(ctx, id(aDevice, there), minutes(9)) }},
		{"AddLearner", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddLearner(ctx, sampleLearner(added, w.household, w.clinic))
		}},
		{"AddScreening", func(ctx context.Context, tx clinic.Tx) error { return tx.AddScreening(ctx, screening) }},
		{"AddEnrolment", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddEnrolment(ctx, enrolment)
		}},
		{"SetEnrolmentStatus", func(ctx context.Context, tx clinic.Tx) error {
			return tx.SetEnrolmentStatus(ctx, id(anEnrolment, there), "paused", "away", 9)
		}},
		{"AddInvite", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddInvite(ctx, clinic.Invite{CodeHash: []byte{added}, ShortHash: []byte{added, 1}, Household: w.household})
		}},
		{"SpendInvite", func(ctx context.Context, tx clinic.Tx) error { return tx.SpendInvite(ctx, []byte{there}, minutes(9)) }},
		{"AddRefreshToken", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddRefreshToken(ctx, clinic.RefreshToken{Hash: []byte{added}, Family: id(aFamily, added), Device: w.device})
		}},
		{"SpendRefreshToken", func(ctx context.Context, tx clinic.Tx) error {
			return tx.SpendRefreshToken(ctx, []byte{2}, minutes(9))
		}},
		{"EndTokenFamily", func(ctx context.Context, tx clinic.Tx) error { return tx.EndTokenFamily(ctx, id(aFamily, 2)) }},
		{"SetClinic", func(ctx context.Context, tx clinic.Tx) error {
			return tx.SetClinic(ctx, clinic.Clinic{ID: w.clinic, SecondFactor: "all", InviteWindow: time.Hour})
		}},
		{"AddServiceToken", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AddServiceToken(ctx, clinic.ServiceToken{ID: id(aServiceToken, added), Clinic: w.clinic})
		}},
		{"RevokeServiceToken", func(ctx context.Context, tx clinic.Tx) error {
			return tx.RevokeServiceToken(ctx, id(aServiceToken, there), minutes(9))
		}},
		{"AppendEntries", func(ctx context.Context, tx clinic.Tx) error {
			return tx.AppendEntries(ctx, w.household, []clinic.StoredEntry{w.entry(3), w.entry(4)}, nil)
		}},
		{"RenewEpoch", func(ctx context.Context, tx clinic.Tx) error { return tx.RenewEpoch(ctx, id(anEpoch, added)) }},
		{"SetJournal", func(ctx context.Context, tx clinic.Tx) error { return tx.SetJournal(ctx, id(aJournal, added)) }},
		{"AppendAudit", func(ctx context.Context, tx clinic.Tx) error {
			row := audit.Row{Clinic: w.clinic, At: minutes(9), Did: "getRoster", Outcome: audit.Done}
			return tx.AppendAudit(ctx, row)
		}},
		{"SaveProjection", func(ctx context.Context, tx clinic.Tx) error { return tx.SaveProjection(ctx, p, nil) }},
	}, w.changeOfReminders())
}

// changeAll makes the whole change.
func (w world) changeAll(ctx context.Context, tx clinic.Tx) error {
	for _, u := range w.change() {
		if err := u.call(ctx, tx); err != nil {
			return err
		}
	}
	return nil
}

// question is one call of a method that reads.
type question struct {
	method string
	of     string
	ask    func(ctx context.Context, v clinic.View) (any, error)
}

func asking[T any](method, of string, ask func(ctx context.Context, v clinic.View) (T, error)) question {
	return question{method, of, func(ctx context.Context, v clinic.View) (any, error) { return ask(ctx, v) }}
}

func asked[T any](method, of string, finder func(clinic.View) finder[T], id uuid.UUID) question {
	return asking(method, of, func(ctx context.Context, v clinic.View) (T, error) { return finder(v)(ctx, id) })
}

// questions ask every method that reads for something that the change writes.
func (w world) questions() []question {
	return slices.Concat(w.questionsOfClinic(), w.questionsOfStaff(), w.questionsOfRecord(), w.questionsOfProjections(), w.questionsOfReminders(),
		w.questionsOfAudit())
}

func (w world) questionsOfAudit() []question {
	return []question{
		asking("AuditHead", "", func(ctx context.Context, v clinic.View) (audit.Head, error) { return v.AuditHead(ctx, w.clinic) }),
		asking("AuditClinics", "", func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) { return v.AuditClinics(ctx) }),
		asking("AuditRows", "", func(ctx context.Context, v clinic.View) ([]audit.Row, error) {
			return v.AuditRows(ctx, clinic.AuditQuery{Clinic: w.clinic, Limit: 9})
		}),
	}
}

func (w world) questionsOfClinic() []question {
	token := func(hash byte, of string) question {
		return asking("RefreshTokenByHash", of, func(ctx context.Context, v clinic.View) (clinic.RefreshToken, error) {
			return v.RefreshTokenByHash(ctx, []byte{hash})
		})
	}
	invite := func(hash byte, of string) question {
		return asking("InviteByHash", of, func(ctx context.Context, v clinic.View) (clinic.Invite, error) {
			return v.InviteByHash(ctx, []byte{hash})
		})
	}
	return []question{
		asked("Clinic", "added", clinicOf, id(aClinic, added)),
		asked("Clinic", "set", clinicOf, w.clinic),
		asking("InviteByShort", "added", func(ctx context.Context, v clinic.View) (clinic.Invite, error) {
			return v.InviteByShort(ctx, []byte{added, 1})
		}),
		asked("Member", "added", memberOf, id(aMember, added)),
		asked("Member", "second factor", memberOf, w.member),
		asking("MemberByEmail", "added", func(ctx context.Context, v clinic.View) (clinic.Member, error) {
			return v.MemberByEmail(ctx, sampleMember(added, w.clinic).Email)
		}),
		asked("Plan", "added", planOf, id(aPlan, added)),
		asked("Plans", "added", plansOf, w.clinic),
		asked("Household", "added", householdOf, id(aHousehold, added)),
		asking("Households", "added", func(ctx context.Context, v clinic.View) ([]clinic.Household, error) {
			return v.Households(ctx, w.clinic, clinic.Page{Limit: 9})
		}),
		asked("Caregivers", "added", caregiversOf, id(aHousehold, added)),
		asked("Caregivers", "consent", caregiversOf, w.household),
		asked("Caregiver", "consent", caregiverOf, w.caregiver),
		asked("Devices", "added", devicesOf, w.household),
		asked("Device", "added", deviceOf, id(aDevice, added)),
		asked("Device", "revoked", deviceOf, w.device),
		asked("Device", "heard from", deviceOf, id(aDevice, there)),
		asked("Learner", "added", learnerOf, id(aLearner, added)),
		asked("Learners", "added", learnersOf, w.household),
		asked("LastScreening", "added", screeningOf, w.learner),
		asked("Enrolment", "added", enrolmentOf, id(anEnrolment, added)),
		asked("Enrolment", "status", enrolmentOf, id(anEnrolment, there)),
		asked("Enrolments", "added", enrolmentsOf, w.household),
		invite(added, "added"), invite(there, "spent"),
		token(added, "added"), token(1, "superseded"), token(2, "spent"), token(3, "ended"),
		asked("ServiceToken", "added", serviceTokenOf, id(aServiceToken, added)),
		asked("ServiceToken", "revoked", serviceTokenOf, id(aServiceToken, there)),
		asked("ServiceTokens", "added", serviceTokensOf, w.clinic),
	}
}

func (w world) questionsOfRecord() []question {
	return []question{
		asking("Epoch", "", func(ctx context.Context, v clinic.View) (uuid.UUID, error) { return v.Epoch(ctx) }),
		asking("Journal", "", func(ctx context.Context, v clinic.View) (uuid.UUID, error) { return v.Journal(ctx) }),
		asked("Head", "", headOf, w.household),
		asking("Edition", "", func(ctx context.Context, v clinic.View) (clinic.Edition, error) { return v.Edition(ctx, w.household) }),
		asking("Entries", "", func(ctx context.Context, v clinic.View) ([]clinic.StoredEntry, error) {
			return v.Entries(ctx, w.household, 1, 0)
		}),
		asking("Folder", "", func(ctx context.Context, v clinic.View) (clinic.Folder, error) { return v.Folder(ctx, w.household) }),
		asking("Standings", "", func(ctx context.Context, v clinic.View) (map[uuid.UUID]clinic.Standing, error) {
			return v.Standings(ctx, []uuid.UUID{w.device})
		}),
		asking("HouseholdIDs", "", func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) {
			return v.HouseholdIDs(ctx, clinic.Page{Limit: 9})
		}),
		asking("ClinicIDs", "", func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) {
			return v.ClinicIDs(ctx, clinic.Page{Limit: 9})
		}),
	}
}

func (w world) questionsOfProjections() []question {
	return []question{
		asked("Projection", "", projectionOf, w.learner),
		asking("Roster", "", func(ctx context.Context, v clinic.View) ([]clinic.RosterRow, error) {
			return v.Roster(ctx, clinic.RosterQuery{Clinic: w.clinic, Order: "missed", Limit: 9})
		}),
		asking("Weighed", "", func(ctx context.Context, v clinic.View) (map[uuid.UUID][]byte, error) {
			return v.Weighed(ctx, w.clinic)
		}),
		asking("Unweighed", "", func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) {
			return v.Unweighed(ctx, w.clinic, clinic.Page{Limit: 9})
		}),
		asking("AnyToRenew", "", func(ctx context.Context, v clinic.View) (bool, error) {
			return v.AnyToRenew(ctx, w.clinic, minutes(30))
		}),
		asking("StaleProjections", "", func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) {
			return v.StaleProjections(ctx, w.clinic, minutes(30), 9)
		}),
		asking("StaleReminders", "", func(ctx context.Context, v clinic.View) ([]uuid.UUID, error) {
			return v.StaleReminders(ctx, w.clinic, minutes(30), clinic.Page{Limit: 9})
		}),
		asking("DueReminders", "", func(ctx context.Context, v clinic.View) ([]clinic.DueReminder, error) {
			return v.DueReminders(ctx, w.clinic, minutes(30), nil, 9)
		}),
	}
}

// look answers all questions; what is not there is answered by the kind of the fault.
func (w world) look(ctx context.Context, v clinic.View) (map[string]any, error) {
	answers := map[string]any{}
	for _, q := range w.questions() {
		answer, err := q.ask(ctx, v)
		if err != nil {
			if fault.KindOf(err) != fault.NotFound {
				return nil, err
			}
			answer = fault.NotFound
		}
		answers[q.method+" "+q.of] = answer
	}
	return answers, nil
}

// assertNothingLeftOut requires that the questions and the change use every method there is, so that one that is added to
// the interface is held to all that is said of every method.
func assertNothingLeftOut(t testing.TB, w world) {
	t.Helper()
	uses := map[string]bool{"LockHouseholds": true, "Assume": true} // write nothing
	for _, q := range w.questions() {
		uses[q.method] = true
	}
	for _, u := range w.change() {
		uses[u.name] = true
	}
	methods := map[string]bool{}
	for method := range reflect.TypeFor[clinic.Tx]().Methods() {
		methods[method.Name] = true
	}
	require.Equal(t, methods, uses)
}

// wholeCommit requires that a transaction sees all it writes, that nobody else does before it commits, a reader that has
// begun not even then, and that everybody who begins after it does.
func wholeCommit(b *bundle) {
	w := newFullWorld(b)
	assertNothingLeftOut(b, w)
	before := read(b, w.look)
	var within map[string]any
	err := b.store.Read(b.ctx, func(ctx context.Context, v clinic.View) error {
		early, err := w.look(ctx, v)
		require.NoError(b, err)
		assert.Equal(b, before, early)
		b.write(func(ctx context.Context, tx clinic.Tx) error {
			require.NoError(b, w.changeAll(ctx, tx))
			var err error
			within, err = w.look(ctx, tx)
			require.NoError(b, err)
			assert.Equal(b, before, read(b, w.look), "not committed yet")
			return nil
		})
		late, err := w.look(ctx, v)
		assert.Equal(b, before, late, "a snapshot stays as it was")
		return err
	})
	require.NoError(b, err)
	after := read(b, w.look)
	assert.Equal(b, within, after, "as the transaction saw it")
	for what := range before {
		assert.NotEqual(b, before[what], after[what], what)
	}
}

// wholeRollback requires that nothing of a change remains, however its transaction ends short of a commit.
func wholeRollback(b *bundle) {
	w := newFullWorld(b)
	before := read(b, w.look)
	require.Error(b, b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) error {
		require.NoError(b, w.changeAll(ctx, tx))
		return errors.New("the caller's own")
	}))
	assert.Equal(b, before, read(b, w.look), "after an error")

	assert.Panics(b, func() {
		_ = b.store.InTx(b.ctx, func(ctx context.Context, tx clinic.Tx) error {
			require.NoError(b, w.changeAll(ctx, tx))
			panic("the caller's own")
		})
	})
	assert.Equal(b, before, read(b, w.look), "after a panic")

	ctx, cancel := context.WithCancel(b.ctx)
	defer cancel()
	require.ErrorIs(b, b.store.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error {
		require.NoError(b, w.changeAll(ctx, tx))
		cancel()
		return nil
	}), context.Canceled)
	assert.Equal(b, before, read(b, w.look), "after the context ended")

	b.write(w.changeAll)
	assert.NotEqual(b, before, read(b, w.look), "and all can be written still")
}
