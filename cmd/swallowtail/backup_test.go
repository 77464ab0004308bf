package main

import (
	"context"
	"database/sql"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
)

// printed returns the one JSON document that a command printed.
func printed[T any](t *testing.T, o told) T {
	t.Helper()
	require.NoError(t, o.err, o.said)
	var document T
	require.NoError(t, json.Unmarshal([]byte(o.out), &document, json.RejectUnknownMembers(true)), o.out)
	return document
}

// takeBackup backs a database up, and returns the file and what was said of it.
func takeBackup(t *testing.T, db string) (string, backupDoc) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "evening.backup")
	return file, printed[backupDoc](t, execute(t, "backup", file, "--db", db))
}

// marks are what tells one state of a database from another.
type marks struct {
	epoch    uuid.UUID
	clinics  int
	entries  int
	devices  int
	families int // of tokens
}

// marksOf reads a database beside whatever else does.
func marksOf(t *testing.T, db string) (m marks) {
	t.Helper()
	file, err := sql.Open("sqlite", db)
	require.NoError(t, err)
	defer func() { require.NoError(t, file.Close()) }()
	row := file.QueryRowContext(t.Context(), `SELECT epoch, (SELECT count(*) FROM clinic), (SELECT count(*) FROM entry),
		(SELECT count(*) FROM device), (SELECT count(DISTINCT family) FROM refresh_token) FROM meta`)
	require.NoError(t, row.Scan(&m.epoch, &m.clinics, &m.entries, &m.devices, &m.families))
	return m
}

// namesBeside returns what lies in a database's folder.
func namesBeside(t *testing.T, db string) []string {
	t.Helper()
	entries, err := os.ReadDir(filepath.Dir(db))
	require.NoError(t, err)
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

// uploadWhile lets phones, killed themselves now and then, record and hand in evening after evening while something
// else is done.
func uploadWhile(t *testing.T, base string, phones []*handset, do func()) {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	ended := make(chan error, len(phones))
	r := moments(t)
	for _, p := range phones {
		own := rand.New(rand.NewPCG(r.Uint64(), 0))
		go func() { ended <- p.handInUntilItFails(ctx, own, base) }()
	}
	do()
	stop()
	for range phones {
		if err := <-ended; err != nil {
			require.ErrorIs(t, err, context.Canceled)
		}
	}
}

func TestBackupWhilePhonesUpload(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	server := spawn(t, db)
	base := server.base(t)
	c := gather(t, db, base, 3, 2)
	folder := t.TempDir()
	var last backupDoc
	for _, name := range []string{"first", "second"} {
		file := filepath.Join(folder, name)
		before := marksOf(t, db)
		uploadWhile(t, base, c.busy(), func() {
			require.Eventually(t, func() bool { return marksOf(t, db).entries > before.entries }, startTime, time.Millisecond)
			last = printed[backupDoc](t, execute(t, "backup", "--db", db, file))
		})
		after := marksOf(t, db)
		info, err := os.Stat(file)
		require.NoError(t, err)
		assert.Equal(t, fs.FileMode(0o600), info.Mode())
		assert.Equal(t, backupDoc{
			File: file, Bytes: info.Size(), Epoch: before.epoch, Households: 3, Entries: last.Entries, TakenAt: last.TakenAt,
		}, last)
		assert.Greater(t, last.Entries, before.entries, "phones went on handing in")
		assert.LessOrEqual(t, last.Entries, after.entries)
		assert.WithinDuration(t, time.Now(), last.TakenAt, commandTime)
		assert.Equal(t, last.Entries, marksOf(t, file).entries)
	}
	names := namesBeside(t, filepath.Join(folder, "x"))
	assert.Equal(t, []string{"first", "second"}, slices.DeleteFunc(names, func(n string) bool {
		return n == "second-shm" || n == "second-wal" || n == "first-shm" || n == "first-wal" // marksOf's
	}), "nothing is left beside the backups")
}

func TestBackupSaysWhatIsNotInIt(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	addClinicBeside(t, db)
	o := execute(t, "backup", filepath.Join(t.TempDir(), "x"), "--db", db)
	require.NoError(t, o.err)
	assert.Contains(t, o.said, db+".keys, without which")
	assert.Contains(t, o.said, db+".journal, without which")
}

func TestBackupRefuses(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	db := filepath.Join(folder, "practice.db")
	oneEvening(t, db)
	there := filepath.Join(folder, "there")
	require.NoError(t, os.WriteFile(there, []byte("something"), 0o600))
	altered := filepath.Join(t.TempDir(), "altered.db")
	oneEvening(t, altered)
	tamper(t, altered, `UPDATE entry SET received = received + 1 WHERE rev = 2`)
	garbage := filepath.Join(t.TempDir(), "garbage.db")
	require.NoError(t, os.WriteFile(garbage, []byte("Dear diary, today was fine."), 0o600))
	names := namesBeside(t, db)
	for name, c := range map[string]struct {
		args []string
		want string
	}{
		"no file":             {[]string{"--db", db}, "backup wants FILE"},
		"two files":           {[]string{there + "1", there + "2", "--db", db}, `backup takes no argument "` + there + `2"`},
		"an empty name":       {[]string{"", "--db", db}, `backup takes no argument ""`},
		"a file that is":      {[]string{there, "--db", db}, "nothing is written over"},
		"the database itself": {[]string{db, "--db", db}, "nothing is written over"},
		"a folder of none":    {[]string{filepath.Join(folder, "none", "x"), "--db", db}, "no such file or directory"},
		"no database":         {[]string{there + "1", "--db", there + "3"}, "there is no database to work on"},
		"garbage":             {[]string{there + "1", "--db", garbage}, "is damaged, or is none"},
		"an altered one": {
			[]string{there + "1", "--db", altered},
			"no backup was made: ", // and where the chain breaks
		},
	} {
		o := execute(t, append([]string{"backup"}, c.args...)...)
		require.ErrorContains(t, o.err, c.want, name)
		assert.Empty(t, o.out, name)
		assert.Equal(t, names, namesBeside(t, db), name)
	}
	o := execute(t, "backup", there+"1", "--db", altered)
	require.ErrorContains(t, o.err, "the chain breaks at revision 2")
	text, err := os.ReadFile(there)
	require.NoError(t, err)
	assert.Equal(t, "something", string(text))
}

// TestABackupIsMadeBeforeTheUpgrade backs up a database of an earlier version, which is not migrated by that, and goes back
// to it.
func TestABackupIsMadeBeforeTheUpgrade(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	oneEvening(t, db)
	tamper(t, db, `DELETE FROM schema_migration WHERE version > 1`)
	change(t, db, `DROP INDEX projection_by_renew; DROP INDEX projection_by_stale; DROP INDEX projection_by_heard;
		DROP INDEX projection_by_nearness; DROP INDEX projection_unweighed`)
	for _, column := range []string{
		"renew_place", "stale", "nearness_place", "heard_place", "renew_before", "stale_before", "nearness_before", "heard_before", "reminders",
	} {
		change(t, db, `ALTER TABLE projection DROP COLUMN `+column)
	}
	change(t, db, `CREATE INDEX projection_by_heard ON projection (heard)`)
	change(t, db, `ALTER TABLE household DROP COLUMN edition; ALTER TABLE household DROP COLUMN heard; ALTER TABLE device ADD COLUMN heard INTEGER`)
	change(t, db, `DROP INDEX projection_by_refolded; ALTER TABLE projection DROP COLUMN refolded`)
	change(t, db, `CREATE INDEX projection_by_until ON projection (until); CREATE INDEX projection_by_folded ON projection (folded)`)
	change(t, db, `CREATE INDEX projection_by_reminders ON projection (reminders_until); CREATE INDEX projection_by_renew ON projection (reminders_renew)`)
	change(t, db, `DROP TABLE delivery; DROP TABLE address; DROP TABLE calendar_feed; DROP TABLE follow_up; DROP TABLE concern`)
	change(t, db, `DROP TABLE zone_rules; DROP INDEX enrolment_in_zone; DROP INDEX device_in_use; DROP TABLE reminder; CREATE TABLE reminder (learner_key INTEGER)`)
	change(t, db, `DROP INDEX projection_by_renew; ALTER TABLE projection DROP COLUMN reminders_renew`)
	change(t, db, `ALTER TABLE enrolment DROP COLUMN reminder_set`)
	change(t, db, `DROP INDEX invite_by_short; ALTER TABLE invite DROP COLUMN short_hash; ALTER TABLE clinic DROP COLUMN invite_window`)
	change(t, db, `ALTER TABLE caregiver DROP COLUMN withdrawn; ALTER TABLE caregiver DROP COLUMN withdrawn_rev; DROP TABLE audit`)
	change(t, db, `ALTER TABLE meta DROP COLUMN journal`)
	change(t, db, `ALTER TABLE projection DROP COLUMN nights; CREATE TABLE night (
		learner_key INTEGER, night INTEGER, changed_rev INTEGER, gone INTEGER, doc BLOB, PRIMARY KEY (learner_key, night))`)
	change(t, db, `DROP TABLE recovery_code; DROP TABLE known_address; DROP INDEX refresh_token_ended; ALTER TABLE member DROP COLUMN disabled`)
	for _, column := range []string{"nearness", "verdict", "weighed", "basis"} {
		change(t, db, `ALTER TABLE projection DROP COLUMN `+column)
	}
	file, made := takeBackup(t, db)
	assert.Equal(t, 3, made.Entries)
	for _, of := range []string{db, file} {
		store, err := sql.Open("sqlite", of)
		require.NoError(t, err)
		var versions int
		require.NoError(t, store.QueryRowContext(t.Context(), `SELECT count(*) FROM schema_migration`).Scan(&versions))
		require.NoError(t, store.Close())
		assert.Equal(t, 1, versions, "nothing was migrated")
	}
	o := execute(t, "restore", file, "--db", db)
	require.ErrorContains(t, o.err, "nothing was changed")
	assert.Contains(t, o.said, "- The backup was made before there was a journal")
	o = invocation{stdin: consent + "\n", args: []string{"restore", file, "--db", db}}.execute(t)
	assert.Equal(t, 3, printed[restoredDoc](t, o).Entries)
	require.NoError(t, execute(t, "check", "--db", db).err)
}

// change changes a database behind the program's back, where no row is changed.
func change(t *testing.T, db, statement string) {
	t.Helper()
	file, err := sql.Open("sqlite", db)
	require.NoError(t, err)
	_, err = file.ExecContext(t.Context(), statement)
	require.NoError(t, err)
	require.NoError(t, file.Close())
}

// bendNights makes the last night of a learner another than a fold gives.
const bendNights = `UPDATE projection SET nights = CAST(substr(nights, 1, length(nights) - 2) || x'0707' AS BLOB)`

// TestABackupOfWhatIsFoldedOtherwise keeps what an upgrade of the fold, or a fault in it, leaves in a database.
func TestABackupOfWhatIsFoldedOtherwise(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	oneEvening(t, db)
	tamper(t, db, bendNights)
	file := filepath.Join(t.TempDir(), "x")
	o := execute(t, "backup", file, "--db", db)
	assert.Equal(t, 3, printed[backupDoc](t, o).Entries)
	assert.Contains(t, o.said, "check --rebuild")
	require.Error(t, execute(t, "check", "--db", file).err, "the backup is what was there")

	done := printed[restoredDoc](t, execute(t, "restore", file, "--db", db))
	assert.True(t, done.Rebuilt)
	require.NoError(t, execute(t, "check", "--db", db).err)
}

func TestALostJournalIsNoticedOnce(t *testing.T) {
	t.Parallel()
	const noticed = "the journal is another than the store knew"
	db := filepath.Join(t.TempDir(), "practice.db")
	for _, lost := range []bool{false, true, false} {
		if lost {
			require.NoError(t, os.Remove(db+journalBeside))
		}
		o := execute(t, "clinic", "add", "--db", db, "--name", "Heron Lane", "--timezone", "Etc/UTC")
		require.NoError(t, o.err)
		assert.Equal(t, lost, strings.Contains(o.said, noticed), o.said)
	}
}

func TestCheckLooksAtTheFilesToo(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	oneEvening(t, db)
	book, err := os.ReadFile(db + journalBeside)
	require.NoError(t, err)
	book[len(book)/2] ^= 1
	require.NoError(t, os.WriteFile(db+journalBeside, book, 0o600)) //nolint:gosec // G703: the path is the test's own
	o := execute(t, "check", "--db", db)
	require.ErrorContains(t, o.err, "not as it must be")
	found := report(t, o)
	assert.Equal(t, 3, found.Entries)
	require.Len(t, found.Differences, 1)
	assert.Equal(t, clinic.InJournal, found.Differences[0].In)
	assert.Regexp(t, `^the journal is damaged: line \d+ is not what was written$`, found.Differences[0].What)

	change(t, db, `PRAGMA writable_schema = on; UPDATE sqlite_schema SET sql = replace(sql, '(household_key, rev)', '(rev, household_key)')
		WHERE name = 'entry_of_household'`) // the index is said to be in another order than it is
	o = execute(t, "check", "--db", db)
	require.ErrorContains(t, o.err, "not as it must be")
	assert.True(t, slices.ContainsFunc(report(t, o).Differences, func(d clinic.Difference) bool { return d.In == clinic.InStore }), o.out)
}
