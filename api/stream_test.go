package api_test

import (
	"bytes"
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api"
	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/internal/watch"
)

// inBubble runs a test with a family of two phones whose clock goes with the bubble's time.
func inBubble(t *testing.T, run func(t *testing.T, f *family, mama, papa *phone)) {
	t.Helper()
	_, err := described() // outside the bubble, since all tests share it
	require.NoError(t, err)
	synctest.Test(t, func(t *testing.T) {
		f, mama, papa := newTwoPhones(t)
		f.clock.goOn()
		run(t, f, mama, papa)
	})
}

// hear listens as the phone, with a token issued now.
func (p *phone) hear(t testing.TB, client *http.Client) *hearing {
	t.Helper()
	h := hear(t, client, "http://swallowtail.example", p.token())
	synctest.Wait()
	return h
}

func TestAStreamSaysWhatIsNewAtOnce(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, f *family, mama, papa *phone) {
		epoch := mama.sync().text("epoch")
		stranger := f.site.newFamily("Stoat").newPhone("Aunt")
		_, client := f.connected()
		listening, elsewhere := papa.hear(t, client), stranger.hear(t, client)
		first, _ := listening.news()
		assert.Equal(t, []event{{epoch: epoch, head: 0}}, first, "where things stand, at once")
		assert.Equal(t, []int64{0}, elsewhere.heads())

		mama.accepted(mama.evening(start)...)
		began := time.Now()
		synctest.Wait()
		news, came := listening.news()
		assert.Equal(t, []event{{epoch: epoch, head: 6}}, news)
		assert.Equal(t, began, came)
		papa.accepted(papa.session(start.Add(-5 * time.Hour)))
		f.added(f.entry("choose", map[string]any{"position": "left"}))
		synctest.Wait()
		assert.Contains(t, [][]int64{{7, 8}, {8}}, listening.heads(), "its own and the clinic's too")
		mama.sync(mama.try(mama.session(start), "left", 9))
		synctest.Wait()
		assert.Equal(t, []int64{9}, listening.heads(), "a quarantined entry is in the feed")
		mama.sync()
		papa.sync()
		time.Sleep(10 * time.Second)
		synctest.Wait()
		assert.Empty(t, listening.heads(), "nothing new")
		assert.Empty(t, elsewhere.heads(), "nothing of this is its household's")
		mama.revoke()
		mama.handIn(mama.session(start.Add(-3 * time.Hour)))
		synctest.Wait()
		assert.Equal(t, []int64{10}, listening.heads(), "what is set aside is in the feed")
	})
}

// TestAStreamSaysWhatOtherProcessesDo within two seconds: a second server on the same database, a restore.
func TestAStreamSaysWhatOtherProcessesDo(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, f *family, mama, papa *phone) {
		_, client := f.connected()
		listening := papa.hear(t, client)
		before, _ := listening.news()
		other := mama.at(f.restored(f.house.path))
		other.accepted(other.evening(start)...)
		time.Sleep(2 * time.Second)
		synctest.Wait()
		assert.Equal(t, []int64{6}, listening.heads())

		renewed := uuid.New()
		require.NoError(t, f.store.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error { return tx.RenewEpoch(ctx, renewed) }))
		time.Sleep(2 * time.Second)
		synctest.Wait()
		after, _ := listening.news()
		assert.Equal(t, []event{{epoch: renewed.String(), head: 6}}, after)
		assert.NotEqual(t, before[0].epoch, after[0].epoch)
	})
}

// TestAStreamLastsAsLongAsItsToken: the bounds of a server's other answers do not end it, comments show that it lives, and
// in the end it says why.
func TestAStreamLastsAsLongAsItsToken(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, f *family, mama, papa *phone) {
		_, client := f.connected()
		began := time.Now()
		listening := papa.hear(t, client)
		first, _ := listening.news()
		for beat := 1; beat < 36; beat++ {
			time.Sleep(25 * time.Second)
			synctest.Wait()
			news, came := listening.news()
			require.Equal(t, []event{{name: ":"}}, news)
			require.Equal(t, began.Add(time.Duration(beat)*25*time.Second), came)
		}
		mama.accepted(mama.session(start))
		time.Sleep(24 * time.Second)
		synctest.Wait()
		assert.Equal(t, []int64{1}, listening.heads())
		assert.False(t, listening.ended())
		time.Sleep(time.Second)
		synctest.Wait()
		last, came := listening.news()
		last = slices.DeleteFunc(last, func(e event) bool { return e.name == ":" }) // which may come first, or not at all
		assert.Equal(t, []event{{name: "token-expired", epoch: first[0].epoch, head: 1}}, last)
		assert.Equal(t, access.AccessTTL, came.Sub(began))
		assert.True(t, listening.ended())

		// With the next token it goes on; with what is left of one it goes on for as long as that.
		soon := papa.token()
		time.Sleep(14 * time.Minute)
		again := hear(t, client, "http://swallowtail.example", soon)
		time.Sleep(59 * time.Second)
		synctest.Wait()
		assert.False(t, again.ended())
		time.Sleep(time.Second)
		synctest.Wait()
		assert.True(t, again.ended())
	})
}

// TestASlowListenerGetsTheLatest and no queue; one that takes nothing at all is let go.
func TestASlowListenerGetsTheLatest(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, f *family, mama, papa *phone) {
		x, _ := f.connected()
		conn, err := x.dial(t.Context(), "", "")
		require.NoError(t, err)
		_, err = conn.Write([]byte("GET " + streamPath + " HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer " + papa.token() + "\r\n\r\n"))
		require.NoError(t, err)
		synctest.Wait() // until it listens, or the first event might tell of the first session too
		// A pipe holds nothing: what is not read keeps the writer waiting.
		for day := range 5 {
			mama.accepted(mama.session(start.Add(-time.Duration(day) * 3 * time.Hour)))
			synctest.Wait()
		}
		time.Sleep(9 * time.Second)
		said := make(chan string, 1)
		go func() {
			var text bytes.Buffer
			_, _ = text.ReadFrom(conn)
			said <- text.String()
		}()
		synctest.Wait()
		time.Sleep(time.Second)
		require.NoError(t, conn.Close())
		text := <-said
		assert.Equal(t, 2, strings.Count(text, "data: "), "%s", text)
		assert.Contains(t, text, `"head":0}`)
		assert.Contains(t, text, `"head":5}`)

		deaf, err := x.dial(t.Context(), "", "")
		require.NoError(t, err)
		_, err = deaf.Write([]byte("GET " + streamPath + " HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer " + papa.token() + "\r\n\r\n"))
		require.NoError(t, err)
		time.Sleep(10*time.Second + time.Millisecond)
		synctest.Wait()
		_, err = deaf.Write([]byte("x"))
		require.ErrorContains(t, err, "closed pipe", "the server has closed the connection")
	})
}

// TestWhatEndsAStream: a device that is revoked, here or by another process, and one that listens too often.
func TestWhatEndsAStream(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, f *family, mama, papa *phone) {
		_, client := f.connected()
		gran := f.newPhone("Gran")
		ours, theirs, hers := mama.hear(t, client), papa.hear(t, client), gran.hear(t, client)
		mama.revoke()
		synctest.Wait()
		assert.True(t, ours.ended())
		mama.get(streamPath).refused(http.StatusForbidden, "forbidden")

		papa.at(f.restored(f.house.path)).revoke()
		time.Sleep(2 * time.Second)
		synctest.Wait()
		assert.True(t, theirs.ended())
		papa.get(streamPath).refused(http.StatusForbidden, "forbidden")

		second, third := gran.hear(t, client), gran.hear(t, client)
		assert.False(t, hers.ended())
		fourth := gran.hear(t, client)
		assert.True(t, hers.ended(), "the newest three stay")
		for _, h := range []*hearing{second, third, fourth} {
			assert.False(t, h.ended())
		}
		f.service.EndListening()
		synctest.Wait()
		for _, h := range []*hearing{second, third, fourth} {
			assert.True(t, h.ended())
		}
		r := gran.get(streamPath).refused(http.StatusServiceUnavailable, "unavailable")
		assert.Equal(t, "30", r.header.Get("Retry-After"))
	})
}

func TestListenersAreBounded(t *testing.T) {
	t.Parallel()
	h := newHouseWith(t, watch.Limits{All: 2})
	f := h.newSite("north").newFamily("Otter")
	f.enrol("2027-03-01")
	server := httptest.NewServer(f.handler)
	t.Cleanup(server.Close)
	mama, papa := f.newPhone("Mama"), f.newPhone("Papa")
	one, two := hear(t, server.Client(), server.URL, mama.token()), hear(t, server.Client(), server.URL, mama.token())
	r := papa.get(streamPath).refused(http.StatusServiceUnavailable, "too-many-listeners")
	assert.Equal(t, "30", r.header.Get("Retry-After"))
	one.leave()
	eventually(t, func() bool { return papa.get(streamPath).status == http.StatusOK })
	assert.False(t, two.ended())
}

// TestAStreamIsNotCompressed, whatever the listener would take; and it is logged like any other call.
func TestAStreamIsNotCompressed(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	var logged bytes.Buffer
	handler, err := api.New(api.Config{
		Service: f.service, Keys: f.keys, Log: slog.New(slog.NewTextHandler(&logged, nil)), Now: f.clock.now,
	})
	require.NoError(t, err)
	f.handler = handler
	r := f.do(call{method: http.MethodGet, path: streamPath, as: mama.who, header: map[string]string{"Accept-Encoding": "gzip"}}).ok(http.StatusOK)
	assert.Empty(t, r.header.Get("Content-Encoding"))
	assert.Equal(t, "no-store", r.header.Get("Cache-Control"))
	assert.Len(t, eventsIn(t, string(r.body)), 1)
	assert.Contains(t, logged.String(), "msg=request method=GET route=/v1/sync/stream status=200")
	assert.NotContains(t, logged.String(), f.household)
}

// breaking is a listener under whose feet the server breaks.
type breaking struct{ *httptest.ResponseRecorder }

// Flush implements http.Flusher.
func (breaking) Flush() { panic("out of order") }

// TestAPanicLeavesNoListenerBehind.
func TestAPanicLeavesNoListenerBehind(t *testing.T) {
	t.Parallel()
	h := newHouseWith(t, watch.Limits{All: 1})
	f := h.newSite("north").newFamily("Otter")
	mama, papa := f.newPhone("Mama"), f.newPhone("Papa")
	f.handler.ServeHTTP(breaking{httptest.NewRecorder()}, f.request(call{method: http.MethodGet, path: streamPath, as: mama.who}))
	papa.get(streamPath).ok(http.StatusOK)
}

// TestListenersThatGoLeaveNothingBehind connects and goes away, many at a time and again and again.
func TestListenersThatGoLeaveNothingBehind(t *testing.T) { //nolint:paralleltest // it counts the goroutines of the process
	f, mama, _ := newTwoPhones(t)
	server := httptest.NewServer(f.handler)
	t.Cleanup(server.Close)
	phones := []*phone{mama}
	for range 19 {
		phones = append(phones, mama.further())
	}
	before := runtime.NumGoroutine()
	for range 5 {
		var all []*hearing
		for _, p := range phones {
			for range 2 {
				all = append(all, hear(t, server.Client(), server.URL, p.token()))
			}
		}
		require.Greater(t, runtime.NumGoroutine(), before+len(all))
		for _, h := range all {
			h.leave()
			<-h.over
		}
	}
	server.Client().CloseIdleConnections()
	eventually(t, func() bool { return runtime.NumGoroutine() <= before })
}
