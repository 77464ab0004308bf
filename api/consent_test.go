package api_test

import (
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
)

func (p *phone) withdraw() {
	p.house.t.Helper()
	p.post("/v1/caregivers/"+p.caregiver+"/withdraw-consent", nil).ok(http.StatusOK)
}

func (p *phone) consents() {
	p.house.t.Helper()
	p.post("/v1/consent", map[string]any{"version": clinic.ConsentVersion}).ok(http.StatusOK)
}

// listed returns the entries about the learner as the clinic gets them, by id.
func (f *family) listed() map[string]map[string]any {
	f.t.Helper()
	byID := map[string]map[string]any{}
	for _, e := range f.clinician.get(f.path("entries")).ok(http.StatusOK).list("entries") {
		doc := e.(map[string]any)
		byID[doc["id"].(string)] = doc
	}
	return byID
}

// TestWithdrawnConsent follows a caregiver who withdraws consent, practises on, and gives it again: what came in meanwhile is
// read by nobody until then, and not counted before a review takes it.
func TestWithdrawnConsent(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	before := papa.evening(f.clock.now())
	papa.accepted(before...)
	assert.Equal(t, map[string]any{
		"caregiver_id": papa.caregiver, "version": clinic.ConsentVersion, "given_at": "2027-03-01T22:00:00Z", "withdrawn_at": nil,
	}, papa.get("/v1/consent").ok(http.StatusOK).doc())

	f.clock.advance(24 * time.Hour)
	papa.withdraw()
	assert.Equal(t, "2027-03-02T22:00:00Z", papa.get("/v1/consent").text("withdrawn_at"))
	f.clock.advance(time.Minute)
	papa.withdraw()
	assert.Equal(t, "2027-03-02T22:00:00Z", papa.get("/v1/consent").text("withdrawn_at"), "since the first time")

	later := papa.evening(f.clock.now())
	later[0].body()["note"] = secret
	assert.Equal(t, repeatedly("set_aside", len(later)), papa.handIn(later...))
	assert.Equal(t, repeatedly("set_aside", len(later)), papa.handIn(later...), "its answer was lost")
	for _, e := range later {
		got := f.listed()[e.id()]
		require.NotNil(t, got, "no learner is told of, so it is among everybody's")
		assert.Equal(t, "set_aside", got["status"])
		assert.Nil(t, got["kind"])
		assert.NotContains(t, got, "body")
		assert.NotContains(t, got, "sent")
	}
	assert.NotContains(t, string(mama.sync().body), secret)
	f.review(true, later[0]) // of something that nobody can read
	assert.Equal(t, map[string]string{march(1): "complete", march(2): "open"}, firstTwo(f.states()))
	assert.NotContains(t, f.summary().list("flags"), "set_aside_entries")
	for _, e := range before {
		assert.NotNil(t, f.listed()[e.id()]["body"], "what was handed in before stays")
	}

	f.clock.advance(time.Hour)
	papa.post("/v1/consent", map[string]any{"version": "0"}).refused(http.StatusConflict, "consent-text-changed")
	papa.consents()
	assert.Nil(t, papa.get("/v1/consent").ok(http.StatusOK).at("withdrawn_at"))
	assert.Equal(t, secret, at(t, f.listed()[later[0].id()], "body", "note"))
	assert.Contains(t, f.summary().list("flags"), "set_aside_entries")
	f.review(true, later[1:]...)
	assert.Equal(t, "complete", f.states()[march(2)])
	papa.accepted(papa.entry("excuse", map[string]any{"night": march(3), "reason": "ill"}))
	f.checked()
}

// firstTwo returns the states of the first two nights.
func firstTwo(states map[string]string) map[string]string {
	return map[string]string{march(1): states[march(1)], march(2): states[march(2)]}
}

// TestReadingNarrowsWithConsent asks for all that a phone may ask for once consent is withdrawn.
func TestReadingNarrowsWithConsent(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.papa.withdraw()
	still := []string{
		"sync", "getSummary", "listOwnDevices", "getConsent", "giveConsent", "withdrawConsent", "revokeDevice",
		"listReminderAddresses", "removeReminderAddress", "listCalendarFeeds", "revokeCalendarFeed",
	}
	for _, target := range w.targets() {
		if !slices.ContainsFunc(target.as, func(a who) bool { return a.principal == w.papa.principal }) || slices.Contains(still, target.id) {
			continue
		}
		w.do(call{method: target.method, path: target.path, as: w.papa.who, body: target.body}).
			refused(http.StatusForbidden, "consent-withdrawn")
	}
	narrow := w.papa.get(w.family.path("summary")).ok(http.StatusOK)
	assert.ElementsMatch(t, []string{"caution", "consent_withdrawn", "learner"}, keys(narrow.doc()))
	w.spare.get(w.family.path("nights")).refused(http.StatusForbidden, "consent-withdrawn")
	gran := w.newPhone("Gran")
	gran.accepted(gran.entry("incident", map[string]any{"session": nil, "what": "coughing_fit"}))
	held := w.papa.get(w.family.path("summary")).ok(http.StatusOK)
	assert.Contains(t, held.text("hold", "what_to_do"), "call your clinic")
	assert.NotContains(t, string(held.body), "coughing_fit")
}

// TestAnIncidentHoldsWithoutConsent: what keeps a learner safe depends on nobody's consent.
func TestAnIncidentHoldsWithoutConsent(t *testing.T) {
	t.Parallel()
	f, _, papa := newTwoPhones(t)
	papa.withdraw()
	incident := papa.entry("incident", map[string]any{"session": nil, "what": "choking", "note": secret})
	assert.Equal(t, repeatedly("set_aside", 1), papa.handIn(incident))
	summary := f.summary()
	assert.Equal(t, "hold", summary.text("readiness", "verdict"))
	assert.Equal(t, []any{incident.id()}, pluck(t, summary.list("hold", "incidents"), "entry"))
	assert.NotContains(t, string(summary.body), "choking", "that it holds is all that is read of it")
	f.added(f.entry("clear", map[string]any{"incidents": []any{incident.id()}, "note": "Spoke to the family."}))
	assert.Nil(t, f.summary().at("hold"))
	f.checked()
}

// TestWithoutAnybodysConsentNobodyIsReminded: one caregiver's is enough to go on, and the roster says when none stands.
func TestWithoutAnybodysConsentNobodyIsReminded(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	f.clock.set(inHalifax(t, "2027-03-02 20:00"))
	overdue := func() []any {
		return f.scheduler.get("/v1/reminders/overdue").ok(http.StatusOK).list("overdue")
	}
	line := func() map[string]any {
		return f.clinician.get("/v1/roster").ok(http.StatusOK).list("learners")[0].(map[string]any)
	}
	require.Len(t, overdue(), 1)
	papa.withdraw()
	assert.Len(t, overdue(), 1)
	assert.NotContains(t, line()["flags"], "consent_withdrawn")
	f.clinician.post("/v1/caregivers/"+mama.caregiver+"/withdraw-consent", nil).ok(http.StatusOK)
	assert.Empty(t, overdue())
	assert.Contains(t, line()["flags"], "consent_withdrawn")
	assert.Contains(t, line()["reasons"], "No caregiver's consent stands: nobody is reminded, and what comes in is set aside unread.")
	withdrawn := f.clinician.get("/v1/households/" + f.household).ok(http.StatusOK).list("caregivers")
	assert.NotContains(t, pluck(t, withdrawn, "consent", "withdrawn_at"), nil)
	// A new invite, redeemed, is consent again.
	f.redeem(f.invite(map[string]any{"caregiver_id": mama.caregiver}), map[string]any{"name": "Mama"})
	assert.Len(t, overdue(), 1)
	assert.NotContains(t, line()["flags"], "consent_withdrawn")
	f.checked()
}

// TestNobodyDecidesForAnother: a caregiver's consent and devices are their own and the clinic's.
func TestNobodyDecidesForAnother(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	mama := w.newPhone("Mama")
	for _, other := range []string{mama.caregiver, w.otherPapa.caregiver, uuid.NewString()} {
		w.papa.post("/v1/caregivers/"+other+"/withdraw-consent", nil).refused(http.StatusNotFound, "not-found")
	}
	for _, other := range []string{mama.device, w.otherPapa.device, uuid.NewString()} {
		w.papa.post("/v1/devices/"+other+"/revoke", nil).refused(http.StatusNotFound, "not-found")
	}
	mine := w.papa.get("/v1/devices").ok(http.StatusOK).list("devices")
	assert.Equal(t, []any{w.papa.device, w.spare.device}, pluck(t, mine, "id"))
	w.papa.post("/v1/devices/"+w.spare.device+"/revoke", nil).ok(http.StatusNoContent)
	assert.NotNil(t, at(t, w.papa.get("/v1/devices").list("devices")[1], "revoked_at"))
	w.spare.get("/v1/devices").refused(http.StatusForbidden, "forbidden")
	w.papa.post("/v1/devices/"+w.papa.device+"/revoke", nil).ok(http.StatusNoContent)
	assert.Equal(t, repeatedly("set_aside", 1), w.papa.handIn(w.papa.entry("excuse", map[string]any{"night": march(3), "reason": "ill"})))
}

// TestTheTrailTellsOfConsent: what was consented to, and by whom it was withdrawn.
func TestTheTrailTellsOfConsent(t *testing.T) {
	t.Parallel()
	f, _, papa := newTwoPhones(t)
	papa.withdraw()
	papa.consents()
	f.clinician.post("/v1/caregivers/"+papa.caregiver+"/withdraw-consent", nil).ok(http.StatusOK)
	var told []string
	for _, row := range f.lead.get("/v1/audit").ok(http.StatusOK).list("rows") {
		doc := row.(map[string]any)
		if strings.HasSuffix(doc["did"].(string), "Consent") {
			assert.Equal(t, papa.caregiver, doc["thing_id"])
			assert.Equal(t, f.household, doc["household_id"])
			assert.Equal(t, clinic.ConsentVersion, doc["note"])
			told = append(told, doc["role"].(string)+" "+doc["did"].(string))
		}
	}
	assert.Equal(t, []string{"clinician withdrawConsent", "device giveConsent", "device withdrawConsent"}, told)
}
