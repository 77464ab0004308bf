package api_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/openapi"
)

// target is an operation as somebody with the right to it calls it.
type target struct {
	id, method, path string
	body             any
	as               []who // the roles that may; nobody in particular where it is open
}

// world is a family in mid-programme, and another of which its people must see nothing.
type world struct {
	*family
	papa      *phone
	enrolment string
	plan      string
	spare     *phone // another of papa's, for calls that do away with it
	address   string // papa's
	feed      string // papa's
	calendar  string // where it is read
	reminder  string // nobody's, as is what follows
	followUp  string
	other     *family // of another clinic
	otherPapa *phone
}

func newWorld(t testing.TB) *world {
	t.Helper()
	h := newHouse(t)
	w := &world{family: h.newSite("north").newFamily("Otter"), other: h.newSite("south").newFamily("Badger")}
	for _, f := range []*family{w.family, w.other} {
		enrolment := f.enrol("2027-03-01")
		papa := f.newPhone("Papa")
		papa.accepted(papa.evening(h.clock.now())...)
		if f == w.family {
			w.enrolment, w.papa = enrolment, papa
		} else {
			w.otherPapa = papa
		}
	}
	w.spare = w.papa.further()
	w.address = w.papa.addressed("papa@example.org")
	w.feed, w.calendar = w.papa.fed()
	w.reminder, w.followUp = uuid.NewString(), uuid.NewString()
	w.plan = w.clinician.post("/v1/plans", map[string]any{"name": "Three weeks"}).ok(http.StatusCreated).text("id")
	return w
}

func (w *world) email() string { return w.members[access.RoleClinician].Email }

// targets lists every operation of the description.
func (w *world) targets() []target {
	staff := []who{w.clinician, w.lead}
	device, scheduler := []who{w.papa.who}, []who{w.scheduler}
	household := "/v1/households/" + w.household
	address, reminder := "/v1/reminder-addresses/"+w.address, "/v1/reminders/"+w.reminder
	claim := uuid.NewString()
	credentials := map[string]any{"email": w.email(), "password": password}
	return []target{
		{"getHealth", http.MethodGet, "/healthz", nil, nil},
		{"getReadiness", http.MethodGet, "/readyz", nil, nil},
		{"getSpecYaml", http.MethodGet, "/openapi.yaml", nil, nil},
		{"getSpecJson", http.MethodGet, "/openapi.json", nil, nil},
		{"getDocs", http.MethodGet, "/docs", nil, nil},
		{"getJwks", http.MethodGet, "/.well-known/jwks.json", nil, nil},
		{"getConsentText", http.MethodGet, "/v1/consent-text", nil, nil},
		{"signIn", http.MethodPost, "/v1/auth/sign-in", credentials, nil},
		{"setUpSecondFactor", http.MethodPost, "/v1/auth/second-factor", credentials, nil},
		{"refreshTokens", http.MethodPost, "/v1/auth/refresh", map[string]any{"refresh_token": "x"}, nil},
		{"signOut", http.MethodPost, "/v1/auth/sign-out", map[string]any{"refresh_token": "x"}, nil},
		{"changePassword", http.MethodPost, "/v1/auth/password", map[string]any{"password": password, "new_password": password}, staff},
		{"makeRecoveryCodes", http.MethodPost, "/v1/auth/recovery-codes", map[string]any{"password": password}, staff},
		{"enrolDevice", http.MethodPost, "/v1/devices/enrol", map[string]any{
			"invite_code": "x", "caregiver": map[string]any{"name": "Papa"}, "device": map[string]any{"name": "p", "platform": "p"},
		}, nil},
		{"createPlan", http.MethodPost, "/v1/plans", map[string]any{"name": "Short", "parameters": map[string]any{"nights": 7}}, staff},
		{"listPlans", http.MethodGet, "/v1/plans", nil, staff},
		{"getPlan", http.MethodGet, "/v1/plans/" + w.plan, nil, staff},
		{"createHousehold", http.MethodPost, "/v1/households", map[string]any{"label": "blue folder"}, staff},
		{"listHouseholds", http.MethodGet, "/v1/households", nil, staff},
		{"getHousehold", http.MethodGet, household, nil, staff},
		{"createInvite", http.MethodPost, household + "/invites", map[string]any{}, staff},
		{"revokeDevice", http.MethodPost, "/v1/devices/" + w.spare.device + "/revoke", nil, append(device, staff...)},
		{"listOwnDevices", http.MethodGet, "/v1/devices", nil, device},
		{"getConsent", http.MethodGet, "/v1/consent", nil, device},
		{"giveConsent", http.MethodPost, "/v1/consent", map[string]any{"version": clinic.ConsentVersion}, device},
		{"createLearner", http.MethodPost, household + "/learners", map[string]any{"nickname": "Vole"}, staff},
		{"recordScreening", http.MethodPost, w.family.path("screening"), map[string]any{"answers": answers(), "decision": "go"}, staff},
		{"createEnrolment", http.MethodPost, w.family.path("enrolments"), map[string]any{
			"first_night": "2027-04-01", "timezone": halifax, "reminder_time": "19:30",
		}, staff},
		{"setEnrolmentStatus", http.MethodPost, "/v1/enrolments/" + w.enrolment + "/status", map[string]any{"status": "paused"}, staff},
		{"getRoster", http.MethodGet, "/v1/roster", nil, staff},
		{"getCohort", http.MethodGet, "/v1/cohort", nil, []who{w.lead}},
		{"listAudit", http.MethodGet, "/v1/audit", nil, []who{w.lead}},
		{"getSummary", http.MethodGet, w.family.path("summary"), nil, append(device, staff...)},
		{"getNights", http.MethodGet, w.family.path("nights"), nil, append(device, staff...)},
		{"listEntries", http.MethodGet, w.family.path("entries"), nil, staff},
		{"addClinicEntries", http.MethodPost, w.family.path("entries"), map[string]any{"entries": []any{
			w.family.entry("choose", map[string]any{"position": "left"}),
		}}, staff},
		{"sync", http.MethodPost, "/v1/sync", w.papa.envelope(), device},
		{"streamSync", http.MethodGet, streamPath, nil, device},
		{"getOwnHousehold", http.MethodGet, "/v1/household", nil, device},
		{"listOverdue", http.MethodGet, "/v1/reminders/overdue", nil, scheduler},
		{"claimReminders", http.MethodPost, "/v1/reminders/claims", map[string]any{"limit": 1}, scheduler},
		{"giveGoAhead", http.MethodPost, reminder + "/go-ahead", map[string]any{"claim": claim}, scheduler},
		{"reportReminder", http.MethodPost, reminder + "/outcome", map[string]any{"claim": claim, "outcome": "sent"}, scheduler},
		{"setReminderTime", http.MethodPost, "/v1/enrolments/" + w.enrolment + "/reminder-time", map[string]any{"reminder_time": "18:45"}, append(device, staff...)},
		{"addReminderAddress", http.MethodPost, "/v1/reminder-addresses", map[string]any{"channel": "email", "to": "other@example.org"}, device},
		{"listReminderAddresses", http.MethodGet, "/v1/reminder-addresses", nil, device},
		{"sendAddressCode", http.MethodPost, address + "/code", nil, device},
		{"verifyReminderAddress", http.MethodPost, address + "/verify", map[string]any{"code": "7ZK3-9QXM"}, device},
		{"setReminderWanted", http.MethodPost, address + "/wanted", map[string]any{"kinds": []any{"missed"}}, device},
		{"removeReminderAddress", http.MethodPost, address + "/remove", nil, device},
		{"showUnsubscribe", http.MethodGet, "/v1/unsubscribe/x", nil, nil},
		{"unsubscribe", http.MethodPost, "/v1/unsubscribe/x", nil, nil},
		{"createCalendarFeed", http.MethodPost, "/v1/calendar-feeds", nil, device},
		{"listCalendarFeeds", http.MethodGet, "/v1/calendar-feeds", nil, device},
		{"revokeCalendarFeed", http.MethodPost, "/v1/calendar-feeds/" + w.feed + "/revoke", nil, device},
		{"getCalendar", http.MethodGet, w.calendar, nil, nil},
		{"listFollowUps", http.MethodGet, "/v1/follow-ups", nil, staff},
		{"recordFollowUp", http.MethodPost, "/v1/follow-ups/" + w.followUp + "/outcome", map[string]any{"outcome": "called"}, staff},
		// The last, since it does away with what the others need.
		{"withdrawConsent", http.MethodPost, "/v1/caregivers/" + w.papa.caregiver + "/withdraw-consent", nil, append(device, staff...)},
	}
}

func TestTargetsAreAllOperations(t *testing.T) {
	t.Parallel()
	converted, err := openapi.JSON()
	require.NoError(t, err)
	var doc struct {
		Paths map[string]map[string]struct {
			OperationID string `json:"operationId"`
		} `json:"paths"`
	}
	require.NoError(t, json.Unmarshal(converted, &doc))
	var described, targeted []string
	for _, item := range doc.Paths {
		for _, operation := range item {
			described = append(described, operation.OperationID)
		}
	}
	for _, target := range newWorld(t).targets() {
		targeted = append(targeted, target.id)
	}
	assert.ElementsMatch(t, described, targeted)
}

// TestAServiceTokenUnknownToTheStoreIsRefused takes a service token that the store does not know any more.
func TestAServiceTokenUnknownToTheStoreIsRefused(t *testing.T) {
	t.Parallel()
	s := newHouse(t).newSite("north")
	principal := access.Principal{Role: access.RoleScheduler, ClinicID: s.id}
	for _, id := range []string{uuid.NewString(), "not-an-id"} {
		token, err := s.keys.Issue(principal, time.Hour, s.clock.now(), id)
		require.NoError(t, err)
		s.nobody(token).get("/v1/reminders/overdue").refused(http.StatusUnauthorized, "token-invalid")
	}
	s.scheduler.get("/v1/reminders/overdue").ok(http.StatusOK)
	s.clock.advance(300 * 24 * time.Hour)
	s.scheduler.get("/v1/reminders/overdue").refused(http.StatusUnauthorized, "token-expired")
}

// TestWhatIsNoIDIsNotThere asks for what nobody has and for what is no id: the answers must be the same to the letter. What others
// have is in the matrix.
func TestWhatIsNoIDIsNotThere(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	instance := func(r reply) map[string]any { return with(r.doc(), "instance", nil) }
	for _, target := range w.targets() {
		for _, mine := range []string{w.plan, w.household, w.learner, w.enrolment, w.spare.device, w.papa.caregiver, w.reminder, w.address, w.feed, w.followUp} {
			if !strings.Contains(target.path, mine) {
				continue
			}
			ask := func(id string) reply {
				path := strings.Replace(target.path, mine, id, 1)
				return w.do(call{method: target.method, path: path, as: target.as[0], body: target.body})
			}
			absent := ask(uuid.NewString()).refused(http.StatusNotFound, "not-found")
			for _, id := range []string{
				uuid.Nil.String(), "x", "%20", "a%2Fb", "%00", "%ff", "{" + mine + "}", "urn:uuid:" + mine,
				strings.ReplaceAll(mine, "-", ""), mine + "0", repeated("9", 2000),
			} {
				r := ask(id).refused(http.StatusNotFound, "not-found")
				assert.Equal(t, instance(absent), instance(r), "%s of %s", target.id, id)
			}
		}
	}
	w.clinician.get(w.family.path("nights")+"?enrolment="+secret).refused(http.StatusNotFound, "not-found")
}

func TestAddressesAndMethods(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for _, path := range []string{"/", "/v1", "/v1/" + secret, "/v1/learners/" + w.learner, "/healthz/"} {
		r := w.do(call{method: http.MethodGet, path: path, as: w.clinician, elsewhere: true})
		r.refused(http.StatusNotFound, "not-found")
		assert.Equal(t, path, r.text("instance"))
	}
	for _, target := range w.targets() {
		for _, method := range []string{http.MethodPut, http.MethodPatch, http.MethodDelete} {
			r := w.do(call{method: method, path: target.path, as: w.clinician, body: target.body, elsewhere: true})
			r.refused(http.StatusMethodNotAllowed, "method-not-allowed")
			assert.Contains(t, r.header.Get("Allow"), target.method, target.id)
		}
	}
}
