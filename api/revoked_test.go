package api_test

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

// revoke revokes the phone as a clinician does.
func (p *phone) revoke() {
	p.house.t.Helper()
	r := p.family.clinician.post("/v1/devices/"+p.device+"/revoke", nil).ok(http.StatusNoContent)
	assert.Empty(p.house.t, r.body)
}

// handIn pushes entries of a revoked phone, which must be answered results alone, and returns the statuses.
func (p *phone) handIn(entries ...entry) []any {
	p.house.t.Helper()
	r := p.post("/v1/sync", p.envelope(entries...)).ok(http.StatusOK)
	require.Equal(p.house.t, []string{"results"}, keys(r.doc()))
	return pluck(p.house.t, r.list("results"), "status")
}

func repeatedly(status string, n int) []any { return slices.Repeat([]any{status}, n) }

// effects returns what comes of each of the learner's entries that were kept back, and what the clinic is told of it.
func (f *family) effects() (effects, whys []any) {
	f.t.Helper()
	for _, e := range f.clinician.get(f.path("entries")).ok(http.StatusOK).list("entries") {
		if status := at(f.t, e, "status"); status == "set_aside" || status == "quarantined" {
			effects = append(effects, at(f.t, e, "effect"))
			why, _ := e.(map[string]any)["why"].(string)
			whys = append(whys, why)
		}
	}
	return effects, whys
}

func (f *family) review(take bool, entries ...entry) {
	f.t.Helper()
	for _, e := range entries {
		f.added(f.entry("review", map[string]any{"entry": e.id(), "take": take}))
	}
}

// TestADeviceIsRevoked, once and for all: the household shows since when.
func TestADeviceIsRevoked(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	tablet := papa.further()
	f.clock.advance(time.Minute)
	papa.sync()
	revoke := func(by who) { by.post("/v1/devices/"+papa.device+"/revoke", nil).ok(http.StatusNoContent) }
	revoke(f.lead)
	f.clock.advance(time.Hour)
	revoke(f.clinician)
	device := func(p *phone, heard, revoked string) string {
		return `{"id":"` + p.device + `","name":"phone","platform":"android","enrolled_at":"2027-03-01T22:00:00Z",
			"last_heard_at":` + heard + `,"revoked_at":` + revoked + `}`
	}
	stands := func(p *phone) string {
		return `{"caregiver_id":"` + p.caregiver + `","version":"1","given_at":"2027-03-01T22:00:00Z","withdrawn_at":null}`
	}
	assert.JSONEq(t, `{"id":"`+f.household+`","label":"Otter's",
		"learners":[{"id":"`+f.learner+`","nickname":"Otter","age_band":"6-7"}],
		"caregivers":[{"id":"`+mama.caregiver+`","name":"Mama","consent":`+stands(mama)+`,"devices":[`+device(mama, "null", "null")+`]},
			{"id":"`+papa.caregiver+`","name":"Papa","consent":`+stands(papa)+`,"devices":[`+
		device(papa, `"2027-03-01T22:01:00Z"`, `"2027-03-01T22:01:00Z"`)+`,`+device(tablet, "null", "null")+`]}]}`,
		string(f.clinician.get("/v1/households/"+f.household).ok(http.StatusOK).body))
	mama.sync()
	tablet.sync()
	papa.handIn()
	f.checked()
}

// TestARevokedDeviceReadsNothing, neither with the token it has nor with the next one, which says so itself.
func TestARevokedDeviceReadsNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	enrolled := w.nobody("").post("/v1/devices/enrol", map[string]any{
		"invite_code": w.invite(map[string]any{}), "caregiver": map[string]any{"name": "Gran"},
		"device": map[string]any{"name": "phone", "platform": "android"},
	}).ok(http.StatusCreated)
	before := w.nobody(enrolled.text("access_token"))
	before.get("/v1/household").ok(http.StatusOK)
	w.clinician.post("/v1/devices/"+enrolled.text("device_id")+"/revoke", nil).ok(http.StatusNoContent)
	refreshed := w.refresh(enrolled.text("refresh_token")).ok(http.StatusOK)
	after := w.nobody(refreshed.text("access_token"))
	assert.NotContains(t, claimsOf(t, before.raw), "upload_only")
	assert.Equal(t, true, claimsOf(t, after.raw)["upload_only"])

	asked := 0
	for _, target := range w.targets() {
		mayAsk := slices.ContainsFunc(target.as, func(a who) bool { return a.principal == w.papa.principal })
		if !mayAsk || target.id == "sync" {
			continue
		}
		asked++
		for _, device := range []who{before, after} {
			w.do(call{method: target.method, path: target.path, as: device, body: target.body}).refused(http.StatusForbidden, "forbidden")
		}
	}
	assert.Positive(t, asked)
	// Neither a cursor of before nor the first pull gets it anything; the household goes on as it was.
	stored := w.papa.sync().list("changes")
	first := *w.papa
	first.cursor = nil
	for _, envelope := range []map[string]any{first.envelope(), w.papa.envelope()} {
		for _, device := range []who{before, after} {
			assert.JSONEq(t, `{"results":[]}`, string(device.post("/v1/sync", envelope).ok(http.StatusOK).body))
		}
	}
	w.papa.cursor = nil
	assert.Subset(t, w.papa.sync().list("changes"), stored)
	w.checked()
}

// claimsOf returns what a token says.
func claimsOf(t testing.TB, token string) map[string]any {
	t.Helper()
	decoded, err := base64.RawURLEncoding.DecodeString(strings.Split(token, ".")[1])
	require.NoError(t, err)
	var claims map[string]any
	require.NoError(t, json.Unmarshal(decoded, &claims))
	return claims
}

// TestARevokedDeviceHandsIn what it holds, which is set aside until a clinician takes or leaves each.
func TestARevokedDeviceHandsIn(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	mama.sync()
	known := papa.session(start.Add(-5 * time.Hour))
	papa.accepted(known)
	f.clock.advance(time.Minute)
	mama.sync()
	papa.revoke()
	evening := papa.evening(start)
	spoilt := papa.try(evening[0], "left", 8)
	assert.Equal(t, repeatedly("set_aside", 7), papa.handIn(append(evening, spoilt)...))
	assert.Equal(t, append(repeatedly("set_aside", 7), "duplicate"), papa.handIn(append(evening, spoilt, known)...), "its answer may have been lost")
	f.checked()

	// It changes nothing that anybody reads but for the entries themselves, and the device is not heard from.
	assert.Equal(t, "attempted", f.states()["2027-03-01"])
	seen := mama.sync()
	assert.Equal(t, repeatedly("set_aside", 7), pluck(t, seen.list("changes"), "status"))
	assert.Empty(t, slices.DeleteFunc(seen.list("nights"), func(n any) bool { return at(t, n, "status") != "complete" }))
	f.read(func(ctx context.Context, view clinic.View) error {
		device, err := view.Device(ctx, uuid.MustParse(papa.device))
		assert.True(t, device.Heard.Equal(start), "heard from at %s", device.Heard)
		return err
	})
	assert.Equal(t, []any{"set_aside_entries"}, f.summary().list("flags"))
	effects, whys := f.effects()
	assert.Equal(t, repeatedly("none", 7), effects)
	assert.Equal(t, repeatedly(string(practice.WhySetAside), 7), whys)

	// A clinician takes some of it.
	f.review(true, evening[:4]...)
	assert.Equal(t, "partial", f.states()["2027-03-01"])
	f.review(true, evening[4:]...)
	assert.Equal(t, "complete", f.states()["2027-03-01"])
	f.review(true, spoilt)
	assert.Equal(t, []any{"quarantined_entries"}, f.summary().list("flags"), "taken, but an ease of 8 can't count")
	effects, whys = f.effects()
	assert.Equal(t, append(repeatedly("counts", 6), "none"), effects)
	assert.Equal(t, string(practice.WhyTakenInVain), whys[6])
	// And leaves the rest.
	f.review(false, spoilt, evening[5])
	assert.Empty(t, f.summary().list("flags"))
	assert.Equal(t, "partial", f.states()["2027-03-01"])
	_, whys = f.effects()
	assert.Equal(t, []any{string(practice.WhyLeft), string(practice.WhyLeft)}, whys[5:])
	f.checked()
}

// TestAnIncidentOfARevokedDevice holds the learner at once and everywhere, whatever a review says of it.
func TestAnIncidentOfARevokedDevice(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	papa.revoke()
	incident := papa.entry("incident", map[string]any{"what": "choking"})
	assert.Equal(t, []any{"set_aside"}, papa.handIn(incident))
	f.clock.set(inHalifax(t, "2027-03-01 19:45"))
	held := func() {
		assert.Equal(t, "hold", f.summary().at("readiness", "verdict"))
		assert.NotEmpty(t, mama.get(f.path("summary")).ok(http.StatusOK).text("hold", "what_to_do"))
		assert.Equal(t, true, f.clinician.get("/v1/roster").ok(http.StatusOK).at("learners", 0, "hold"))
		assert.Empty(t, f.scheduler.get("/v1/reminders/overdue").ok(http.StatusOK).list("overdue"))
	}
	held()
	f.review(false, incident)
	held()
	f.added(f.entry("clear", map[string]any{"incidents": []string{incident.id()}, "note": "Seen in clinic."}))
	assert.NotEqual(t, "hold", f.summary().at("readiness", "verdict"))
	assert.Len(t, f.scheduler.get("/v1/reminders/overdue").ok(http.StatusOK).list("overdue"), 1)
	f.checked()
}

// TestAReviewOfAQuarantinedEntry leaves it, so that it is flagged no longer; taking it does not mend it.
func TestAReviewOfAQuarantinedEntry(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	session := mama.session(start)
	spoilt := mama.try(session, "left", 9)
	mama.sync(session, spoilt)
	assert.Equal(t, []any{"quarantined_entries"}, f.summary().list("flags"))
	effect := func() any {
		effects, whys := f.effects()
		require.Equal(t, []any{"none"}, effects)
		return whys[0]
	}
	assert.Equal(t, string(practice.WhyQuarantined), effect())
	f.review(true, spoilt)
	assert.Equal(t, string(practice.WhyTakenInVain), effect())
	assert.Equal(t, []any{"quarantined_entries"}, f.summary().list("flags"))
	f.review(false, spoilt)
	assert.Equal(t, string(practice.WhyLeft), effect())
	assert.Empty(t, f.summary().list("flags"))
	assert.Equal(t, "attempted", f.states()["2027-03-01"])

	// It is kept as it was sent, for its author and the clinic; others see that there is something.
	row := func(list []any) map[string]any { return list[1].(map[string]any) }
	mama.cursor = nil
	for _, seen := range []map[string]any{
		row(mama.sync().list("changes")), row(f.clinician.get(f.path("entries")).ok(http.StatusOK).list("entries")),
	} {
		assert.JSONEq(t, string(encoded(t, spoilt)), string(encoded(t, seen["sent"])))
	}
	others := row(papa.sync().list("changes"))
	assert.Equal(t, spoilt["subject"], others["subject"])
	assert.NotContains(t, others, "sent")
	assert.NotContains(t, others, "body")
	f.checked()
}

// lossy carries calls, and loses answers while it is told to.
type lossy struct {
	client.Transport
	losing *bool
}

func (l lossy) Sync(ctx context.Context, request client.Request) (client.Response, error) {
	answer, err := l.Transport.Sync(ctx, request)
	if err == nil && *l.losing {
		return client.Response{}, context.DeadlineExceeded
	}
	return answer, err
}

// TestARevokedClientEmptiesItsOutbox by the answer alone: of what had arrived before, and of what is set aside now.
func TestARevokedClientEmptiesItsOutbox(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	server := httptest.NewServer(f.handler)
	t.Cleanup(server.Close)
	caller := client.API{Base: server.URL, HTTP: server.Client()}
	enrolled, err := caller.EnrolDevice(t.Context(), client.DeviceEnrolment{
		InviteCode: f.invite(map[string]any{}), Caregiver: client.DeviceCaregiver{Name: "Gran"},
		Device: client.DeviceKind{Name: "phone", Platform: "android"},
	})
	require.NoError(t, err)
	tokens, err := client.OpenTokens(&client.MemoryTokens{Pair: enrolled.Pair}, caller.Refresh)
	require.NoError(t, err)
	losing := false
	disk := &client.MemoryDisk{}
	open := func() *client.Device {
		device, err := client.Open(client.Config{
			Writer: enrolled.Writer(), Disk: disk, Now: f.clock.now, NewID: func() string { return f.madeIDs.next().String() },
			Transport: lossy{client.HTTPTransport{Base: server.URL, HTTP: server.Client(), Tokens: tokens}, &losing},
		})
		require.NoError(t, err)
		return device
	}
	device := open()
	record := func(at time.Time) {
		_, err := device.RecordEvening(client.Evening{
			Learner: f.learner, PractisedAt: at, Timezone: halifax, Tries: []client.Try{{Position: "left", Outcome: "swallowed", Ease: 4}},
		})
		require.NoError(t, err)
	}
	record(start.Add(-3 * time.Hour))
	losing = true
	_, err = device.Sync(t.Context())
	require.ErrorIs(t, err, context.DeadlineExceeded)
	losing = false
	clinician := caller
	clinician.Token = f.clinician.token()
	require.NoError(t, clinician.RevokeDevice(t.Context(), enrolled.DeviceID))
	record(start)

	f.clock.advance(16 * time.Minute) // the token expires; the next is for handing in alone
	report, err := device.Sync(t.Context())
	require.NoError(t, err)
	assert.Equal(t, client.Report{Calls: 1, Pushed: 4, UploadOnly: true}, report)
	assert.Equal(t, true, claimsOf(t, tokens.Access())["upload_only"])
	assert.Empty(t, device.Outbox())
	device = open()
	assert.Empty(t, device.Outbox())
	assert.Len(t, device.State().HandedIn, 4)
	assert.Empty(t, device.Entries(), "it reads nothing")
	assert.Equal(t, []any{"accepted", "accepted", "set_aside", "set_aside"}, pluck(t, mama.sync().list("changes"), "status"))
	f.checked()
}
