package rowdoc_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
	"swallowtail/internal/reminder"
	"swallowtail/internal/store/rowdoc"
)

// TestDocumentsAreAsTheyWere holds the documents to what databases have in them.
func TestDocumentsAreAsTheyWere(t *testing.T) {
	t.Parallel()
	at := time.Date(2027, time.March, 2, 19, 42, 10, 123_000_000, time.UTC)
	tries := []reminder.Try{
		{At: at, Destination: uuid.UUID{15: 1}, Channel: "email", Outcome: reminder.WasFailed, Permanent: true, Detail: "no such user"},
		{At: at.Add(time.Minute), Outcome: reminder.WasSent},
	}
	kept, err := json.Marshal(rowdoc.TriesOf(tries))
	require.NoError(t, err)
	assert.JSONEq(t, `[{"at":1804016530123,"destination":"00000000-0000-0000-0000-000000000001","channel":"email","outcome":"failed",`+
		`"permanent":true,"detail":"no such user"},{"at":1804016590123,"outcome":"sent"}]`, string(kept))
	var docs []rowdoc.Try
	require.NoError(t, json.Unmarshal(kept, &docs))
	assert.Equal(t, tries, rowdoc.Tries(docs))
	assert.Nil(t, rowdoc.Tries(nil))

	wanted := clinic.Wanted{
		Kinds: []string{"tonight"}, Weekdays: []int{1, 7}, QuietFrom: practice.TimeOfDay(1260), QuietUntil: practice.TimeOfDay(480), Timezone: "Etc/UTC",
	}
	kept, err = json.Marshal(rowdoc.Wanted(wanted))
	require.NoError(t, err)
	assert.JSONEq(t, `{"kinds":["tonight"],"weekdays":[1,7],"quiet_from":1260,"quiet_until":480,"timezone":"Etc/UTC"}`, string(kept))
}
