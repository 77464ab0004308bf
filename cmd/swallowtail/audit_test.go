package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestATrailThatIsWrittenAnewShows keeps the heads of a trail elsewhere, and holds to them a trail that went on, one that was
// put back to an older backup, one that was altered, and one that was forged as a whole.
func TestATrailThatIsWrittenAnewShows(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	db, heads := filepath.Join(folder, "practice.db"), filepath.Join(folder, "heads.json")
	oneEvening(t, db)
	file, _ := takeBackup(t, db)
	verify := func(flags ...string) told {
		return execute(t, append([]string{"audit", "verify", "--db", db}, flags...)...)
	}

	server := startServe(t, db, nil) // the trail goes on after the backup
	signIn(t, server.base, clinicEmail)
	require.NoError(t, server.end())
	kept := execute(t, "audit", "heads", "--db", db)
	require.NoError(t, kept.err)
	require.NoError(t, os.WriteFile(heads, []byte(kept.out), 0o600))
	before := printed[headsDoc](t, kept).Heads
	require.Len(t, before, 1)
	assert.Greater(t, before[0].Seq, int64(5))

	require.NoError(t, execute(t, "restore", file, "--db", db).err)
	restored := verify("--heads", heads)
	require.NoError(t, restored.err, "what happened since the backup stays on the trail")
	assert.Equal(t, before[0].Seq+1, printed[headsDoc](t, restored).Heads[0].Seq, "and so does that it was restored")
	assert.Contains(t, verify().said, "Each trail holds together")
	require.NoError(t, invocation{stdin: kept.out, args: []string{"audit", "verify", "--db", db, "--heads", "-"}}.execute(t).err)

	change(t, db, `DROP TRIGGER audit_is_not_changed; DROP TRIGGER audit_is_not_cut`)
	tamper(t, db, `UPDATE audit SET did = 'getPlan' WHERE seq = 3`)
	altered := verify()
	require.ErrorContains(t, altered.err, "not as it was written")
	assert.Contains(t, altered.said, "row 3, or the one before it, is not as it was written")
	require.ErrorContains(t, execute(t, "check", "--db", db).err, "not as it must be")
	require.Error(t, execute(t, "audit", "heads", "--db", db).err)

	tamper(t, db, `DELETE FROM audit WHERE seq > 2`) // what is left holds together
	require.NoError(t, verify().err)
	forged := verify("--heads", heads)
	require.Error(t, forged.err)
	assert.Contains(t, forged.said, "and holds up to row 2")

	require.ErrorContains(t, verify("--heads", filepath.Join(folder, "nowhere")).err, "no such file")
	require.NoError(t, os.WriteFile(heads, []byte(`{"heads":[{"clinic":"01940000-0000-7000-8000-000000000001","seq":1,"hash":"00"}]}`), 0o600))
	require.ErrorContains(t, verify("--heads", heads).err, "64 hexadecimal digits")
}
