package sqlite

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
)

// TestRemindersAreWorkedOutAnewAfterTheUpgrade migrates a database of a version that kept other things of a reminder.
func TestRemindersAreWorkedOutAnewAfterTheUpgrade(t *testing.T) {
	t.Parallel()
	s := openAt(t, filepath.Join(t.TempDir(), "store.db"))
	known, err := known()
	require.NoError(t, err)
	require.NoError(t, s.migrate(t.Context(), known[:7]))
	f := newFormerFamily(t, s)
	_, err = s.writer.db.ExecContext(t.Context(), `
		INSERT INTO projection (learner_key, clinic_key, learner_id, folded, status, urgency, nights_wrong, heard, nickname,
			nickname_order, flags, roster_row) SELECT learner_key, 1, id, 0, 'ended', 0, 0, 0, '', '', '[]', x'' FROM learner;
		INSERT INTO reminder SELECT 1, 0, zeroblob(16), learner_key, 'tonight', 20000, 0 FROM learner`)
	require.NoError(t, err)
	require.NoError(t, s.Migrate(t.Context()))
	require.NoError(t, s.Read(t.Context(), func(ctx context.Context, v clinic.View) error {
		others, err := v.StaleReminders(ctx, f.clinic, started, clinic.Page{Limit: 9})
		require.NoError(t, err)
		lapsed, err := v.LapsedReminders(ctx, f.clinic, started, 9)
		require.NoError(t, err)
		assert.Equal(t, [][]uuid.UUID{{f.learner}, {f.learner}}, [][]uuid.UUID{others, lapsed})
		due, err := v.DueReminders(ctx, f.clinic, started, nil, 9)
		assert.Empty(t, due)
		return err
	}))
}

// TestClaimsOutliveTheLighterTables migrates a database whose reminders are being sent.
func TestClaimsOutliveTheLighterTables(t *testing.T) {
	t.Parallel()
	s := openAt(t, filepath.Join(t.TempDir(), "store.db"))
	known, err := known()
	require.NoError(t, err)
	require.NoError(t, s.migrate(t.Context(), known[:8]))
	f := newFormerFamily(t, s)
	_, err = s.writer.db.ExecContext(t.Context(), `
		INSERT INTO reminder (clinic_key, due, id, household_key, learner_key, household_id, learner_id, kind, night, run, heard,
			lapses, ready)
		SELECT 1, 1000, unhex('00000000000000000000000000000001'), h.household_key, l.learner_key, h.id, l.id, 'missed', 20000, -2, -3,
			9000, 4000 FROM learner l JOIN household h USING (household_key);
		INSERT INTO delivery (household_key, due, id, clinic_key, learner_key, kind, night, lapses, state, until, repeatable, claims,
			ready, tries)
		SELECT household_key, 1000, unhex('00000000000000000000000000000001'), 1, learner_key, 'missed', 20000, 9000, 'claimed', 4000,
			0, 1, 4000, '[]' FROM learner`)
	require.NoError(t, err)
	require.NoError(t, s.Migrate(t.Context()))
	require.NoError(t, s.Read(t.Context(), func(ctx context.Context, v clinic.View) error {
		at := func(seconds int64) time.Time { return time.Unix(seconds, 0).UTC() }
		due, err := v.DueReminders(ctx, f.clinic, at(5), nil, 9)
		require.NoError(t, err)
		id := uuid.UUID{15: 1}
		assert.Equal(t, []clinic.DueReminder{{
			ProjectedReminder: clinic.ProjectedReminder{
				ID: id, Kind: "missed", Night: 20000, Due: at(1), Lapses: at(9), Run: -2, Ready: at(4),
			},
			Learner: f.learner, Household: f.household, Heard: time.UnixMilli(-3).UTC(),
		}}, due)
		d, err := v.Delivery(ctx, id)
		assert.Equal(t, []any{f.learner, f.household, at(4), 1}, []any{d.Learner, d.Household, d.Until, d.Sends})
		return err
	}))
}

// TestRemindersAreFoundByTheFoldAfterTheUpgrade migrates a database in which an index led from a learner to the reminders: to one that
// somebody has claimed, one that has been sent and one that nobody has claimed.
func TestRemindersAreFoundByTheFoldAfterTheUpgrade(t *testing.T) {
	t.Parallel()
	s := openAt(t, filepath.Join(t.TempDir(), "store.db"))
	known, err := known()
	require.NoError(t, err)
	require.NoError(t, s.migrate(t.Context(), known[:11]))
	f := newFormerFamily(t, s)
	_, err = s.writer.db.ExecContext(t.Context(), `
		INSERT INTO projection (learner_key, clinic_key, learner_id, folded, reminders_until, status, urgency, nights_wrong, heard,
			nickname, nickname_order, flags, roster_row) SELECT learner_key, 1, id, 0, 9000, 'running', 0, 0, 0, '', '', '[]', x'' FROM learner;
		INSERT INTO reminder (clinic_key, due, id, household_key, learner_key, kind, lapses, ready, answer)
		SELECT 1, 1000, unhex(format('%032x', value)), h.household_key, l.learner_key, 'missed', 9000, nullif(1000 * value, 3000),
			CAST(unhex(format('%032x', value)) || l.id || h.id || unhex(format('%016x%016x%016x%016x%016x', 1000, 9000, 0, 20000, 1)) ||
				'missed' AS BLOB)
		FROM learner l JOIN household h USING (household_key) JOIN json_each('[1, 2, 3]')`)
	require.NoError(t, err)
	require.NoError(t, s.Migrate(t.Context()))

	at := func(seconds int64) time.Time { return time.Unix(seconds, 0).UTC() }
	want := func(n byte, ready time.Time) clinic.ProjectedReminder {
		return clinic.ProjectedReminder{
			ID: uuid.UUID{15: n}, Kind: "missed", Night: 20000, Due: at(1), Lapses: at(9), Run: 1, Ready: ready,
		}
	}
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		of, err := tx.RemindersOf(ctx, f.learner)
		require.NoError(t, err)
		assert.Equal(t, []clinic.ProjectedReminder{want(1, at(1)), want(2, at(2)), want(3, time.Time{})}, of)
		for second, ready := range map[int64]int{0: 0, 1: 1, 2: 2, 9: 0} {
			found, err := tx.ReadyReminders(ctx, f.clinic, at(second), []string{"missed"}, 9)
			require.NoError(t, err)
			assert.Len(t, found, ready, "after %d s", second)
		}
		p := f.projection(1)
		p.Reminders = []clinic.ProjectedReminder{want(4, at(1))}
		require.NoError(t, tx.SaveProjection(ctx, p, nil))
		due, err := tx.DueReminders(ctx, f.clinic, at(5), nil, 9)
		assert.Len(t, due, 1, "none of those before are left")
		return err
	}))
	faults, err := s.Inspect(t.Context())
	require.NoError(t, err)
	assert.Empty(t, faults)
}

// TestAReminderIsWhatIsAnsweredOfIt alters one of the two behind the program's back.
func TestAReminderIsWhatIsAnsweredOfIt(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	f := newFamily(t, s)
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		return tx.SaveProjection(ctx, f.projection(1), nil)
	}))
	for _, change := range []string{
		`UPDATE reminder SET id = zeroblob(16)`, `UPDATE reminder SET due = due + 1, ready = ready + 1`, `UPDATE reminder SET lapses = 0`,
		`UPDATE reminder SET kind = kind || 's'`, `UPDATE reminder SET answer = CAST(answer || 's' AS BLOB)`,
		`UPDATE reminder SET answer = CAST(substr(answer, 1, 80) || kind AS BLOB)`,
	} {
		_, err := s.writer.db.ExecContext(t.Context(), change)
		require.ErrorContains(t, err, "CHECK constraint failed: answer", change)
	}
	_, err := s.writer.db.ExecContext(t.Context(), `UPDATE reminder SET ready = 7, claimed = 1`)
	require.NoError(t, err)
}

// TestWhatIsTheSameIsNotWrittenAgain counts the rows that saving a projection changes, the household's among them.
func TestWhatIsTheSameIsNotWrittenAgain(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	f := newFamily(t, s)
	p := f.projection(6)
	p.Concerns = []clinic.ProjectedConcern{{ID: uuid.UUID{1}, Since: started.Add(time.Microsecond)}, {ID: uuid.UUID{2}}}
	p.Reminders[1].Due = p.Reminders[1].Due.Add(time.Microsecond).In(time.FixedZone("", 3600)) // another way to say the same
	rows := func() (count int) {
		require.NoError(t, s.writer.db.QueryRowContext(t.Context(), `SELECT total_changes()`).Scan(&count))
		return count
	}
	for _, c := range []struct {
		what   string
		change func()
		want   int
	}{
		{"all is new", func() {}, 2 + 3 + 2},
		{"the same", func() {}, 2},
		{"heard from", func() { p.Heard = p.Heard.Add(time.Minute) }, 2 + 3},
		{"another reminder", func() { p.Reminders[0].Ready = started }, 2 + 3 + 3},
		{"another concern", func() { p.Concerns[1].Run++ }, 2 + 2 + 2},
	} {
		c.change()
		before := rows()
		require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error { return tx.SaveProjection(ctx, p, nil) }))
		assert.Equal(t, c.want, rows()-before, c.what)
	}
}

// TestAnAnswerThatIsCutShort is an error and no end of the program.
func TestAnAnswerThatIsCutShort(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	w, err := s.writer.begin(t.Context(), false)
	require.NoError(t, err)
	defer s.rollBack(t.Context(), w)
	_, err = w.keptReminders(t.Context(), statement{"read half", `SELECT zeroblob(50), x'30', x'30'`})
	require.ErrorContains(t, err, "read half: read reminder from 50 bytes")
}
