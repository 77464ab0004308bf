package main

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestCommandsAboutClinicians(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	id := execute(t, "clinic", "add", "--db", db, "--name", "Heron Lane", "--timezone", "Etc/UTC").made(t, "id")
	added := invocation{stdin: somePassword, args: []string{
		"clinician", "add", "--db", db, "--clinic", id, "--name", "Wren", "--email", clinicEmail, "--password-stdin",
	}}.execute(t).made(t, "id")
	list := func() clinicianDoc {
		t.Helper()
		all := printed[cliniciansDoc](t, execute(t, "clinician", "list", "--db", db, "--clinic", id)).Clinicians
		require.Len(t, all, 1)
		return all[0]
	}
	do := func(command string) {
		t.Helper()
		require.NoError(t, execute(t, "clinician", command, "--db", db, "--email", clinicEmail).err)
	}
	wren := list()
	assert.Equal(t, []any{added, clinicEmail, "Wren", "clinician", false}, []any{wren.ID.String(), wren.Email, wren.Name, wren.Role, wren.SecondFactor})
	assert.Zero(t, wren.Disabled)
	do("disable")
	assert.NotZero(t, list().Disabled)
	do("enable")
	assert.Zero(t, list().Disabled)
	do("reset-second-factor")

	set := func(stdin string, more ...string) error {
		args := append([]string{"clinician", "set-password", "--db", db, "--email", clinicEmail}, more...)
		return invocation{stdin: stdin, args: args}.execute(t).err
	}
	require.ErrorContains(t, set("eight quick otters\n"), "--password-stdin")
	require.ErrorContains(t, set("short\n", "--password-stdin"), "--password: must have 15")
	require.NoError(t, set("eight quick otters\n", "--password-stdin"))
	for _, command := range []string{"disable", "enable", "reset-second-factor"} {
		require.Error(t, execute(t, "clinician", command, "--db", db, "--email", "nobody@example.org").err)
	}
	require.ErrorContains(t, execute(t, "clinician", "list", "--db", db, "--clinic", "x").err, "--clinic wants the id")
	require.Error(t, execute(t, "clinician", "list", "--db", db, "--clinic", added).err, "no clinic")
}
