package api_test

import (
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// TestASchedulerWrittenInGo claims, asks, sends and reports by the client.
func TestASchedulerWrittenInGo(t *testing.T) {
	t.Parallel()
	f, _, address := newDue(t)
	scheduler := client.Scheduler{Base: publicURL, Token: f.scheduler.token(), HTTP: &http.Client{Transport: wire{t: t, handler: f.handler}}}
	due, err := scheduler.Overdue(t.Context(), time.Time{}, client.Page{})
	require.NoError(t, err)
	require.Len(t, due.Overdue, 1)
	assert.Nil(t, due.Overdue[0].ClaimedUntil)
	held, err := scheduler.Claim(t.Context(), client.ClaimRequest{Limit: 10, Lease: time.Minute})
	require.NoError(t, err)
	require.Len(t, held, 1)
	assert.Equal(t, due.Overdue[0].ID, held[0].ID)
	assert.Equal(t, due.Overdue[0].LapsesAt, held[0].LapsesAt)
	leave, err := scheduler.GoAhead(t.Context(), held[0].ID, client.GoAheadRequest{Claim: held[0].Claim})
	require.NoError(t, err)
	assert.Equal(t, []string{address}, leave.Destinations)
	after, err := scheduler.Report(t.Context(), held[0].ID, client.ReminderReport{Claim: held[0].Claim, Outcome: client.OutcomeSent})
	require.NoError(t, err)
	assert.Equal(t, client.ReportedReminder{State: "sent"}, after)
	_, err = scheduler.GoAhead(t.Context(), held[0].ID, client.GoAheadRequest{Claim: held[0].Claim})
	assert.True(t, client.NotToBeSent(err))
}
