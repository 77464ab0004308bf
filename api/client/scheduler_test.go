package client_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

var dueAt = time.Date(2027, 3, 9, 22, 30, 0, 0, time.UTC)

// TestASchedulersCallsAreAsDescribed holds each call to the description, what may be left out included and left out.
func TestASchedulersCallsAreAsDescribed(t *testing.T) {
	t.Parallel()
	s := newClinicServer(t)
	s.answer = `{}`
	scheduler := client.Scheduler{Base: s.URL, HTTP: s.Client(), Token: "t"}
	claims, goAhead, outcome := "/v1/reminders/claims", "/v1/reminders/"+someID+"/go-ahead", "/v1/reminders/"+someID+"/outcome"
	part := client.DestinationReport{ID: learner, Channel: "email", Outcome: client.OutcomeFailed, Permanent: true, Detail: "550 5.1.1"}
	for _, test := range []struct {
		name, asked string
		call        func(ctx context.Context) error
	}{
		{"what is overdue", "GET /v1/reminders/overdue?as_of=2027-03-09T22%3A30%3A00Z&limit=3", func(ctx context.Context) error {
			_, err := scheduler.Overdue(ctx, dueAt, client.Page{Limit: 3})
			return err
		}},
		{"a claim of whatever there is", "POST " + claims, func(ctx context.Context) error {
			_, err := scheduler.Claim(ctx, client.ClaimRequest{})
			return err
		}},
		{"a claim in every particular", "POST " + claims, func(ctx context.Context) error {
			_, err := scheduler.Claim(ctx, client.ClaimRequest{
				Kinds: []string{"tonight", client.KindVerification}, Limit: 500, Lease: 15 * time.Minute, AsOf: dueAt,
			})
			return err
		}},
		{"asking for the go-ahead", "POST " + goAhead, func(ctx context.Context) error {
			_, err := scheduler.GoAhead(ctx, someID, client.GoAheadRequest{Claim: learner})
			return err
		}},
		{"asking for it in every particular", "POST " + goAhead, func(ctx context.Context) error {
			_, err := scheduler.GoAhead(ctx, someID, client.GoAheadRequest{Claim: learner, Repeatable: true, AsOf: dueAt})
			return err
		}},
		{"a report", "POST " + outcome, func(ctx context.Context) error {
			_, err := scheduler.Report(ctx, someID, client.ReminderReport{Claim: learner, Outcome: client.OutcomeSent})
			return err
		}},
		{"a report in every particular", "POST " + outcome, func(ctx context.Context) error {
			_, err := scheduler.Report(ctx, someID, client.ReminderReport{
				Claim: learner, Outcome: client.OutcomeFailed, Permanent: true, Detail: "no such mailbox",
				Destinations: []client.DestinationReport{part, {ID: someID, Channel: "email", Outcome: client.OutcomeUnclear}},
			})
			return err
		}},
	} {
		s.rejected = nil
		require.NoError(t, test.call(t.Context()), test.name)
		assert.Equal(t, test.asked, s.seen.Method+" "+s.seen.URL.RequestURI(), test.name)
		assert.Equal(t, "Bearer t", s.seen.Header.Get("Authorization"), test.name)
		assert.Empty(t, s.rejected, test.name)
	}
	_, err := scheduler.Claim(t.Context(), client.ClaimRequest{Lease: time.Second})
	require.NoError(t, err)
	assert.NotEmpty(t, s.rejected, "too short a lease is another than the description has")
}

func TestWhatASchedulerIsAnswered(t *testing.T) {
	t.Parallel()
	s := newClinicServer(t)
	scheduler := client.Scheduler{Base: s.URL, HTTP: s.Client(), Token: "t"}

	s.answer = `{"claimed":[{"id":"r","kind":"tonight","learner_id":"l","household_id":"h","night":"2027-03-09","due_at":"2027-03-09T22:30:00Z",
		"lapses_at":"2027-03-10T01:00:00Z","run":2,"last_heard_at":null,"claim":"c","lease_until":"2027-03-09T22:32:00Z","attempt":1,
		"destinations":[{"id":"a","channel":"email","to":"papa@example.org","key":"r.a","subject":"Practice time","text":"It is.\n",
			"unsubscribe_url":"https://practice.example.org/v1/unsubscribe/x"}]},
		{"id":"v","kind":"verification","learner_id":null,"household_id":"h","night":null,"due_at":"2027-03-09T22:30:00Z",
		"lapses_at":"2027-03-10T22:30:00Z","run":0,"last_heard_at":null,"claim":"d","lease_until":"2027-03-09T22:32:00Z","attempt":2,
		"destinations":[{"id":"b","channel":"email","to":"mama@example.org","key":"v.b","subject":"Your code","text":"7ZK3-9QXM","unsubscribe_url":null}]}]}`
	held, err := scheduler.Claim(t.Context(), client.ClaimRequest{})
	require.NoError(t, err)
	assert.Equal(t, []client.ClaimedReminder{
		{
			ID: "r", Kind: "tonight", LearnerID: "l", HouseholdID: "h", Night: "2027-03-09", DueAt: dueAt, LapsesAt: dueAt.Add(150 * time.Minute), Run: 2,
			Claim: "c", LeaseUntil: dueAt.Add(2 * time.Minute), Attempt: 1, Destinations: []client.Destination{{
				ID: "a", Channel: "email", To: "papa@example.org", Key: "r.a", Subject: "Practice time", Text: "It is.\n",
				UnsubscribeURL: "https://practice.example.org/v1/unsubscribe/x",
			}},
		},
		{
			ID: "v", Kind: client.KindVerification, HouseholdID: "h", DueAt: dueAt, LapsesAt: dueAt.Add(24 * time.Hour),
			Claim: "d", LeaseUntil: dueAt.Add(2 * time.Minute), Attempt: 2, Destinations: []client.Destination{{
				ID: "b", Channel: "email", To: "mama@example.org", Key: "v.b", Subject: "Your code", Text: "7ZK3-9QXM",
			}},
		},
	}, held)

	s.answer = `{"send_within_seconds":15,"report_by":"2027-03-09T22:32:00Z","destinations":["a"]}`
	leave, err := scheduler.GoAhead(t.Context(), "r", client.GoAheadRequest{Claim: "c"})
	require.NoError(t, err)
	assert.Equal(t, client.GoAhead{SendWithinSeconds: 15, ReportBy: dueAt.Add(2 * time.Minute), Destinations: []string{"a"}}, leave)

	s.answer = `{"state":"waiting","retry_at":"2027-03-09T22:32:00Z"}`
	after, err := scheduler.Report(t.Context(), "r", client.ReminderReport{Claim: "c", Outcome: client.OutcomeFailed})
	require.NoError(t, err)
	again := dueAt.Add(2 * time.Minute)
	assert.Equal(t, client.ReportedReminder{State: "waiting", RetryAt: &again}, after)
	s.answer = `{"state":"sent","retry_at":null}`
	after, err = scheduler.Report(t.Context(), "r", client.ReminderReport{Claim: "c", Outcome: client.OutcomeSent})
	require.NoError(t, err)
	assert.Equal(t, client.ReportedReminder{State: "sent"}, after)

	s.answer = `{"overdue":[{"id":"r","kind":"tonight","due_at":"2027-03-09T22:30:00Z","lapses_at":"2027-03-10T01:00:00Z",
		"claimed_until":"2027-03-09T22:32:00Z","run":2,"last_heard_at":null}],"cursor":"next"}`
	overdue, err := scheduler.Overdue(t.Context(), time.Time{}, client.Page{})
	require.NoError(t, err)
	assert.Equal(t, client.OverduePage{Overdue: []client.Reminder{{
		ID: "r", Kind: "tonight", DueAt: dueAt, LapsesAt: dueAt.Add(150 * time.Minute), ClaimedUntil: &again, Run: 2,
	}}, Cursor: "next"}, overdue)
}

// TestWhatASchedulerIsRefused tells refusals after which nothing is sent from those after which the call is made again.
func TestWhatASchedulerIsRefused(t *testing.T) {
	t.Parallel()
	status, problem := 0, ""
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/problem+json")
		w.Header().Set("Retry-After", "7")
		w.WriteHeader(status)
		_, _ = io.WriteString(w, fmt.Sprintf(`{"type":%q,"title":"T","status":%d}`, problem, status))
	}))
	t.Cleanup(s.Close)
	scheduler := client.Scheduler{Base: s.URL, HTTP: s.Client(), Token: "t"}
	for _, test := range []struct {
		status       int
		problem      string
		gone, waited bool
	}{
		{http.StatusConflict, client.TypeClaimNotHeld, true, false},
		{http.StatusConflict, client.TypeReminderNotDue, true, false},
		{http.StatusConflict, "/problems/other", false, false},
		{http.StatusUnauthorized, "/problems/token-expired", false, false},
		{http.StatusTooManyRequests, "/problems/rate-limited", false, true},
		{http.StatusServiceUnavailable, "/problems/unavailable", false, true},
	} {
		status, problem = test.status, test.problem
		_, claim := scheduler.Claim(t.Context(), client.ClaimRequest{})
		_, goAhead := scheduler.GoAhead(t.Context(), someID, client.GoAheadRequest{Claim: learner})
		_, report := scheduler.Report(t.Context(), someID, client.ReminderReport{Claim: learner, Outcome: client.OutcomeSent})
		for _, err := range []error{claim, goAhead, report} {
			require.Error(t, err)
			told := client.AsProblem(err)
			require.NotNil(t, told)
			assert.Equal(t, test.status, told.Status)
			assert.Equal(t, test.problem, told.Type)
			assert.Equal(t, 7*time.Second, told.RetryAfter)
			assert.Equal(t, test.gone, client.NotToBeSent(err), test.problem)
			assert.Equal(t, test.waited, told.ComeBackLater(), test.problem)
		}
	}
	s.Close()
	_, err := scheduler.Claim(t.Context(), client.ClaimRequest{})
	require.Error(t, err)
	assert.False(t, client.NotToBeSent(err), "nobody knows")
	assert.False(t, client.NotToBeSent(errors.New("another")))
	assert.False(t, client.NotToBeSent(nil))
}
