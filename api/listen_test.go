package api_test

import (
	"context"
	"net/http"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// ear is a phone, in Go, that syncs whenever its stream says that there is something new.
type ear struct {
	*client.Device
	tokens *client.Tokens
	ends   chan error

	mu    sync.Mutex
	heard []client.Place
	syncs int
}

// listens enrols a phone of somebody new, and lets it listen until ctx ends.
func (f *family) listens(ctx context.Context, over *http.Client) *ear {
	f.t.Helper()
	caller := client.API{Base: "http://swallowtail.example", HTTP: over}
	enrolled, err := caller.EnrolDevice(ctx, client.DeviceEnrolment{
		InviteCode: f.invite(map[string]any{}), Caregiver: client.DeviceCaregiver{Name: "Gran"},
		Device: client.DeviceKind{Name: "phone", Platform: "android"},
	})
	require.NoError(f.t, err)
	e := &ear{ends: make(chan error, 1)}
	e.tokens, err = client.OpenTokens(&client.MemoryTokens{Pair: enrolled.Pair}, caller.Refresh)
	require.NoError(f.t, err)
	e.Device, err = client.Open(client.Config{
		Writer: enrolled.Writer(), Disk: &client.MemoryDisk{}, Now: f.clock.now, NewID: func() string { return f.madeIDs.next().String() },
		Transport: client.HTTPTransport{Base: caller.Base, HTTP: over, Tokens: e.tokens},
	})
	require.NoError(f.t, err)
	stream := client.Stream{
		Base: caller.Base, HTTP: over, Tokens: e.tokens,
		Backoff: client.Backoff{Least: 2 * time.Second, Most: time.Minute, Random: func() float64 { return 0.5 }},
	}
	go func() {
		e.ends <- stream.Listen(ctx, func(p client.Place) {
			_, err := e.Sync(ctx)
			e.mu.Lock()
			defer e.mu.Unlock()
			e.heard = append(e.heard, p)
			if err == nil {
				e.syncs++
			}
		})
	}()
	synctest.Wait()
	return e
}

// heads returns the revisions heard since it was asked last.
func (e *ear) heads() []int64 {
	e.mu.Lock()
	defer e.mu.Unlock()
	heads := []int64{}
	for _, p := range e.heard {
		heads = append(heads, p.Head)
	}
	e.heard = nil
	return heads
}

// TestAClientThatListensIsInStep without asking by itself, across tokens that expire and a server that is started anew.
func TestAClientThatListensIsInStep(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, f *family, mama, _ *phone) {
		server, over := f.connected()
		ctx, cancel := context.WithCancel(t.Context())
		e := f.listens(ctx, over)
		assert.Equal(t, []int64{0}, e.heads())
		for day := range 4 {
			mama.accepted(mama.evening(start.AddDate(0, 0, -day))...)
			synctest.Wait()
			require.Equal(t, []int64{int64(6 * (day + 1))}, e.heads())
			require.Len(t, e.Entries(), 6*(day+1), "at once")
			time.Sleep(11 * time.Minute)
			synctest.Wait()
			require.Empty(t, e.heads(), "and nothing in between, though its token was exchanged")
		}
		require.Equal(t, 5, e.syncs)

		server.stop()
		time.Sleep(20 * time.Second)
		synctest.Wait()
		again := f.restored(f.house.path)
		mama.at(again).accepted(mama.session(start.Add(-5 * time.Hour)))
		server.start(again.house)
		t.Cleanup(server.stop)
		time.Sleep(time.Minute)
		synctest.Wait()
		assert.Equal(t, []int64{25}, e.heads(), "what came meanwhile, as soon as it is connected again")
		assert.Len(t, e.Entries(), 25)
		cancel()
		require.ErrorIs(t, <-e.ends, context.Canceled)
	})
}

// TestAClientThatIsRevokedHearsNoMore, hands in what it has, and is told why.
func TestAClientThatIsRevokedHearsNoMore(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, f *family, _, _ *phone) {
		_, over := f.connected()
		e := f.listens(t.Context(), over)
		_, err := e.Excuse(f.learner, "2027-03-02", "ill")
		require.NoError(t, err)
		f.clinician.post("/v1/devices/"+e.Writer().Device+"/revoke", nil).ok(http.StatusNoContent)
		time.Sleep(4 * time.Second)
		ended := <-e.ends
		require.NotNil(t, client.AsProblem(ended), "%v", ended)
		assert.Equal(t, http.StatusForbidden, client.AsProblem(ended).Status)
		report, err := e.Sync(t.Context())
		require.NoError(t, err)
		assert.True(t, report.UploadOnly)
		assert.Empty(t, e.Outbox())
		assert.Len(t, e.State().HandedIn, 1)
	})
}
