package clinic_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// backUp copies the database as it is now, and returns where.
func (h *house) backUp() string {
	h.t.Helper()
	path := filepath.Join(h.t.TempDir(), "backup.db")
	h.onFile(h.path, func(db *sql.DB) error {
		_, err := db.ExecContext(h.t.Context(), `VACUUM INTO ?`, path)
		return err
	})
	return path
}

func (h *house) onFile(path string, do func(db *sql.DB) error) {
	h.t.Helper()
	db, err := sql.Open("sqlite", path)
	require.NoError(h.t, err)
	require.NoError(h.t, errors.Join(do(db), db.Close()))
}

// goBack lets the house work on a copy of a backup, without a word from the journal.
func (h *house) goBack(backup string) {
	h.t.Helper()
	h.path = backup
	h.open(h.backUp())
}

// replay replays records into the database.
func (h *house) replay(records []clinic.JournalRecord, at time.Time) clinic.Replayed {
	h.t.Helper()
	var done clinic.Replayed
	require.NoError(h.t, h.Store.InTx(h.t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		var err error
		done, err = h.Replay(ctx, tx, records, at)
		return err
	}))
	return done
}

// rows returns all that the database holds of who may do what, and of the folds.
func (h *house) rows() []string {
	h.t.Helper()
	var all []string
	h.onFile(h.path, func(db *sql.DB) error {
		for _, table := range []string{"member", "recovery_code", "caregiver", "device", "invite", "refresh_token", "projection", "reminder"} {
			rows, err := db.QueryContext(h.t.Context(), `SELECT * FROM `+table) //nolint:gosec // G202: a name from above
			if err != nil {
				return err
			}
			defer rows.Close()
			columns, err := rows.Columns()
			if err != nil {
				return err
			}
			values, places := make([]any, len(columns)), make([]any, len(columns))
			for i := range values {
				places[i] = &values[i]
			}
			for rows.Next() {
				if err := rows.Scan(places...); err != nil {
					return err
				}
				all = append(all, fmt.Sprint(table, values))
			}
			if err := rows.Err(); err != nil {
				return err
			}
		}
		return nil
	})
	return all
}

// letIn enrols a device of a caregiver, or of a new one, with a new invite, and returns it with the code.
func (h *house) letIn(caregiver uuid.UUID, at time.Time) (e clinic.EnrolledDevice, code string) {
	h.t.Helper()
	invite, err := h.CreateInvite(h.t.Context(), h.clinician, h.household, caregiver, started)
	require.NoError(h.t, err)
	return h.redeem(invite.Code, at), invite.Code
}

func (h *house) redeem(code string, at time.Time) clinic.EnrolledDevice {
	h.t.Helper()
	e, err := h.EnrolDevice(h.t.Context(), clinic.NewDevice{Code: code, Name: "Opa", Device: "tablet", Platform: "ios"}, at)
	require.NoError(h.t, err)
	return e
}

// refreshed exchanges a refresh token and returns the next.
func (h *house) refreshed(token string, at time.Time) string {
	h.t.Helper()
	pair, err := h.Refresh(h.t.Context(), token, at)
	require.NoError(h.t, err)
	return pair.Refresh
}

// TestReplayOfTokens tells a phone's tokens before and after a backup, goes back to it, and looks which of them work.
func TestReplayOfTokens(t *testing.T) {
	t.Parallel()
	const (
		refused = "refused" // and the whole family is ended
		good    = "good"
	)
	minute := func(n int) time.Time { return started.Add(time.Duration(n) * time.Minute) }
	for name, test := range map[string]struct {
		// before and after tell which token is exchanged next, counted in the order of their issue; the first is 0.
		before, after []int
		want          []string // of each token, presented first after the replay
	}{
		"nothing since":         {[]int{0}, nil, []string{refused, good}},
		"once since":            {[]int{0}, []int{1}, []string{refused, good, good}},
		"often since":           {nil, []int{0, 1, 2, 3}, []string{refused, refused, refused, good, good}},
		"an answer lost":        {[]int{0}, []int{1, 1}, []string{refused, good, good, good}},
		"two answers lost":      {nil, []int{0, 0, 0}, []string{good, good, good, good}},
		"the second one used":   {nil, []int{0, 0, 2}, []string{refused, refused, good, good}},
		"the first one used":    {nil, []int{0, 0, 1}, []string{refused, good, refused, good}},
		"lost before":           {[]int{0, 0}, []int{2}, []string{refused, refused, good, good}},
		"lost before and after": {[]int{0}, []int{0, 1}, []string{refused, good, refused, good}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newFamily(t)
			e, _ := h.letIn(uuid.Nil, started)
			tokens, backup := []string{e.Tokens.Refresh}, ""
			for i, exchanged := range append(test.before, test.after...) {
				if i == len(test.before) {
					backup = h.backUp()
				}
				// Within the grace of a lost answer.
				tokens = append(tokens, h.refreshed(tokens[exchanged], started.Add(time.Duration(i+1)*time.Second)))
			}
			if backup == "" {
				backup = h.backUp()
			}
			require.Len(t, test.want, len(tokens))
			records := h.journal.Records()
			for i, want := range test.want {
				h.goBack(backup)
				assert.Equal(t, len(test.after), h.replay(records, minute(9)).Tokens)
				pair, err := h.Refresh(t.Context(), tokens[i], minute(10))
				if want == good {
					if assert.NoError(t, err, "token %d", i) {
						h.refreshed(pair.Refresh, minute(20))
					}
					continue
				}
				assert.Equal(t, fault.Unauthenticated, fault.KindOf(err), "token %d", i)
				for _, token := range tokens {
					_, err := h.Refresh(t.Context(), token, minute(11))
					assert.Equal(t, fault.Unauthenticated, fault.KindOf(err), "token %d ended the family", i)
				}
			}
		})
	}
}

// TestATokenThatWasNotHandedOut appends a token to the journal whose transaction was not committed, then goes back.
func TestATokenThatWasNotHandedOut(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	e, _ := h.letIn(uuid.Nil, started)
	held, backup := e.Tokens.Refresh, h.backUp()
	_, err := h.Refresh(t.Context(), held, started.Add(time.Minute))
	require.NoError(t, err)
	h.goBack(backup) // the exchange is in the journal alone
	h.replay(h.journal.Records(), started.Add(time.Hour))
	for i := range 3 { // long after the grace of a lost answer
		held = h.refreshed(held, started.Add(time.Duration(2+i)*time.Hour))
	}
	assert.Empty(t, h.found())
}

func TestReplay(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	ctx := t.Context()
	at := func(n int) time.Time { return started.Add(time.Duration(n) * time.Hour) }
	stolen, _ := h.letIn(h.phone.CaregiverID, started)
	broken, _ := h.letIn(uuid.Nil, started)
	unspent, err := h.CreateInvite(ctx, h.clinician, h.household, uuid.Nil, started)
	require.NoError(t, err)
	h.push(started, h.evening()...)
	backup := h.backUp()

	require.NoError(t, h.RevokeDevice(ctx, h.clinician, stolen.Device.ID, at(1)))
	h.refreshed(broken.Tokens.Refresh, at(1))
	_, err = h.Refresh(ctx, broken.Tokens.Refresh, at(2)) // a second holder
	require.Equal(t, fault.Unauthenticated, fault.KindOf(err))
	third := h.redeem(unspent.Code, at(3))
	token := h.refreshed(third.Tokens.Refresh, at(4))
	another, later := h.letIn(third.Device.Caregiver, at(5))
	_, err = h.SignIn(ctx, clinic.Credentials{Email: "ines@clinic.example", Password: "seven slow snails"}, at(5))
	require.NoError(t, err)
	elsewhere, err := h.CreateHousehold(ctx, h.clinician, "not in the backup", at(5))
	require.NoError(t, err)
	invite, err := h.CreateInvite(ctx, h.clinician, elsewhere.ID, uuid.Nil, at(5))
	require.NoError(t, err)
	h.redeem(invite.Code, at(5))

	h.goBack(backup)
	records := h.journal.Records()
	assert.Equal(t, clinic.Replayed{
		Records: 2 + 2 + 2 + 1 + 1 + 1 + 2 + 1 + 2 + 1 + 2, // the first three phones are in the backup
		Devices: 2, Caregivers: 1, Invites: 1, Tokens: 5, Revoked: 1, Ended: 1, Homeless: 2,
		Consents: 1, // given by enrolling a further phone
	}, h.replay(records, at(6)))
	assert.Empty(t, h.found())
	before := h.rows()
	assert.Equal(t, clinic.Replayed{Records: 17, Ended: 1, Homeless: 2}, h.replay(records, at(7)), "once more")
	assert.Equal(t, before, h.rows(), "a second replay changes nothing")

	devices := map[uuid.UUID]clinic.Device{}
	detail, err := h.HouseholdDetail(ctx, h.clinician, h.household, at(8))
	require.NoError(t, err)
	for _, d := range detail.Devices {
		devices[d.ID] = d
	}
	require.Len(t, devices, 5)
	assert.Equal(t, at(1), devices[stolen.Device.ID].Revoked)
	assert.Equal(t, third.Device, devices[third.Device.ID])
	assert.Equal(t, another.Device, devices[another.Device.ID])
	for _, p := range detail.Caregivers {
		if p.ID == third.Device.Caregiver {
			assert.Equal(t, "Opa", p.Name)
			assert.Equal(t, at(5), p.Consented, "by the later of the two enrolments")
		}
	}
	h.refreshed(token, at(8))
	for _, code := range []string{unspent.Code, later} {
		_, err = h.EnrolDevice(ctx, clinic.NewDevice{Code: code, Name: "Opa", Device: "tablet", Platform: "ios"}, at(8))
		assert.Equal(t, fault.Invalid, fault.KindOf(err), "no invite works twice")
	}
	_, err = h.Refresh(ctx, broken.Tokens.Refresh, at(8))
	assert.Equal(t, fault.Unauthenticated, fault.KindOf(err))
	pair, err := h.Refresh(ctx, stolen.Tokens.Refresh, at(8))
	require.NoError(t, err)
	p, err := h.Authenticate(ctx, pair.Access, "getOwnHousehold", at(8))
	require.NoError(t, err)
	assert.True(t, p.UploadOnly)
}

func TestBeginAnew(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.push(started, h.evening()...)
	backup := h.backUp()
	require.NoError(t, h.RevokeDevice(t.Context(), h.clinician, h.phone.DeviceID, started.Add(time.Hour)))
	type marks struct{ epoch, journal uuid.UUID }
	read := func() (m marks) {
		require.NoError(t, h.Store.Read(t.Context(), func(ctx context.Context, view clinic.View) (err error) {
			if m.epoch, err = view.Epoch(ctx); err != nil {
				return err
			}
			m.journal, err = view.Journal(ctx)
			return err
		}))
		return m
	}
	before := read()
	h.goBack(backup)
	var began clinic.NewHistory
	another := newID()
	require.NoError(t, h.Store.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) (err error) {
		began, err = h.BeginAnew(ctx, tx, another, h.journal.Records(), started.Add(2*time.Hour))
		return err
	}))
	assert.Equal(t, before.epoch, began.BackupEpoch)
	assert.NotEqual(t, began.BackupEpoch, began.Epoch)
	assert.Equal(t, marks{began.Epoch, another}, read())
	assert.Equal(t, 1, began.Replayed.Revoked)
	assert.Empty(t, h.found())
}

// failing is a journal that can't be written.
type failing struct{ clinic.Journal }

var errNoRoom = fault.New(fault.OutOfSpace, "out-of-space", "The server has run out of space.")

func (failing) Append(context.Context, clinic.JournalRecord) error { return errNoRoom }

// TestWhatIsNotJournalledIsNotCommitted does everything that the journal must know of while it can't be written, and again
// when it can.
func TestWhatIsNotJournalledIsNotCommitted(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	ctx := t.Context()
	held, _ := h.letIn(uuid.Nil, started)
	spent, _ := h.letIn(uuid.Nil, started)
	h.refreshed(spent.Tokens.Refresh, started)
	invite, err := h.CreateInvite(ctx, h.clinician, h.household, uuid.Nil, started)
	require.NoError(t, err)
	leaving, _ := h.letIn(uuid.Nil, started)
	const colleague = "bo@clinic.example"
	_, err = h.AddMember(ctx, clinic.NewMember{
		Clinic: h.clinic.ID, Email: colleague, Name: "Bo", Role: access.RoleClinician, Password: "four quiet herons wade",
	}, started)
	require.NoError(t, err)
	later := started.Add(time.Hour)
	steps := map[string]func() error{
		"sign in": func() error {
			_, err := h.SignIn(ctx, clinic.Credentials{Email: "ines@clinic.example", Password: "seven slow snails"}, later)
			return err
		},
		"enrol": func() error {
			_, err := h.EnrolDevice(ctx, clinic.NewDevice{Code: invite.Code, Name: "Opa", Device: "tablet", Platform: "ios"}, later)
			return err
		},
		"refresh": func() error { _, err := h.Refresh(ctx, held.Tokens.Refresh, later); return err },
		"end":     func() error { _, err := h.Refresh(ctx, spent.Tokens.Refresh, later); return err },
		"revoke":  func() error { return h.RevokeDevice(ctx, h.clinician, h.phone.DeviceID, later) },

		"sign out": func() error { return h.SignOut(ctx, leaving.Tokens.Refresh, later) },
		"disable":  func() error { return h.SetMemberDisabled(ctx, colleague, true, later) },
		"reset":    func() error { return h.ResetSecondFactor(ctx, colleague, later) },
		"password": func() error { return h.SetMemberPassword(ctx, colleague, "eight quick otters", later) },
	}
	before := h.rows()
	h.Journal = failing{h.journal}
	for name, step := range steps {
		require.ErrorIs(t, step(), errNoRoom, name)
	}
	assert.Equal(t, before, h.rows())
	h.Journal = h.journal
	for name, step := range steps {
		if name == "end" {
			require.Equal(t, fault.Unauthenticated, fault.KindOf(step()))
			continue
		}
		require.NoError(t, step(), name)
	}
}

// TestTheJournalIsRemembered prepares a store beside one journal, then beside another.
func TestTheJournalIsRemembered(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	remembered := func() (id uuid.UUID) {
		require.NoError(t, h.Store.Read(t.Context(), func(ctx context.Context, view clinic.View) (err error) {
			id, err = view.Journal(ctx)
			return err
		}))
		return id
	}
	assert.Equal(t, h.journal.ID(), remembered())
	another := newHouse(t).journal
	h.Journal = another
	require.NoError(t, h.Prepare(t.Context(), started))
	assert.Equal(t, another.ID(), remembered())
}

// TestConsentStaysWithdrawn puts a store back to before a caregiver withdrew consent, and one to before they gave it again.
func TestConsentStaysWithdrawn(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	ctx := t.Context()
	at := func(minutes int) time.Time { return started.Add(time.Duration(minutes) * time.Minute) }
	consent := func() clinic.Consent {
		c, err := h.OwnConsent(ctx, h.phone, at(9))
		require.NoError(t, err)
		return c
	}
	h.phone.Withdrawn = true // as it may be at any time here
	withdrawn, err := h.WithdrawConsent(ctx, h.phone, h.phone.CaregiverID, at(1))
	require.NoError(t, err)
	records := h.journal.Records()
	h.alter(`UPDATE caregiver SET withdrawn = NULL`)
	assert.Equal(t, 1, h.replay(records, at(7)).Consents)
	assert.Equal(t, withdrawn, consent())
	assert.Zero(t, h.replay(records, at(7)).Consents, "once more")
	h.alter(`UPDATE caregiver SET withdrawn = NULL, consented = ?`, at(60).UnixMilli()) // the clock was set back since
	h.replay(records, at(7))
	assert.Equal(t, withdrawn.Withdrawn, consent().Withdrawn, "the order decides, not the clock")

	given, err := h.GiveConsent(ctx, h.phone, clinic.ConsentVersion, at(2))
	require.NoError(t, err)
	records = h.journal.Records()
	h.alter(`UPDATE caregiver SET withdrawn = ?`, at(1).UnixMilli())
	h.alter(`UPDATE caregiver SET consented = ?`, at(0).UnixMilli())
	h.replay(records, at(7))
	assert.Equal(t, given, consent())
	assert.Empty(t, h.found())
}

// TestWhatAClinicSetStays: a restore does not take back who must have a second factor.
func TestWhatAClinicSetStays(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	set, err := h.SetClinic(t.Context(), h.clinic.ID, func(s *clinic.ClinicSettings) {
		s.SecondFactor, s.InviteWindow = "all", time.Hour
	}, started)
	require.NoError(t, err)
	h.alter(`UPDATE clinic SET second_factor = 'none', invite_window = 1`)
	h.replay(h.journal.Records(), started.Add(time.Minute))
	var got clinic.Clinic
	require.NoError(t, h.Store.Read(t.Context(), func(ctx context.Context, view clinic.View) error {
		got, err = view.Clinic(ctx, h.clinic.ID)
		return err
	}))
	assert.Equal(t, set, got)
}
