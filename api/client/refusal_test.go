package client_test

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

func TestARevokedDeviceEmptiesItsOutbox(t *testing.T) {
	t.Parallel()
	s := newServer()
	p := newPhone(t, s, mother)
	p.evening(1)
	p.inStep()
	p.evening(2)
	s.revoked[mother.Device] = true

	report := p.inStep()

	assert.True(t, report.UploadOnly)
	assert.Equal(t, 4, report.Pushed)
	assert.Empty(t, p.Outbox())
	assert.Len(t, p.State().HandedIn, 4)
	assert.Len(t, p.Entries(), 4)
	p.restart()
	assert.Equal(t, client.Report{Calls: 1, UploadOnly: true}, p.inStep())
}

// TestARevokedDeviceLetsGoOfWhatHadArrived before it was revoked, in a call whose answer it never got.
func TestARevokedDeviceLetsGoOfWhatHadArrived(t *testing.T) {
	t.Parallel()
	s := newServer()
	p := newPhone(t, s, mother)
	p.evening(1)
	p.faults = []fault{lostAnswer}
	_, err := p.Device.Sync(context.Background())
	require.ErrorIs(t, err, errLost)
	require.Len(t, p.Outbox(), 4)
	s.revoked[mother.Device] = true
	p.inStep()
	assert.Empty(t, p.Outbox())
	assert.Len(t, p.State().HandedIn, 4)
	assert.Equal(t, 4, s.head())
}

func TestAnIDInUseStaysInSight(t *testing.T) {
	t.Parallel()
	s := newServer()
	p := newPhone(t, s, mother)
	entry, err := p.Excuse(learner, "2027-03-03", "ill")
	p.keep(err, entry)
	entry.Body = json.RawMessage(`{"night":"2027-03-04","reason":"ill"}`)
	s.write(entry)

	p.faults = []fault{lostAnswer}
	_, err = p.Device.Sync(context.Background())
	require.ErrorIs(t, err, errLost)
	p.inStep()
	calls := s.calls
	p.inStep()

	assert.Equal(t, calls+1, s.calls)
	troubles := p.Problems()
	require.Len(t, troubles, 1)
	assert.Equal(t, client.IDReuse, troubles[0].Status)
	assert.JSONEq(t, `{"night":"2027-03-03","reason":"ill"}`, string(troubles[0].Entry.Body))
	assert.Len(t, p.Outbox(), 1, "the feed shows the id with other content, which is not sight of this entry")
}

func TestAQuarantinedEntryStaysInSightUntilMended(t *testing.T) {
	t.Parallel()
	s := newServer()
	p := newPhone(t, s, mother)
	wrong := client.TryBody{Session: learner, Position: "up", Number: 1, Medium: "sweet", Outcome: "swallowed", Ease: 9}
	entry, err := p.Write(learner, wrong)
	p.keep(err, entry)
	p.inStep()
	p.restart()
	assert.Empty(t, p.Outbox())
	troubles := p.Problems()
	require.Len(t, troubles, 1)
	assert.Equal(t, client.Quarantined, troubles[0].Status)
	assert.Equal(t, "/problems/entry-invalid", troubles[0].Problem.Type)

	wrong.Ease = 5
	mended, err := p.Edit(entry.ID, wrong)
	p.keep(err, mended)
	assert.Equal(t, []string{entry.ID}, mended.Replaces)
	assert.Empty(t, p.Problems())
	p.inStep()
	requireInStep(t, p)
	assert.Empty(t, p.Problems())
}

func TestCallsThatAreTooLarge(t *testing.T) {
	t.Parallel()
	s := newServer()
	s.maxEntries = 3
	s.maxBytes = 1000
	p := newPhone(t, s, mother)
	p.evening(1)
	large, err := p.Incident(learner, "", "other", string(make([]byte, 2000)))
	p.keep(err, large)
	p.evening(2)
	p.inStep()
	require.Len(t, p.Outbox(), 1)
	require.Len(t, p.Problems(), 1)
	assert.Equal(t, client.TooLarge, p.Problems()[0].Status)
	assert.Equal(t, 413, p.Problems()[0].Problem.Status)
	assert.Equal(t, 8, s.head(), "it is not in the way of the others")
}

func TestABatchKeepsTheLimits(t *testing.T) {
	t.Parallel()
	var sizes []int
	s := newServer()
	p := newPhone(t, s, mother)
	device := p.useTransport(t, transportFunc(func(_ context.Context, request client.Request) (client.Response, error) {
		sizes = append(sizes, len(request.Entries))
		assert.Less(t, len(encode(request)), 950_000)
		request.Limit = 500
		return s.sync(mother, request)
	}))
	pen := client.Pen{Now: p.now, NewID: p.newID}
	var many []client.Entry
	for range 1500 {
		many = append(many, pen.Raw(learner, "excuse", json.RawMessage(`{"night":"2027-03-03","reason":"ill"}`)))
	}
	for range 4 {
		body, err := json.Marshal(client.RetractBody{Reason: fmt.Sprintf("%0300000d", 1)})
		require.NoError(t, err)
		many = append(many, pen.Raw(learner, "retract", body))
	}
	require.NoError(t, device.Record(many...))
	_, err := device.Sync(context.Background())
	require.NoError(t, err)
	require.Equal(t, []int{1000, 502, 2}, sizes[:3])
	assert.Equal(t, 1504, s.head())
	assert.Empty(t, device.Outbox())
}

func TestABusyServer(t *testing.T) {
	t.Parallel()
	p := newPhone(t, newServer(), mother)
	p.evening(1)
	p.faults = []fault{busy}
	_, err := p.Device.Sync(context.Background())
	problem := client.AsProblem(err)
	require.NotNil(t, problem)
	assert.True(t, problem.ComeBackLater())
	assert.Equal(t, 7*time.Second, problem.RetryAfter)
	assert.Len(t, p.Outbox(), 4)
}

func TestBrokenAnswersChangeNothing(t *testing.T) {
	t.Parallel()
	empty := ""
	breaks := map[string]func(*client.Response){
		"no results":         func(r *client.Response) { r.Results = nil },
		"a result too few":   func(r *client.Response) { r.Results = r.Results[1:] },
		"results misplaced":  func(r *client.Response) { slices.Reverse(r.Results) },
		"no cursor":          func(r *client.Response) { r.Cursor = nil },
		"empty cursor":       func(r *client.Response) { r.Cursor = &empty },
		"an id that is none": func(r *client.Response) { r.Changes[0].ID, r.More = "7", false },
		"a night unreadable": func(r *client.Response) { r.Nights[0] = json.RawMessage(`[]`) },
		"a night cut off":    func(r *client.Response) { r.Nights[0] = json.RawMessage(`{"learner_id":"l","status":[`) },
		"a night of nobody":  func(r *client.Response) { r.Nights[0] = json.RawMessage(`{"night":"2027-03-03"}`) },
		"a nameless night":   func(r *client.Response) { r.Nights[0] = json.RawMessage(`{"learner_id":"l","night":""}`) },
		"a night of no text": func(r *client.Response) { r.Nights[0] = json.RawMessage(`{"learner_id":"l","night":7}`) },
	}
	for name, spoil := range breaks {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := newServer()
			p := newPhone(t, s, mother)
			p.evening(1)
			before := p.disk.text
			device := p.useTransport(t, transportFunc(func(_ context.Context, request client.Request) (client.Response, error) {
				answer, err := s.sync(mother, request)
				spoil(&answer)
				return answer, err
			}))
			_, err := device.Sync(context.Background())
			require.ErrorIs(t, err, client.ErrAnswer)
			assert.Equal(t, string(before), string(p.disk.text))
		})
	}
}

// TestANightIsKnownByItsName wherever in its document that stands.
func TestANightIsKnownByItsName(t *testing.T) {
	t.Parallel()
	s := newServer()
	p := newPhone(t, s, mother)
	p.evening(1)
	device := p.useTransport(t, transportFunc(func(_ context.Context, request client.Request) (client.Response, error) {
		answer, err := s.sync(mother, request)
		answer.Nights = []json.RawMessage{
			json.RawMessage(`{"sittings":[{"night":"n","learner_id":"x"}],"night":"2027-03-03","more":{},"learner_id":"l"}`),
			json.RawMessage(` { "learner_id" : "l", "night" : "2027-03-04" } `),
		}
		return answer, err
	}))
	_, err := device.Sync(context.Background())
	require.NoError(t, err)
	assert.Equal(t, []string{"l/2027-03-03", "l/2027-03-04"}, slices.Sorted(maps.Keys(device.State().Nights)))
}

func TestAServerThatNeverComesToAnEnd(t *testing.T) {
	t.Parallel()
	s := newServer()
	p := newPhone(t, s, mother)
	p.evening(1)
	device := p.useTransport(t, transportFunc(func(_ context.Context, request client.Request) (client.Response, error) {
		answer, err := s.sync(mother, request)
		answer.More = true
		return answer, err
	}))
	report, err := device.Sync(context.Background())
	require.ErrorIs(t, err, client.ErrRounds)
	assert.Equal(t, 200, report.Calls)
}
