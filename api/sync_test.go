package api_test

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func newTwoPhones(t testing.TB) (f *family, mama, papa *phone) {
	t.Helper()
	f = newHouse(t).newSite("north").newFamily("Otter")
	f.enrol("2027-03-01")
	return f, f.newPhone("Mama"), f.newPhone("Papa")
}

// digestOf works out the digest as the contract words it.
func digestOf(t testing.TB, ids []any) string {
	t.Helper()
	var raw []string
	for _, id := range ids {
		parsed := uuid.MustParse(id.(string))
		raw = append(raw, string(parsed[:]))
	}
	slices.Sort(raw)
	sum := sha256.Sum256([]byte(strings.Join(raw, "")))
	return hex.EncodeToString(sum[:])
}

func TestAFirstPullOfNothing(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	r := mama.sync()
	assert.Empty(t, r.list("results"))
	assert.Empty(t, r.list("changes"))
	assert.Len(t, r.list("nights"), 14, "the nights to come")
	assert.Equal(t, false, r.at("more"))
	assert.InDelta(t, 0, r.at("head"), 0)
	assert.Equal(t, digestOf(t, nil), r.text("digest"))
	assert.Equal(t, "2027-03-01T22:00:00Z", r.text("server_time"))
	assert.NotEmpty(t, r.text("epoch"))
	f.checked()
}

// TestPushAndPullInOneCall hands in an evening and gets it back, as it was sent.
func TestPushAndPullInOneCall(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	evening := mama.evening(start.Add(-time.Hour))
	r := mama.accepted(evening...)
	changes := r.list("changes")
	require.Len(t, changes, 6)
	for i, e := range evening {
		assert.Equal(t, map[string]any{"id": e.id(), "status": "accepted", "rev": float64(i + 1), "problem": nil}, r.at("results", i))
		c := changes[i].(map[string]any)
		assert.ElementsMatch(t, []string{
			"id", "kind", "subject", "replaces", "learner_id", "recorded_at", "body", "rev", "status", "author", "device", "stamp", "problem",
		}, keys(c))
		for _, name := range []string{"id", "kind", "subject", "learner_id", "recorded_at"} {
			assert.Equal(t, e[name], c[name])
		}
		assert.JSONEq(t, string(encoded(t, e.body())), string(encoded(t, c["body"])))
		assert.Equal(t, map[string]any{"role": "caregiver", "id": mama.caregiver}, c["author"])
		assert.Equal(t, mama.device, c["device"])
		assert.Equal(t, "2027-03-01T22:00:00Z", at(t, c, "stamp", "received_at"))
		assert.InDelta(t, 0, at(t, c, "stamp", "clock_offset_ms"), 0)
	}
	assert.Equal(t, digestOf(t, pluck(t, changes, "id")), r.text("digest"))
	var tonight map[string]any
	for _, n := range r.list("nights") {
		if at(t, n, "night") == "2027-03-01" {
			tonight = n.(map[string]any)
		}
	}
	assert.Equal(t, tonight, f.night("2027-03-01"), "the feed and the view say the same")

	// The other phone gets the same, and nothing twice.
	other := papa.sync()
	assert.Equal(t, changes, other.list("changes"))
	again := papa.sync()
	assert.Empty(t, again.list("changes"))
	assert.Empty(t, again.list("nights"))
	assert.Equal(t, other.text("cursor"), again.text("cursor"))
	assert.Equal(t, other.text("digest"), again.text("digest"))
	f.checked()
}

// TestASmallLimit pulls with every limit: each entry comes once, in order, the digest is right at each step, and the nights
// put together are those of the whole.
func TestASmallLimit(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	for day := 1; day <= 3; day++ {
		f.clock.set(inHalifax(t, fmt.Sprintf("2027-03-%02d 19:00", day)))
		mama.accepted(mama.evening(f.clock.now())...)
		papa.accepted(papa.evening(f.clock.now().Add(2*time.Hour), "left")...)
	}
	f.clock.advance(48 * time.Hour)
	mama.sync()
	papa.sync()
	mama.cursor = nil
	whole := mama.sync()
	nightsOf := func(into map[string]any, r reply) {
		for _, n := range r.list("nights") {
			into[at(t, n, "night").(string)] = n
		}
	}
	wanted := map[string]any{}
	nightsOf(wanted, whole)
	for _, limit := range []int{1, 2, 5, 23, 24, 25} {
		phone := *papa
		phone.cursor = nil
		var changes []any
		nights := map[string]any{}
		for more := true; more; {
			r := phone.post("/v1/sync", with(phone.envelope(), "limit", limit)).ok(http.StatusOK)
			phone.cursor = r.at("cursor")
			changes = append(changes, r.list("changes")...)
			nightsOf(nights, r)
			more = r.at("more").(bool)
			assert.LessOrEqual(t, len(r.list("changes")), limit)
			assert.Equal(t, digestOf(t, pluck(t, changes, "id")), r.text("digest"))
			assert.InDelta(t, 24, r.at("head"), 0)
			require.LessOrEqual(t, len(changes), 24)
		}
		assert.Equal(t, whole.list("changes"), changes, "limit %d", limit)
		assert.Equal(t, wanted, nights, "limit %d", limit)
	}
	for i, rev := range pluck(t, whole.list("changes"), "rev") {
		assert.InDelta(t, i+1, rev, 0)
	}
}

// TestNightsChangeWithoutEntries: a night that passes without practice changes though nobody writes anything, and the
// phones must hear of it.
func TestNightsChangeWithoutEntries(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	mama.accepted(mama.evening(start)...)
	known := map[string]any{}
	follow := func(p *phone) {
		for _, n := range p.sync().list("nights") {
			known[at(t, n, "night").(string)] = at(t, n, "status")
		}
	}
	follow(papa)
	f.clock.set(inHalifax(t, "2027-03-03 12:00"))
	follow(papa)
	assert.Equal(t, "unheard", known["2027-03-02"], "mama's phone may still hold the evening")
	mama.sync()
	follow(papa)
	assert.Equal(t, "missed", known["2027-03-02"])
	f.clock.set(inHalifax(t, "2027-03-04 12:00"))
	follow(papa)
	assert.Equal(t, "unheard", known["2027-03-03"])
	assert.Equal(t, f.states()["2027-03-03"], known["2027-03-03"])
}

// TestNightsAreToldOnce hands in evening after evening: each is told when it changes, and none again with the next.
func TestNightsAreToldOnce(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	mama.accepted(mama.evening(start)...)
	for _, evening := range []string{"2027-03-02", "2027-03-03"} {
		f.clock.set(inHalifax(t, evening+" 19:00"))
		r := mama.accepted(mama.evening(f.clock.now())...)
		assert.Equal(t, []any{evening}, pluck(t, r.list("nights"), "night"))
	}
	f.checked()
}

// TestNightsThatAreNoMore: a phone that knows the nights to come hears that an end, or a second programme, took some away.
func TestNightsThatAreNoMore(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	known := map[string]bool{}
	follow := func(p *phone) {
		r := p.sync()
		for _, n := range r.list("nights") {
			known[at(t, n, "night").(string)] = true
		}
		for _, n := range r.list("gone") {
			assert.Equal(t, f.learner, at(t, n, "learner_id"))
			delete(known, at(t, n, "night").(string))
		}
	}
	agree := func() {
		wanted := map[string]bool{}
		for night := range f.states() {
			wanted[night] = true
		}
		assert.Equal(t, wanted, known)
	}
	mama.accepted(mama.evening(start)...)
	follow(papa)
	agree()
	require.Len(t, known, 14)
	f.clock.set(inHalifax(t, "2027-03-03 12:00"))
	id := f.summary().text("enrolment", "id")
	f.clinician.post("/v1/enrolments/"+id+"/status", map[string]any{"status": "ended"}).ok(http.StatusOK)
	follow(papa)
	agree()
	require.Len(t, known, 3)
	f.checked()
}

func TestOfferedAgain(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	session := mama.session(start)
	try := mama.try(session, "left", 4)
	try.body()["size_mm"] = 6
	mama.accepted(session, try)

	// 6 is 6.0, 4 is 4e0, white space and the order of members are nothing.
	spelt := fmt.Sprintf(`{"body": {"snags": [], "ease": 4e0, "size_mm": 6.0, "outcome": "swallowed", "medium": "sweet", "number": 1.0,
		"position": "l\u0065ft", "session": %q}, "id": %q, "kind": "try", "subject": %q, "replaces": [], "learner_id": %q, "recorded_at": %q}`,
		session.id(), try.id(), try["subject"], f.learner, try["recorded_at"])
	envelope := func(entries string) string {
		return `{"schema":1,"cursor":null,"sent_at":"2027-03-01T18:00:00-04:00","entries":[` + entries + `]}`
	}
	r := mama.post("/v1/sync", envelope(spelt+","+spelt)).ok(http.StatusOK)
	wanted := map[string]any{"id": try.id(), "status": "duplicate", "rev": 2.0, "problem": nil}
	assert.Equal(t, []any{wanted, wanted}, r.list("results"))
	assert.InDelta(t, 2, r.at("head"), 0)

	// Another content under the same id changes nothing.
	other := entry(with(try, "body", with(try.body(), "ease", 5)))
	fresh := mama.try(session, "up", 3)
	r = mama.sync(other, fresh, fresh, entry(with(fresh, "kind", "session")))
	assert.Equal(t, []any{"id_reuse", "accepted", "duplicate", "id_reuse"}, pluck(t, r.list("results"), "status"))
	assert.Nil(t, r.at("results", 0, "rev"))
	assert.Equal(t, "/entries/0/id", at(t, r.at("results", 0, "problem"), "errors", 0, "pointer"))
	assert.Contains(t, at(t, r.at("results", 0, "problem"), "detail"), "is not kept")
	assert.Equal(t, "/entries/3/id", at(t, r.at("results", 3, "problem"), "errors", 0, "pointer"))
	assert.InDelta(t, 4, at(t, f.night("2027-03-01"), "score", "left", "ease"), 0)

	// Another caregiver who offers it has it already too, and stays without a say in it.
	r = papa.sync(try, other)
	assert.Equal(t, []any{"duplicate", "id_reuse"}, pluck(t, r.list("results"), "status"))
	assert.InDelta(t, 3, r.at("head"), 0)
	f.checked()
}

// TestOneBadAmongGood hands in entries that are wrong in every way among two that are not.
func TestOneBadAmongGood(t *testing.T) {
	t.Parallel()
	f, mama, _ := newTwoPhones(t)
	first, last := mama.session(start), mama.session(start.Add(3*time.Hour))
	good := func() string { return string(encoded(t, mama.try(first, "left", 4))) }
	sibling := f.site.newFamily("Stoat").learner
	tests := []struct {
		name, entry string
		pointers    []string
	}{
		{"another household's learner", strings.ReplaceAll(good(), f.learner, sibling), []string{"/learner_id"}},
		{"a learner nobody knows", strings.ReplaceAll(good(), f.learner, uuid.NewString()), []string{"/learner_id"}},
		{"an ease too high", strings.Replace(good(), `"ease":4`, `"ease":6`, 1), []string{"/body/ease"}},
		{"a miscased member", strings.Replace(good(), `"ease"`, `"Ease"`, 1), []string{"/body/Ease", "/body/ease"}},
		{"a member twice", strings.Replace(good(), `"ease":4`, `"ease":4,"ease":4`, 1), []string{"/body/ease"}},
		{"a member twice outside", strings.Replace(good(), `"kind":`, `"replaces":[],"kind":`, 1), []string{"/replaces"}},
		{"a miscased kind", strings.Replace(good(), `"try"`, `"Try"`, 1), []string{"/kind"}},
		{"NUL in a note", strings.Replace(good(), `"ease":4`, `"ease":4,"note":"a\u0000"`, 1), []string{"/body/note"}},
		{"half a surrogate", strings.Replace(good(), `"ease":4`, `"ease":4,"note":"\ud800"`, 1), []string{"/body/note"}},
		{"bad UTF-8", strings.Replace(good(), `"ease":4`, "\"ease\":4,\"note\":\"\xff\"", 1), []string{"/body/note"}},
		{"its own author", strings.Replace(good(), `"kind":`, `"author":"me","kind":`, 1), []string{"/author"}},
		{"only a clinician's", string(encoded(t, mama.entry("clear", map[string]any{"incidents": []string{first.id()}}))), []string{"/kind"}},
		{"a witness from a device", strings.Replace(string(encoded(t, mama.session(start))), `"setting"`, `"witness":"`+mama.caregiver+`","setting"`, 1), []string{"/body/witness"}},
		{"a number", `17`, []string{""}},
		{"nothing", `null`, []string{""}},
		{"an array", `[` + good() + `]`, []string{""}},
		{"a rated refusal", strings.Replace(good(), `"swallowed"`, `"refused"`, 1), []string{"/body/ease"}},
	}
	for _, kind := range []string{"clear", "choose", "positions", "review"} {
		body := map[string]any{
			"clear": map[string]any{"incidents": []string{first.id()}}, "choose": map[string]any{"position": "left"},
			"positions": map[string]any{"off": []string{"up"}, "from": "2027-03-01"}, "review": map[string]any{"entry": first.id(), "take": true},
		}[kind]
		tests = append(tests, struct {
			name, entry string
			pointers    []string
		}{"a device's " + kind, string(encoded(t, mama.entry(kind, body.(map[string]any)))), []string{"/kind"}})
	}
	all := []string{string(encoded(t, first))}
	for _, test := range tests {
		all = append(all, test.entry)
	}
	all = append(all, string(encoded(t, last)))
	body := `{"schema":1,"cursor":null,"limit":500,"sent_at":"2027-03-01T18:00:00-04:00","entries":[` + strings.Join(all, ",") + `]}`
	r := mama.post("/v1/sync", body).ok(http.StatusOK)
	require.Len(t, r.list("results"), len(all))
	assert.Equal(t, "accepted", r.text("results", 0, "status"))
	assert.Equal(t, "accepted", r.text("results", len(all)-1, "status"))
	for i, test := range tests {
		result := at(t, r.list("results"), i+1)
		require.Equal(t, "quarantined", at(t, result, "status"), test.name)
		assert.Equal(t, "/problems/entry-invalid", at(t, result, "problem", "type"))
		assertDiscreet(t, encoded(t, at(t, result, "problem")))
		var wanted, mended []any
		for _, pointer := range test.pointers {
			wanted = append(wanted, fmt.Sprintf("/entries/%d%s", i+1, pointer))
			mended = append(mended, pointer)
		}
		assert.Equal(t, wanted, pluck(t, at(t, result, "problem", "errors").([]any), "pointer"), test.name)
		// It is kept, and its writer gets it back with what is to be mended.
		change := at(t, r.list("changes"), i+1)
		assert.Equal(t, at(t, result, "id"), at(t, change, "id"))
		assert.Equal(t, mended, pluck(t, at(t, change, "problem", "errors").([]any), "pointer"), test.name)
		assert.Contains(t, keys(change), "sent", test.name)
		assert.NotContains(t, keys(change), "body", test.name)
	}
	// All of it is there already when it comes again, also what has no id of its own.
	again := mama.post("/v1/sync", body).ok(http.StatusOK)
	for i := range all {
		assert.Equal(t, "duplicate", at(t, again.list("results"), i, "status"), all[i])
		assert.Equal(t, at(t, r.list("results"), i, "id"), at(t, again.list("results"), i, "id"))
		assert.Equal(t, at(t, r.list("results"), i, "rev"), at(t, again.list("results"), i, "rev"))
	}
	assert.Equal(t, r.at("head"), again.at("head"))
	assert.Contains(t, f.summary().list("flags"), "quarantined_entries")
	f.checked()
}

// TestFromTheFuture hands in what this server does not know yet.
func TestFromTheFuture(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	dream := mama.entry("dream", map[string]any{"of": "flying", "note": "mine"})
	odd := mama.entry("dream", map[string]any{"note": secret})
	r := mama.sync(dream, mama.session(start))
	assert.Equal(t, []any{"parked", "accepted"}, pluck(t, r.list("results"), "status"))
	assert.Nil(t, r.at("results", 0, "problem"))
	r = mama.post("/v1/sync", with(with(mama.envelope(mama.session(start.Add(2*time.Hour)), odd), "schema", 2), "mood", "new")).ok(http.StatusOK)
	assert.Equal(t, []any{"parked", "parked"}, pluck(t, r.list("results"), "status"))
	mama.post("/v1/sync", with(with(mama.envelope(), "schema", 2), "entries", "new")).refused(http.StatusUnprocessableEntity, "invalid-input", "/entries")
	for _, p := range []*phone{mama, papa} {
		p.cursor = nil
		changes := p.sync().list("changes")
		assert.Equal(t, []any{"parked", "accepted", "parked", "parked"}, pluck(t, changes, "status"))
		assert.Equal(t, "dream", at(t, changes, 0, "kind"))
	}
	listed := f.clinician.get(f.path("entries")).ok(http.StatusOK).list("entries")
	assert.Equal(t, []any{"none", "counts", "none", "none"}, pluck(t, listed, "effect"))
	f.checked()
}

// TestWhatOthersSee: an account is shared, a note is not unless it is written to be, and what is quarantined is its
// author's and the clinic's.
func TestWhatOthersSee(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	private, shared := mama.session(start), mama.session(start.Add(2*time.Hour))
	private.body()["note"] = "for the clinic"
	shared.body()["note"], shared.body()["note_shared"] = "for everybody", true
	try := mama.try(private, "left", 4)
	try.body()["note"] = "a private try"
	incident := mama.entry("incident", map[string]any{"what": "other", "note": "a private incident"})
	bad := mama.try(private, "up", 9)
	bad.body()["note"] = "in quarantine"
	// A parked entry's note is private too, however it is written.
	parked := strings.Replace(string(encoded(t, mama.entry("dream", map[string]any{"note": "parked"}))), `"note":"parked"`, `"note":"parked","note":"parked"`, 1)
	mama.sync(private, shared, try, incident, bad)
	mama.post("/v1/sync", `{"schema":1,"cursor":null,"sent_at":"2027-03-01T18:00:00-04:00","entries":[`+parked+`]}`).ok(http.StatusOK)

	hidden := []string{"for the clinic", "a private try", "a private incident", "in quarantine"}
	mama.cursor = nil
	own := mama.sync().list("changes")
	for _, text := range append(hidden, "for everybody") {
		assert.Contains(t, string(encoded(t, own)), text)
	}
	other := papa.sync().list("changes")
	seen := string(encoded(t, other))
	for _, text := range append(hidden, `"note":"parked"`) {
		assert.NotContains(t, seen, text)
	}
	assert.Contains(t, seen, "for everybody")
	assert.NotContains(t, keys(other[4]), "body")
	assert.NotContains(t, keys(other[4]), "sent")
	assert.Equal(t, "quarantined", at(t, other, 4, "status"))
	assert.Equal(t, bad["subject"], at(t, other, 4, "subject"))
	assert.Equal(t, "try", at(t, other, 4, "kind"))
	clinic := f.clinician.get(f.path("entries")).ok(http.StatusOK).list("entries")
	for _, text := range append(hidden, "for everybody") {
		assert.Contains(t, string(encoded(t, clinic)), text)
	}
	// Mama's other phone is mama.
	tablet := mama.further()
	assert.Equal(t, own, tablet.sync().list("changes"))
}
