package api_test

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"net/http"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
)

const halifax = "America/Halifax"

var positions = []string{"centre", "right", "left", "up", "down"}

// family is a household of a clinic with one learner.
type family struct {
	*site
	household, learner string
}

func (s *site) newFamily(nickname string) *family {
	s.t.Helper()
	f := &family{site: s}
	f.household = s.clinician.post("/v1/households", map[string]any{"label": nickname + "'s"}).ok(http.StatusCreated).text("id")
	f.learner = f.addLearner(nickname)
	return f
}

func (f *family) addLearner(nickname string) string {
	f.t.Helper()
	return f.clinician.post("/v1/households/"+f.household+"/learners", map[string]any{"nickname": nickname, "birth_month": "2019-05"}).
		ok(http.StatusCreated).text("id")
}

func (f *family) path(what string) string { return "/v1/learners/" + f.learner + "/" + what }

func answers() map[string]bool {
	answers := map[string]bool{}
	for _, q := range clinic.ScreeningQuestions() {
		answers[q] = false
	}
	return answers
}

func (f *family) screen() {
	f.t.Helper()
	f.clinician.post(f.path("screening"), map[string]any{"answers": answers(), "decision": "go"}).ok(http.StatusCreated)
}

// enrol screens the learner and begins a programme in Halifax with a reminder at 19:30.
func (f *family) enrol(firstNight string) string {
	f.t.Helper()
	return f.enrolAs(map[string]any{"first_night": firstNight})
}

func (f *family) enrolAs(with map[string]any) string {
	f.t.Helper()
	f.screen()
	request := map[string]any{"timezone": halifax, "reminder_time": "19:30"}
	for name, value := range with {
		request[name] = value
	}
	return f.clinician.post(f.path("enrolments"), request).ok(http.StatusCreated).text("id")
}

// phone is a caregiver's device.
type phone struct {
	who
	family            *family
	caregiver, device string
	zone              *time.Location
	cursor            any
	askew             time.Duration // how far its clock is ahead
}

func (f *family) newPhone(name string) *phone {
	f.t.Helper()
	return f.redeem(f.invite(map[string]any{}), map[string]any{"name": name})
}

// further enrols another phone of a caregiver.
func (p *phone) further() *phone {
	p.house.t.Helper()
	code := p.family.invite(map[string]any{"caregiver_id": p.caregiver})
	return p.family.redeem(code, map[string]any{"id": p.caregiver, "name": "again"})
}

func (f *family) invite(request map[string]any) string {
	f.t.Helper()
	return f.clinician.post("/v1/households/"+f.household+"/invites", request).ok(http.StatusCreated).text("invite_code")
}

func (f *family) redeem(code string, caregiver map[string]any) *phone {
	f.t.Helper()
	r := f.nobody("").post("/v1/devices/enrol", map[string]any{
		"invite_code": code, "caregiver": caregiver, "device": map[string]any{"name": "phone", "platform": "android"},
	}).ok(http.StatusCreated)
	p := &phone{family: f, caregiver: r.text("caregiver_id"), device: r.text("device_id")}
	held, err := f.keys.Verify(r.text("access_token"), f.clock.now())
	require.NoError(f.t, err)
	p.zone, err = time.LoadLocation(halifax)
	require.NoError(f.t, err)
	p.who = who{house: f.house, principal: access.Principal{
		Role: access.RoleDevice, ClinicID: f.id, HouseholdID: uuid.MustParse(f.household),
		CaregiverID: uuid.MustParse(p.caregiver), DeviceID: uuid.MustParse(p.device),
		Session: held.Session,
	}}
	f.twins.addPhone(p)
	return p
}

// entry is an entry as it is sent.
type entry map[string]any

func (e entry) id() string { return e["id"].(string) }

func (e entry) body() map[string]any { return e["body"].(map[string]any) }

// made returns a new entry of a learner.
func (h *house) made(learner, kind string, recorded time.Time, body map[string]any) entry {
	id := h.madeIDs.next().String()
	return entry{
		"id": id, "kind": kind, "subject": id, "replaces": []string{}, "learner_id": learner,
		"recorded_at": recorded.Format(time.RFC3339), "body": body,
	}
}

// edited returns an entry that replaces others on the same subject.
func (h *house) edited(e entry, body map[string]any, seen ...entry) entry {
	if len(seen) == 0 {
		seen = []entry{e}
	}
	n := h.made(e["learner_id"].(string), e["kind"].(string), start, body)
	var replaces []string
	for _, s := range seen {
		replaces = append(replaces, s.id())
	}
	n["subject"], n["replaces"], n["recorded_at"] = e["subject"], replaces, e["recorded_at"]
	return n
}

func (p *phone) now() time.Time { return p.house.clock.now().Add(p.askew).In(p.zone) }

func (p *phone) entry(kind string, body map[string]any) entry {
	return p.house.made(p.family.learner, kind, p.now(), body)
}

// session is a session that begins at an instant on the wall of the phone's zone.
func (p *phone) session(at time.Time) entry {
	return p.entry("session", map[string]any{
		"practised_at": at.In(p.zone).Format(time.RFC3339), "timezone": p.zone.String(), "setting": "home",
	})
}

func (p *phone) try(session entry, position string, ease int) entry {
	return p.entry("try", map[string]any{
		"session": session.id(), "position": position, "number": 1, "medium": "sweet", "size_mm": 6,
		"outcome": "swallowed", "ease": ease, "snags": []string{},
	})
}

// evening is a session with a try in each position given, all of them where none is.
func (p *phone) evening(at time.Time, in ...string) []entry {
	if len(in) == 0 {
		in = positions
	}
	session := p.session(at)
	entries := []entry{session}
	for _, position := range in {
		entries = append(entries, p.try(session, position, 4))
	}
	return entries
}

func (p *phone) envelope(entries ...entry) map[string]any {
	if entries == nil {
		entries = []entry{}
	}
	return map[string]any{
		"schema": 1, "cursor": p.cursor, "sent_at": p.now().Format(time.RFC3339), "limit": 500, "entries": entries,
	}
}

// sync pushes and pulls once, and moves the phone's cursor.
func (p *phone) sync(entries ...entry) reply {
	p.house.t.Helper()
	r := p.post("/v1/sync", p.envelope(entries...)).ok(http.StatusOK)
	p.cursor = r.at("cursor")
	return r
}

// accepted pushes entries that must all be accepted.
func (p *phone) accepted(entries ...entry) reply {
	p.house.t.Helper()
	r := p.sync(entries...)
	for i, status := range pluck(p.house.t, r.list("results"), "status") {
		require.Equal(p.house.t, "accepted", status, "entry %d: %s", i, r.body)
	}
	return r
}

// write adds a clinician's entries.
func (f *family) write(entries ...entry) reply {
	f.t.Helper()
	return f.clinician.post(f.path("entries"), map[string]any{"entries": entries}).ok(http.StatusOK)
}

func (f *family) entry(kind string, body map[string]any) entry {
	return f.made(f.learner, kind, f.clock.now(), body)
}

func (f *family) summary() reply {
	f.t.Helper()
	return f.clinician.get(f.path("summary")).ok(http.StatusOK)
}

// states returns what became of each night of the current programme.
func (f *family) states() map[string]string {
	f.t.Helper()
	states := map[string]string{}
	for _, n := range f.clinician.get(f.path("nights")).ok(http.StatusOK).list("nights") {
		states[at(f.t, n, "night").(string)] = at(f.t, n, "status").(string)
	}
	return states
}

// night returns one night of the current programme.
func (f *family) night(date string) map[string]any {
	f.t.Helper()
	for _, n := range f.clinician.get(f.path("nights")).ok(http.StatusOK).list("nights") {
		if at(f.t, n, "night") == date {
			return n.(map[string]any)
		}
	}
	require.Fail(f.t, "no such night", date)
	return nil
}

// wall returns an instant by the wall clock of a zone.
func wall(t testing.TB, zone, text string) time.Time {
	t.Helper()
	place, err := time.LoadLocation(zone)
	require.NoError(t, err)
	at, err := time.ParseInLocation("2006-01-02 15:04", text, place)
	require.NoError(t, err)
	return at
}

func gunzipped(t testing.TB, body []byte) []byte {
	t.Helper()
	unzipped, err := gzip.NewReader(bytes.NewReader(body))
	require.NoError(t, err)
	plain, err := io.ReadAll(unzipped)
	require.NoError(t, err)
	return plain
}

func gzipped(t testing.TB, body []byte, level int) []byte {
	t.Helper()
	var b bytes.Buffer
	w, err := gzip.NewWriterLevel(&b, level)
	require.NoError(t, err)
	_, err = w.Write(body)
	require.NoError(t, err)
	require.NoError(t, w.Close())
	return b.Bytes()
}

func inHalifax(t testing.TB, text string) time.Time { return wall(t, halifax, text) }

func march(day int) string { return fmt.Sprintf("2027-03-%02d", day) }
