package main

import (
	"context"
	"database/sql"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
	"swallowtail/internal/clinic"
)

func TestEveryCommandHasHelpAndADatabase(t *testing.T) {
	t.Parallel()
	for _, cmd := range commands() {
		t.Run(cmd.name, func(t *testing.T) {
			t.Parallel()
			got := execute(t, append(strings.Fields(cmd.name), "--help")...)
			require.NoError(t, got.err)
			assert.Empty(t, got.out, "help is for people, so it goes to standard error")
			assert.Contains(t, got.said, "swallowtail "+cmd.name+": "+cmd.usage)
			if cmd.name != "rule-check" && cmd.name != "transfer" {
				assert.Contains(t, got.said, "-db ")
			}
		})
	}
}

func TestHelpListsTheCommands(t *testing.T) {
	t.Parallel()
	for _, args := range [][]string{{}, {"--help"}, {"-h"}, {"help"}} {
		got := execute(t, args...)
		require.NoError(t, got.err)
		assert.Empty(t, got.out)
		for _, cmd := range commands() {
			assert.Contains(t, got.said, cmd.name)
		}
	}
}

func TestWhatCanNotBeMeantIsRefused(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	clinic := execute(t, "clinic", "add", "--db", db, "--name", "Heron Lane", "--timezone", "Etc/UTC").made(t, "id")
	clinician := func(more ...string) []string {
		return append([]string{
			"clinician", "add", "--db", db, "--clinic", clinic, "--name", "Wren", "--email", clinicEmail,
		}, more...)
	}
	cases := map[string]struct {
		invocation
		want string
	}{
		"no such command":      {invocation{args: []string{"swim"}}, `there is no command "swim"`},
		"half a command":       {invocation{args: []string{"clinic"}}, `there is no command "clinic"`},
		"no such flag":         {invocation{args: []string{"serve", "--port", "80"}}, "flag provided but not defined: -port"},
		"an argument too many": {invocation{args: []string{"migrate", "--db", db, "now"}}, `migrate takes no argument "now"`},
		"a flag in the environment that is no duration": {
			invocation{
				env:  map[string]string{"SWALLOWTAIL_TTL": "soon"},
				args: []string{"token", "issue", "--db", db, "--clinic", clinic},
			}, "SWALLOWTAIL_TTL",
		},
		"another kind of database": {invocation{args: []string{"migrate", "--db", "mysql://localhost/x"}}, "postgres://… for PostgreSQL"},
		"PostgreSQL and no key file": {
			invocation{args: []string{"migrate", "--db", "postgres://127.0.0.1:1/x"}}, "the key file is to be named: --keys FILE",
		},
		"a backup of PostgreSQL":    {invocation{args: []string{"backup", "x", "--db", "postgres://127.0.0.1:1/x"}}, "use the server's own backups"},
		"a restore into PostgreSQL": {invocation{args: []string{"restore", "x", "--db", "postgres://127.0.0.1:1/x"}}, "go back by the server's own backups"},
		"no PostgreSQL":             {invocation{args: []string{"check", "--db", "postgres://127.0.0.1:1/x"}}, "cannot reach its data"},
		"no database":               {invocation{args: []string{"migrate", "--db", "sqlite:"}}, "--db names no file"},
		"a folder that is not there": {
			invocation{args: []string{"migrate", "--db", filepath.Join(t.TempDir(), "none", "x.db")}}, "open database",
		},
		"no such zone": {
			invocation{args: []string{"clinic", "add", "--db", db, "--name", "Heron Lane", "--timezone", "Halifax"}}, "--timezone: Give the IANA name",
		},
		"two things wrong": {
			invocation{args: []string{"clinic", "add", "--db", db, "--timezone", "Etc/UTC", "--second-factor", "some"}},
			"--name: Give 1 to 80 characters, none of them a control character and not only spaces.; --second-factor: Give none, lead or all.",
		},
		"a clinic by name": {
			invocation{args: []string{"token", "issue", "--db", db, "--clinic", "Heron Lane"}}, "--clinic wants the id",
		},
		"no such clinic": {
			invocation{args: []string{"token", "issue", "--db", db, "--clinic", "01953a10-0000-7000-8000-000000000030"}}, "There is no such thing",
		},
		"a token for a clinician": {
			invocation{args: []string{"token", "issue", "--db", db, "--clinic", clinic, "--role", "lead"}}, "--role: Give scheduler",
		},
		"a password for all to see": {invocation{args: clinician()}, "--password-stdin"},
		"a short password": {
			invocation{args: clinician("--password-stdin"), stdin: "short\n"}, "--password: must have 15 to 128 characters",
		},
		"a password of the clinic's name": {
			invocation{args: clinician("--password-stdin"), stdin: "Heron Lane 2027!\n"}, "--password: is too easy to guess",
		},
		"no password":  {invocation{args: clinician("--password-stdin")}, "--password: must have 15 to 128 characters"},
		"no such role": {invocation{args: clinician("--role", "admin", "--password-stdin"), stdin: somePassword}, "--role: Give clinician or lead"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got := c.execute(t)
			require.ErrorContains(t, got.err, c.want)
			assert.Empty(t, got.out, "nothing for programs comes of a refusal")
		})
	}
}

func TestOnePersonHasOneAddress(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	id := addClinicBeside(t, db)
	again := invocation{stdin: somePassword, args: []string{
		"clinician", "add", "--db", db, "--clinic", id, "--email", strings.ToUpper(clinicEmail), "--name", "Other", "--password-stdin",
	}}.execute(t)
	require.EqualError(t, again.err, "Somebody has this e-mail address already.")
}

func TestFlagsComeFromTheEnvironmentToo(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	env := map[string]string{
		"SWALLOWTAIL_DB":            "sqlite:" + filepath.Join(folder, "from-environment.db"),
		"SWALLOWTAIL_NAME":          "Heron Lane",
		"SWALLOWTAIL_TIMEZONE":      "Etc/UTC",
		"SWALLOWTAIL_SECOND_FACTOR": "none",
	}
	invocation{env: env, args: []string{"clinic", "add"}}.execute(t).made(t, "id")
	assert.FileExists(t, filepath.Join(folder, "from-environment.db"))

	env["SWALLOWTAIL_SECOND_FACTOR"] = "some"
	wrong := invocation{env: env, args: []string{"clinic", "add"}}.execute(t)
	require.EqualError(t, wrong.err, "--second-factor: Give none, lead or all.")

	other := filepath.Join(folder, "from-arguments.db")
	invocation{env: env, args: []string{"clinic", "add", "--db", other, "--second-factor", "all"}}.execute(t).made(t, "id")
	assert.FileExists(t, other, "an argument goes before the environment")

	server := startServe(t, other, map[string]string{"SWALLOWTAIL_ADDR": "127.0.0.1:0"})
	assert.NotEqual(t, "http://127.0.0.1:8080", server.base)
	healthy := invocation{
		env: map[string]string{"SWALLOWTAIL_ADDR": strings.TrimPrefix(server.base, "http://")}, args: []string{"health"},
	}.execute(t)
	require.NoError(t, healthy.err)
}

// tamper changes a database behind the program's back.
func tamper(t *testing.T, db, statement string) {
	t.Helper()
	file, err := sql.Open("sqlite", db)
	require.NoError(t, err)
	result, err := file.ExecContext(t.Context(), statement)
	require.NoError(t, err)
	rows, err := result.RowsAffected()
	require.NoError(t, err)
	require.Positive(t, rows, "nothing was changed")
	require.NoError(t, file.Close())
}

func TestADatabaseOfALaterVersionIsLeftAlone(t *testing.T) {
	t.Parallel()
	cases := map[string]struct{ statement, want string }{
		"later": {
			`INSERT INTO schema_migration (version, name, checksum, applied) VALUES (99, '0099_later.sql', zeroblob(32), 0)`,
			"the database was written by a newer version of this program",
		},
		"altered": {
			`UPDATE schema_migration SET checksum = zeroblob(32) WHERE version = 1`,
			"the database has a schema that differs from this program's",
		},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db := filepath.Join(t.TempDir(), "practice.db")
			id := addClinicBeside(t, db)
			tamper(t, db, c.statement)
			for _, args := range [][]string{
				{"serve", "--addr", "127.0.0.1:0"},
				{"migrate"},
				{"check"},
				{"clinic", "add", "--name", "Another", "--timezone", "Etc/UTC"},
				{"token", "issue", "--clinic", id},
			} {
				got := execute(t, append(args, "--db", db)...)
				require.ErrorContains(t, got.err, c.want, args)
				assert.Empty(t, got.out)
			}
		})
	}
}

// report returns what a check printed.
func report(t *testing.T, o told) clinic.Report {
	t.Helper()
	var r clinic.Report
	require.NoError(t, json.Unmarshal([]byte(o.out), &r), "%q, %v", o.out, o.err)
	return r
}

func TestCheckFindsWhatWasAltered(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	household, learner := oneEvening(t, db)
	sound := execute(t, "check", "--db", db)
	require.NoError(t, sound.err)
	assert.Equal(t, 3, report(t, sound).Entries)

	tamper(t, db, bendNights)
	found := execute(t, "check", "--db", db)
	require.ErrorContains(t, found.err, "not as it must be")
	differences := report(t, found).Differences
	require.Len(t, differences, 1)
	assert.Equal(t, household, differences[0].Household.String())
	assert.Equal(t, learner, differences[0].Learner.String())
	assert.Regexp(t, `^the nights are not what a fresh fold gives: 20\d\d-\d\d-\d\d differs$`, differences[0].What)
	require.NoError(t, execute(t, "check", "--db", db, "--rebuild").err, "a projection can be made anew")

	tamper(t, db, `UPDATE entry SET received = received + 1 WHERE rev = 2`)
	altered := execute(t, "check", "--db", db, "--rebuild")
	require.ErrorContains(t, altered.err, "not as it must be")
	require.Len(t, report(t, altered).Differences, 1)
	assert.Contains(t, report(t, altered).Differences[0].What, "the chain breaks at revision 2")

	tamper(t, db, `UPDATE entry SET received = received - 1 WHERE rev = 2`)
	require.NoError(t, execute(t, "check", "--db", db).err)
	tamper(t, db, `DELETE FROM entry WHERE rev = 3`)
	lost := execute(t, "check", "--db", db, "--rebuild")
	require.ErrorContains(t, lost.err, "not as it must be")
	require.Len(t, report(t, lost).Differences, 1)
	assert.Contains(t, report(t, lost).Differences[0].What, "the head is at revision 3, the last entry at 2")
}

// oneEvening fills a database with one household, and one evening of two tries handed in by its phone.
func oneEvening(t *testing.T, db string) (household, learner string) {
	t.Helper()
	server := startServe(t, db, nil)
	addClinicBeside(t, db)
	clinician := signIn(t, server.base, clinicEmail)
	household = addHousehold(t, clinician, "Two homes")
	practised := time.Now().Add(-time.Minute)
	learner, _ = addLearner(t, clinician, household, "Otter", "2019-05", client.NewEnrolment{
		FirstNight: practised.Add(-72 * time.Hour).UTC().Format(time.DateOnly), Timezone: "Etc/UTC", ReminderTime: "19:30",
	})
	phone := openFilePhone(t, server.base, t.TempDir(), enrolPhone(t, clinician, household, "", "Mum", "phone"))
	_, err := phone.RecordEvening(client.Evening{
		Learner: learner, PractisedAt: practised, Timezone: "Etc/UTC",
		Tries: []client.Try{{Position: "left", Outcome: "swallowed", Ease: 4}, {Position: "right", Outcome: "refused"}},
	})
	require.NoError(t, err)
	_, err = phone.Sync(t.Context())
	require.NoError(t, err)
	require.NoError(t, server.end())
	return household, learner
}

func TestACommandThatIsBrokenOffSaysSo(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	db := filepath.Join(t.TempDir(), "practice.db")
	var out, said lockedBuffer
	err := run(ctx, []string{"migrate", "--db", db}, invocation{}.getenv, streams{in: strings.NewReader(""), out: &out, err: &said})
	require.ErrorIs(t, err, context.Canceled)
}
