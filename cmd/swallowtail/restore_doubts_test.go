package main

import (
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// confirmed is a restore whose doubts are answered.
func confirmed(file, db string) invocation {
	return invocation{stdin: consent + "\n", args: []string{"restore", file, "--db", db}}
}

// TestRestoreWithoutTheJournal does all that the journal is for, loses it, and finds that what restore says of that is so.
func TestRestoreWithoutTheJournal(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	server := startServe(t, db, nil)
	base := server.base
	c := gather(t, db, base, 2, 2)
	clinician := signIn(t, base, clinicEmail)
	phones, family := c.busy(), c.homes[0]
	renewed, revoked, idle := phones[0], phones[1], phones[2]
	invite, err := clinician.CreateInvite(t.Context(), family.household, "")
	require.NoError(t, err)
	for _, p := range phones {
		p.practise(t, base)
	}
	file, made := takeBackup(t, db)
	renewed.forgetAccess(t)
	renewed.practise(t, base)
	revoked.practise(t, base)
	idle.practise(t, base)
	require.NoError(t, clinician.RevokeDevice(t.Context(), revoked.writer.Device))
	later, _ := enrolInto(t, clinician, family.household, family.learner, "Gran")
	later.practise(t, base)
	_, err = redeem(t.Context(), base, invite.InviteCode, "Opa")
	require.NoError(t, err)

	require.NoError(t, os.Remove(db+journalBeside))
	_, err = redeem(t.Context(), base, invite.InviteCode, "Opa")
	require.Equal(t, http.StatusUnprocessableEntity, status(err))
	_, err = signInto(t, base)
	require.Equal(t, http.StatusServiceUnavailable, status(err), "nothing is promised that could not be kept")
	before, names := marksOf(t, db), namesBeside(t, db)
	for _, typed := range []string{"", "yes\n", "restore  anyway\n", "Restore anyway\n"} {
		o := invocation{stdin: typed, args: []string{"restore", file, "--db", db}}.execute(t)
		require.EqualError(t, o.err, `nothing was changed, since "restore anyway" was not typed`)
		assert.Empty(t, o.out)
		assert.Contains(t, o.said, "- There is no journal at "+db+".journal, so that what happened since the backup was made is not known. "+
			"Phones that exchanged their token since then are locked out and must be enrolled anew. Phones that were revoked since "+
			"then are let in again, until they are revoked anew. Phones that were enrolled since then are not known. Invites that "+
			"were used since then work again until they expire. Consent that was withdrawn since then stands again. Clinicians who were "+
			"disabled since then may sign in, ")
		assert.Equal(t, before, marksOf(t, db))
		assert.Equal(t, names, namesBeside(t, db))
	}

	done := printed[restoredDoc](t, confirmed(file, db).execute(t))
	assert.Zero(t, done.Journal.Records)
	assert.Equal(t, made.Entries, done.Entries)
	for _, p := range []*handset{revoked, idle} {
		p.forgetAccess(t)
		p.recover(t, base, done.Epoch)
	}
	for _, p := range []*handset{renewed, later} {
		p.forgetAccess(t)
		device, err := p.open(base)
		require.NoError(t, err)
		_, err = device.Sync(t.Context())
		require.Equal(t, http.StatusUnauthorized, status(err))
		require.Len(t, p.recorded, len(device.Entries())-entriesOfOthers(device), "it keeps what it recorded")
	}
	_, err = redeem(t.Context(), base, invite.InviteCode, "Opa")
	require.NoError(t, err, "the invite works again")
	clinician = signIn(t, base, clinicEmail)
	require.NoError(t, clinician.RevokeDevice(t.Context(), revoked.writer.Device))
	revoked.assertMayOnlyHandIn(t, base)
	require.NoError(t, execute(t, "check", "--db", db).err)
	assertRestoresWithoutAWord(t, db)
	enrolInto(t, clinician, family.household, family.learner, "Mum, anew")
}

// entriesOfOthers counts the entries of a phone that others wrote.
func entriesOfOthers(device *client.Device) (n int) {
	for _, k := range device.Entries() {
		if k.Device != device.Writer().Device {
			n++
		}
	}
	return n
}

// signInto signs in, and hands on the refusal.
func signInto(t *testing.T, base string) (client.Pair, error) {
	t.Helper()
	return caller(base).SignIn(t.Context(), clinicEmail, somePassword, "")
}

// assertRestoresWithoutAWord backs up and restores once more: nothing is to be confirmed.
func assertRestoresWithoutAWord(t *testing.T, db string) {
	t.Helper()
	file, _ := takeBackup(t, db)
	o := execute(t, "restore", file, "--db", db)
	require.NoError(t, o.err, o.said)
	assert.NotContains(t, o.said, consent)
}

// TestRestoreWhereThereIsNoDatabase puts a backup on another machine, with the keys and the journal, then without.
func TestRestoreWhereThereIsNoDatabase(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	oneEvening(t, db)
	file, made := takeBackup(t, db)
	for name, beside := range map[string][]string{
		"with both":   {keysBeside, journalBeside},
		"no keys":     {journalBeside},
		"no journal":  {keysBeside},
		"nothing":     {},
		"a stale log": {keysBeside, journalBeside, "-wal"},
	} {
		elsewhere := filepath.Join(t.TempDir(), "elsewhere.db")
		if name == "a stale log" {
			require.NoError(t, os.WriteFile(db+"-wal", []byte("something of a database that is no more"), 0o600))
		}
		for _, part := range beside {
			require.NoError(t, copyFile(db+part, elsewhere+part))
		}
		before := namesBeside(t, elsewhere)
		o := execute(t, "restore", file, "--db", elsewhere)
		if len(beside) < 2 {
			require.ErrorContains(t, o.err, "nothing was changed", name)
			assert.Equal(t, before, namesBeside(t, elsewhere), name)
			assert.Equal(t, 2-len(beside), strings.Count(o.said, "\n- "), o.said)
			o = confirmed(file, elsewhere).execute(t)
		}
		done := printed[restoredDoc](t, o)
		assert.Equal(t, made.Entries, done.Entries, name)
		assert.Zero(t, done.FormerEpoch, name)
		assert.NotEqual(t, made.Epoch, done.Epoch, name)
		assert.Equal(t, done.Epoch, marksOf(t, elsewhere).epoch, name)
		assert.Equal(t, name == "a stale log", done.Kept != "", name)
		require.NoError(t, execute(t, "check", "--db", elsewhere).err, name)
		require.NoError(t, execute(t, "migrate", "--db", elsewhere).err, name) // makes keys, where there are none
		assertRestoresWithoutAWord(t, elsewhere)
	}
}

// TestRestoreOfADamagedDatabase has nothing to exchange rows with.
func TestRestoreOfADamagedDatabase(t *testing.T) {
	t.Parallel()
	for name, damage := range map[string]func(text []byte) []byte{
		"no database":          func([]byte) []byte { return []byte("Dear diary, today was fine.") },
		"cut short":            func(text []byte) []byte { return text[:len(text)/2] },
		"a page in the middle": func(text []byte) []byte { copy(text[len(text)/2:], make([]byte, 4096)); return text },
	} {
		db := filepath.Join(t.TempDir(), "practice.db")
		oneEvening(t, db)
		file, made := takeBackup(t, db)
		text, err := os.ReadFile(db)
		require.NoError(t, err)
		damaged := damage(text)
		require.NoError(t, os.WriteFile(db, damaged, 0o600))
		o := execute(t, "restore", file, "--db", db)
		require.ErrorContains(t, o.err, "nothing was changed", name)
		assert.Contains(t, o.said, "- The database at "+db+" is damaged", name)

		done := printed[restoredDoc](t, confirmed(file, db).execute(t))
		assert.Equal(t, made.Entries, done.Entries, name)
		kept, err := os.ReadFile(done.Kept)
		require.NoError(t, err, name)
		assert.Len(t, kept, len(damaged), "it is kept as it was")
		require.NoError(t, execute(t, "check", "--db", db).err, name)
		assertRestoresWithoutAWord(t, db)
	}
}

// TestRestoreRefuses leaves everything as it is.
func TestRestoreRefuses(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	oneEvening(t, db)
	folder := t.TempDir()
	// another returns a backup with something about it that is not as it must be.
	another := func(name string, change func(file string)) string {
		file := filepath.Join(folder, name)
		require.NoError(t, execute(t, "backup", file, "--db", db).err)
		change(file)
		return file
	}
	tampered := func(statement string) func(file string) {
		return func(file string) { tamper(t, file, statement) }
	}
	rewritten := func(change func(text []byte) []byte) func(file string) {
		return func(file string) {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(file, change(text), 0o600))
		}
	}
	foreign := filepath.Join(folder, "foreign.db")
	change(t, foreign, `CREATE TABLE recipe (name TEXT); INSERT INTO recipe VALUES ('soup')`)
	for name, c := range map[string]struct{ file, want string }{
		"none":                {filepath.Join(folder, "none"), "no such file or directory"},
		"a folder":            {folder, "is no file"},
		"the database itself": {db, "give a backup, not the database itself"},
		"words":               {another("words", rewritten(func([]byte) []byte { return []byte("Dear diary") })), "is damaged, or is none"},
		"empty":               {another("empty", rewritten(func([]byte) []byte { return nil })), "none of this program's"},
		"another's":           {foreign, "none of this program's"},
		"cut short":           {another("short", rewritten(func(text []byte) []byte { return text[:len(text)/2] })), "is damaged, or is none"},
		"newer": {
			another("newer", tampered(`INSERT INTO schema_migration (version, name, checksum, applied) VALUES (99, 'x', zeroblob(32), 0)`)),
			"the database was written by a newer version of this program",
		},
		"another schema": {
			another("schema", tampered(`UPDATE schema_migration SET checksum = zeroblob(32) WHERE version = 1`)),
			"the database has a schema that differs from this program's",
		},
		"an altered entry": {
			another("entry", tampered(`UPDATE entry SET received = received + 1 WHERE rev = 2`)), "the chain breaks at revision 2",
		},
		"a lost entry": {another("lost", tampered(`DELETE FROM entry WHERE rev = 3`)), "the head is at revision 3, the last entry at 2"},
		"in use": {
			another("used", func(file string) { require.NoError(t, os.WriteFile(file+"-wal", []byte("more"), 0o600)) }),
			"is a database in use",
		},
	} {
		before, names := marksOf(t, db), namesBeside(t, db)
		book, err := os.ReadFile(db + journalBeside)
		require.NoError(t, err)
		o := confirmed(c.file, db).execute(t)
		require.ErrorContains(t, o.err, c.want, name)
		assert.Empty(t, o.out, name)
		assert.NotContains(t, o.said, consent, name)
		assert.Equal(t, before, marksOf(t, db), name)
		assert.Equal(t, names, namesBeside(t, db), name)
		after, err := os.ReadFile(db + journalBeside)
		require.NoError(t, err)
		assert.Equal(t, book, after, name)
	}
	require.NoError(t, execute(t, "check", "--db", db).err)
	require.EqualError(t, execute(t, "restore", "--db", db).err, "restore wants FILE")
}

// TestRestoreBesideAJournalOfNoUse names what is wrong with it.
func TestRestoreBesideAJournalOfNoUse(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	oneEvening(t, db)
	file, _ := takeBackup(t, db)
	book, err := os.ReadFile(db + journalBeside)
	require.NoError(t, err)
	before := marksOf(t, db)
	damaged := []byte(strings.Replace(string(book), `"kind":"device_enrolled"`, `"kind":"device_enrollee"`, 1))
	for want, text := range map[string][]byte{
		"the journal is damaged: line 3 is not what was written; without it": damaged,
		"the journal is damaged: line 1 does not name it":                    []byte("Dear diary"),
		"the journal was written by a newer version of this program":         []byte(`{"journal":"01953a10-0000-7000-8000-000000000030","format":2}`),
	} {
		require.NoError(t, os.WriteFile(db+journalBeside, text, 0o600))
		o := confirmed(file, db).execute(t)
		require.ErrorContains(t, o.err, want)
		assert.Equal(t, before, marksOf(t, db))
	}
	require.NoError(t, os.Remove(db+journalBeside))
	addClinicNamed(t, db, "Since the journal was lost")
	o := execute(t, "restore", file, "--db", db)
	require.ErrorContains(t, o.err, "nothing was changed")
	assert.Contains(t, o.said, ") is not the one that the backup names (")
	printed[restoredDoc](t, confirmed(file, db).execute(t))
	require.NoError(t, execute(t, "check", "--db", db).err)
}

// TestWhatWasThereCanBeHadAgain goes back to a backup, and back from it to what was kept.
func TestWhatWasThereCanBeHadAgain(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	oneEvening(t, db)
	file, _ := takeBackup(t, db)
	addClinicNamed(t, db, "Since the backup")
	there := marksOf(t, db)
	done := printed[restoredDoc](t, execute(t, "restore", file, "--db", db))
	assert.Equal(t, there.clinics-1, marksOf(t, db).clinics)
	time.Sleep(2 * time.Millisecond) // so that what is kept gets another name
	printed[restoredDoc](t, execute(t, "restore", done.Kept, "--db", db))
	back := marksOf(t, db)
	assert.Equal(t, there.clinics, back.clinics)
	assert.NotEqual(t, there.epoch, back.epoch)
}

func addClinicNamed(t *testing.T, db, name string) {
	t.Helper()
	execute(t, "clinic", "add", "--db", db, "--name", name, "--timezone", "Etc/UTC").made(t, "id")
}
