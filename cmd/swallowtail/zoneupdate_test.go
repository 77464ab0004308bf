package main

import (
	"database/sql"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
	"swallowtail/internal/practice/zonetest"
)

// TestAnUpdateOfTheZoneDatabase: a server that starts with other rules for a zone reminds by them of whoever lives there.
func TestAnUpdateOfTheZoneDatabase(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../testdata/zones/answers.txt")
	require.NoError(t, err)
	answers, err := zonetest.Parse(string(text))
	require.NoError(t, err)
	database := t.TempDir()
	for _, z := range answers.Zones {
		if z.Name == "Asia/Kolkata" { // as if Halifax had been where Kolkata is
			require.NoError(t, os.MkdirAll(filepath.Join(database, "America"), 0o700))
			require.NoError(t, os.WriteFile(filepath.Join(database, "America", "Halifax"), z.Data, 0o600))
		}
	}

	db := filepath.Join(t.TempDir(), "practice.db")
	server := spawn(t, db, "ZONEINFO="+database)
	addClinicBeside(t, db)
	clinician := signIn(t, server.base(t), clinicEmail)
	tomorrow := time.Now().UTC().AddDate(0, 0, 2)
	addLearner(t, clinician, addHousehold(t, clinician, "The two homes"), "Otter", "", client.NewEnrolment{
		FirstNight: tomorrow.Format(time.DateOnly), Timezone: "America/Halifax", ReminderTime: "19:30",
	})
	server.kill(t)
	nextDue := func() time.Time {
		var ms int64
		file, err := sql.Open("sqlite", db+"?_busy_timeout=10000")
		require.NoError(t, err)
		require.NoError(t, file.QueryRowContext(t.Context(), `SELECT next_due FROM projection`).Scan(&ms))
		require.NoError(t, file.Close())
		return time.UnixMilli(ms).UTC()
	}
	at := tomorrow.Truncate(24 * time.Hour)
	assert.Equal(t, at.Add(14*time.Hour), nextDue(), "19:30 in Kolkata")

	server = spawn(t, db)
	server.base(t)
	home, err := time.LoadLocation("America/Halifax")
	require.NoError(t, err)
	there := time.Date(at.Year(), at.Month(), at.Day(), 19, 30, 0, 0, home).UTC()
	assert.Eventually(t, func() bool { return nextDue().Equal(there) }, commandTime, 20*time.Millisecond, "19:30 in Halifax")
}
