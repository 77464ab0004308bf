package client_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
	"swallowtail/openapi"
)

// clinicServer holds every request to the description and answers with what the test wants.
type clinicServer struct {
	*httptest.Server
	mu       sync.Mutex
	answer   string
	seen     *http.Request
	rejected []string
}

// validating is held while a call is looked at: the validator renders schemas that it shares.
var validating sync.Mutex

// described holds calls to the description. It is made once for all tests, since that takes long.
var described = sync.OnceValues(func() (validator.Validator, error) {
	document, err := libopenapi.NewDocument(openapi.YAML())
	if err != nil {
		return nil, err
	}
	v, failures := validator.NewValidator(document)
	return v, errors.Join(failures...)
})

func newClinicServer(t *testing.T) *clinicServer {
	t.Helper()
	described, err := described()
	require.NoError(t, err)
	c := &clinicServer{}
	c.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.seen = r
		validating.Lock()
		_, wrong := described.ValidateHttpRequestSync(r)
		validating.Unlock()
		for _, e := range wrong {
			c.rejected = append(c.rejected, e.Error())
			for _, reason := range e.SchemaValidationErrors {
				c.rejected = append(c.rejected, reason.Reason)
			}
		}
		_, _ = io.WriteString(w, c.answer)
	}))
	t.Cleanup(c.Close)
	return c
}

const someID = "01953a10-0000-7000-8000-000000000001"

func clinicCalls(api client.API) map[string]func(context.Context) (any, error) {
	at := time.Date(2027, 3, 9, 20, 15, 0, 0, time.FixedZone("", 2*60*60))
	answers := map[string]bool{}
	for _, question := range client.ScreeningQuestions() {
		answers[question] = false
	}
	pen := client.Pen{Now: func() time.Time { return at }, NewID: randomID}
	sheet, sheetErr := pen.Evening(client.Evening{
		Learner: learner, PractisedAt: at, Timezone: halifax, Setting: "clinic", Note: "n", NoteShared: true, Witness: someID,
		Tries: eveningOf(1).Tries,
	})
	entries := sheet.Entries
	session := someID
	for _, body := range []client.Body{
		client.ExcuseBody{Night: "2027-03-03", Reason: "ill"},
		client.IncidentBody{What: "pain"},
		client.IncidentBody{Session: &session, What: "choking", Note: "n"},
		client.LinkBody{Sessions: [2]string{someID, learner}},
		client.SettleBody{Judged: []string{someID}, Outcome: "swallowed", Ease: 4, Reason: "r"},
		client.ClearBody{Incidents: []string{someID}, Note: "n"},
		client.ChooseBody{Position: "left"},
		client.PositionsBody{Off: []string{"up"}, From: "2027-03-05"},
		client.ReviewBody{Entry: someID, Take: true},
	} {
		entry, err := pen.New(learner, body)
		sheetErr = errorOf(sheetErr, err)
		entries = append(entries, entry)
	}
	withdrawal, err := pen.Later(learner, someID, []string{someID}, client.RetractBody{})
	sheetErr = errorOf(sheetErr, err)
	entries = append(entries, withdrawal)
	return map[string]func(context.Context) (any, error){
		"POST /v1/auth/sign-in": func(ctx context.Context) (any, error) {
			return api.SignIn(ctx, "ines@clinic.example", "four quiet otters swim", "492039")
		},
		"POST /v1/auth/second-factor": func(ctx context.Context) (any, error) {
			return api.SecondFactor(ctx, "ines@clinic.example", "four quiet otters swim", "")
		},
		"POST /v1/auth/refresh": func(ctx context.Context) (any, error) { return api.Refresh(ctx, "r") },
		"POST /v1/devices/enrol": func(ctx context.Context) (any, error) {
			return api.EnrolDevice(ctx, client.DeviceEnrolment{
				InviteCode: "H7QK", Caregiver: client.DeviceCaregiver{Name: "Papa"}, Device: client.DeviceKind{Name: "blue", Platform: "android"},
			})
		},
		"GET /v1/consent-text": func(ctx context.Context) (any, error) { return api.ConsentText(ctx) },
		"POST /v1/plans": func(ctx context.Context) (any, error) {
			return api.CreatePlan(ctx, "Three weeks", client.PlanParameters{Nights: 21, Positions: []string{"centre", "left"}})
		},
		"GET /v1/plans?cursor=c&limit=2": func(ctx context.Context) (any, error) { return api.Plans(ctx, client.Page{Limit: 2, Cursor: "c"}) },
		"GET /v1/plans/" + someID:        func(ctx context.Context) (any, error) { return api.Plan(ctx, someID) },
		"POST /v1/households":            func(ctx context.Context) (any, error) { return api.CreateHousehold(ctx, "blue folder") },
		"GET /v1/households/" + someID:   func(ctx context.Context) (any, error) { return api.Household(ctx, someID) },
		"POST /v1/households/" + someID + "/invites": func(ctx context.Context) (any, error) {
			return api.CreateInvite(ctx, someID, learner)
		},
		"POST /v1/devices/" + someID + "/revoke": func(ctx context.Context) (any, error) { return nil, api.RevokeDevice(ctx, someID) },
		"POST /v1/households/" + someID + "/learners": func(ctx context.Context) (any, error) {
			return api.CreateLearner(ctx, someID, "Otter", "2019-05")
		},
		"POST /v1/learners/" + someID + "/screening": func(ctx context.Context) (any, error) {
			return nil, api.Screen(ctx, someID, client.Screening{Answers: answers, Decision: "go", Note: "n"})
		},
		"POST /v1/learners/" + someID + "/enrolments": func(ctx context.Context) (any, error) {
			return api.Enrol(ctx, someID, client.NewEnrolment{
				PlanID: someID, FirstNight: "2027-03-01", Timezone: halifax, ReminderTime: "19:30", Positions: []string{"left"},
				Target: &client.Target{CapsuleSize: "1"},
			})
		},
		"POST /v1/enrolments/" + someID + "/status": func(ctx context.Context) (any, error) {
			return api.SetEnrolmentStatus(ctx, someID, "paused", "away")
		},
		"GET /v1/roster?flag=recalled&limit=5&order=nickname&status=running": func(ctx context.Context) (any, error) {
			return api.Roster(ctx, client.RosterQuery{Page: client.Page{Limit: 5}, Status: "running", Flag: "recalled", Order: "nickname"})
		},
		"GET /v1/learners/" + someID + "/summary?as_of=2027-03-09T20%3A15%3A00%2B02%3A00&enrolment=" + learner: func(ctx context.Context) (any, error) {
			return api.Summary(ctx, someID, client.As{Of: at, Enrolment: learner})
		},
		"GET /v1/learners/" + someID + "/nights": func(ctx context.Context) (any, error) { return api.Nights(ctx, someID, client.As{}) },
		"GET /v1/learners/" + someID + "/entries?limit=500": func(ctx context.Context) (any, error) {
			return api.Entries(ctx, someID, client.Page{Limit: 500})
		},
		"POST /v1/learners/" + someID + "/entries": func(ctx context.Context) (any, error) {
			added, err := api.AddEntries(ctx, someID, entries...)
			return added, errorOf(sheetErr, err)
		},
		"GET /v1/household": func(ctx context.Context) (any, error) { return api.OwnHousehold(ctx) },
		"GET /v1/reminders/overdue?as_of=2027-03-09T20%3A15%3A00%2B02%3A00&limit=3": func(ctx context.Context) (any, error) {
			return api.Overdue(ctx, at, client.Page{Limit: 3})
		},
	}
}

func errorOf(first, second error) error {
	if first != nil {
		return first
	}
	return second
}

func TestCallsAreAsDescribed(t *testing.T) {
	t.Parallel()
	s := newClinicServer(t)
	s.answer = `{}`
	api := client.API{Base: s.URL, HTTP: s.Client(), Token: "t"}
	for name, call := range clinicCalls(api) {
		_, err := call(context.Background())
		require.NoError(t, err, name)
		assert.Equal(t, name, s.seen.Method+" "+s.seen.URL.RequestURI())
		assert.Equal(t, "Bearer t", s.seen.Header.Get("Authorization"))
		assert.Empty(t, s.rejected, name)
		s.rejected = nil
	}
	err := api.Call(context.Background(), http.MethodPost, "/v1/households", map[string]int{"label": 7}, nil)
	require.NoError(t, err)
	assert.NotEmpty(t, s.rejected, "what is not as described is noticed")
}

func TestSyncCallsAreAsDescribed(t *testing.T) {
	t.Parallel()
	s := newClinicServer(t)
	inner := newServer()
	tokens, err := client.OpenTokens(&client.MemoryTokens{Pair: client.Pair{Access: "t"}}, nil)
	require.NoError(t, err)
	p := newPhone(t, inner, mother)
	device := p.useTransport(t, transportFunc(func(ctx context.Context, request client.Request) (client.Response, error) {
		answer, err := inner.sync(mother, request)
		s.answer = string(encode(answer))
		require.NoError(t, err)
		over, err := client.HTTPTransport{Base: s.URL, Tokens: tokens}.Sync(ctx, request)
		assert.Equal(t, answer, over)
		return over, err
	}))
	for _, tries := range [][]client.Try{nil, eveningOf(1).Tries[:1]} { // small ones go as they are, uncompressed
		evening := eveningOf(1)
		evening.Tries = tries
		written, err := device.RecordEvening(evening)
		p.keep(err, written.Entries...)
		_, err = device.Sync(context.Background())
		require.NoError(t, err)
	}
	assert.Empty(t, s.rejected)
}

func TestASummaryInTwoViews(t *testing.T) {
	t.Parallel()
	s := newClinicServer(t)
	api := client.API{Base: s.URL, HTTP: s.Client(), Token: "t"}
	s.answer = `{"learner":{"id":"l","nickname":"Otter","age_band":null},"as_of":"2027-03-09T20:15:00Z",
		"nights":{"planned":14,"elapsed":9,"practised":8},"streak":{"current":5,"longest":6},"last_heard_at":null,
		"preference":{"judged_position":"left","positions":{"left":{"tries":8,"swallowed":7,"share":0.875}}},
		"readiness":{"verdict":"hold","criteria":[{"id":"no_open_incident","met":null}]},"flags":["hold"],"snags":{"water":3},
		"hold":{"incidents":[{"entry":"e","what":"choking","recorded_at":"2027-03-08T20:15:00Z"}],"since":"2027-03-08T20:15:01Z"},"later":1}`
	got, err := api.Summary(context.Background(), learner, client.As{})
	require.NoError(t, err)
	assert.Equal(t, client.NightCounts{Planned: 14, Elapsed: 9, Practised: 8}, got.Nights)
	assert.Equal(t, client.Streak{Current: 5, Longest: 6}, got.Streak)
	assert.InDelta(t, 0.875, *got.Preference.Positions["left"].Share, 1e-9)
	assert.Equal(t, "hold", got.Readiness.Verdict)
	assert.Nil(t, got.Readiness.Criteria[0].Met)
	assert.Equal(t, "choking", got.Hold.Incidents[0].What)
	assert.JSONEq(t, s.answer, string(got.Raw), "nothing of it is lost")

	s.answer = `{"learner":{"id":"l","nickname":"Otter"},"positions":{"up":{"tries":1,"swallowed":0}},"hold":{"what_to_do":"Call."}}`
	family, err := api.Summary(context.Background(), learner, client.As{})
	require.NoError(t, err)
	assert.Equal(t, "Call.", family.Hold.WhatToDo)
	assert.Equal(t, 1, family.Positions["up"].Tries)
	assert.Zero(t, family.Readiness)
}

func TestAnswersAreTyped(t *testing.T) {
	t.Parallel()
	s := newClinicServer(t)
	api := client.API{Base: s.URL, HTTP: s.Client(), Token: "t"}
	ctx := context.Background()

	s.answer = fmt.Sprintf(`{"device_id":%q,"caregiver_id":%q,"household_id":"h","access_token":"a","expires_in":900,"refresh_token":"r"}`, mother.Device, mother.Caregiver)
	device, err := api.EnrolDevice(ctx, client.DeviceEnrolment{})
	require.NoError(t, err)
	assert.Equal(t, mother, device.Writer())
	assert.Equal(t, client.Pair{Access: "a", ExpiresIn: 900, Refresh: "r"}, device.Pair)

	s.answer = `{"id":"h1"}`
	household, err := api.CreateHousehold(ctx, "blue folder")
	require.NoError(t, err)
	assert.Equal(t, "h1", household)

	s.answer = `{"overdue":[{"id":"o","kind":"tonight","due_at":"2027-03-09T22:30:00Z","run":2,"last_heard_at":null}],"cursor":null}`
	overdue, err := api.Overdue(ctx, time.Time{}, client.Page{})
	require.NoError(t, err)
	assert.Equal(t, []client.Reminder{{ID: "o", Kind: "tonight", DueAt: time.Date(2027, 3, 9, 22, 30, 0, 0, time.UTC), Run: 2}}, overdue.Overdue)
	assert.Empty(t, overdue.Cursor)

	s.answer = `{"nights":[{"night":"2027-03-02","status":"complete","enrolment_id":null,"score":{"left":{"outcome":"swallowed","ease":4}},
		"sittings":[{"number":1,"tries":[{"position":"left","number":1,"agreement":"disagreed","ease_range":[2,4],
		"readings":[{"entry":"e","caregiver":"c","outcome":"swallowed","ease":4}]}]}]}]}`
	nights, err := api.Nights(ctx, learner, client.As{})
	require.NoError(t, err)
	night := nights.Nights[0]
	assert.Equal(t, client.Score{Outcome: "swallowed", Ease: 4}, night.Score["left"])
	assert.Equal(t, []int{2, 4}, night.Sittings[0].Tries[0].EaseRange)
	assert.Equal(t, client.Reading{Entry: "e", Caregiver: "c", Outcome: "swallowed", Ease: 4}, night.Sittings[0].Tries[0].Readings[0])
}
