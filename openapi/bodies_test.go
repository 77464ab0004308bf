package openapi_test

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	"github.com/pb33f/libopenapi-validator/config"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/openapi"
)

const (
	entryHead = `"id":"01954f2e-1a00-7000-8000-000000000101","subject":"01954f2e-1a00-7000-8000-000000000101",` +
		`"replaces":[],"learner_id":"01953a10-0000-7000-8000-000000000020","recorded_at":"2027-03-02T19:42:10-04:00"`
	session  = `{` + entryHead + `,"kind":"session","body":%s}`
	try      = `{` + entryHead + `,"kind":"try","body":%s}`
	place    = `"practised_at":"2027-03-02T19:38:00-04:00","timezone":"America/Halifax","setting":"home"`
	attempt  = `"session":"01954f2e-1a00-7000-8000-000000000101","position":"left","number":1,"medium":"sweet"`
	plan     = `{"name":"Two weeks","parameters":{%s}}`
	enrol    = `{"first_night":"2027-03-01","timezone":"America/Halifax","reminder_time":"19:30"%s}`
	answered = `"swallowing_trouble":false,"aspiration_history":false,"recent_mouth_throat_or_neck_surgery":false,` +
		`"sore_mouth":false,"nausea_or_vomiting":false,"breathing_trouble":false,"reduced_alertness":false,` +
		`"under_minimum_age":false,"allergy_to_ingredients":false`
	claim       = `"claim":"01954f2e-1a00-7000-8000-000000000211"`
	destination = `"id":"01953a10-0000-7000-8000-000000000060","channel":"email"`
	quiet       = `{"from":"18:00","until":"09:00","timezone":"America/Halifax"}`

	learnerPath   = "/v1/learners/01953a10-0000-7000-8000-000000000020"
	claimsPath    = "/v1/reminders/claims"
	reminderPath  = "/v1/reminders/01954f2e-1a00-7000-8000-000000000201"
	addressesPath = "/v1/reminder-addresses"
	wantedPath    = "/01953a10-0000-7000-8000-000000000060/wanted"
	followUpPath  = "/v1/follow-ups/01954f2e-1a00-7000-8000-000000000301/outcome"
)

// freeForm lists what an answer may hold without a schema of its own: what was sent, as it was sent, and the description.
func freeForm() []string {
	return []string{
		"$.body.changes[*].body.**", "$.body.changes[*].sent.**", "$.body.info.**", "$.body.servers[*].**",
		"$.body.security[*].**", "$.body.tags[*].**", "$.body.paths**", "$.body.components.**",
	}
}

func newValidator(t *testing.T) validator.Validator {
	t.Helper()
	document, err := libopenapi.NewDocument(openapi.YAML())
	require.NoError(t, err)
	v, errs := validator.NewValidator(document, config.WithFormatAssertions(), config.WithStrictMode(),
		config.WithoutSecurityValidation(), config.WithStrictIgnorePaths(freeForm()...))
	require.Empty(t, errs)
	return v
}

func post(path, body string) *http.Request {
	request := httptest.NewRequest(http.MethodPost, path, strings.NewReader(body))
	request.Header.Set("Content-Type", "application/json")
	return request
}

func syncOf(entries string) string {
	return `{"schema":1,"cursor":null,"sent_at":"2027-03-02T19:50:00-04:00","limit":500,"entries":[` + entries + `]}`
}

// TestRequestBodies holds the schemas to what the contract says about bodies, on both sides of each border.
func TestRequestBodies(t *testing.T) {
	t.Parallel()
	v := newValidator(t)
	tests := []struct {
		name, path, body string
		valid            bool
	}{
		{"an evening", "/v1/sync", syncOf(fmt.Sprintf(session, `{`+place+`}`) + "," +
			fmt.Sprintf(try, `{`+attempt+`,"size_mm":6.0,"outcome":"swallowed","ease":4,"snags":["water"],"note":""}`)), true},
		{"nothing to push", "/v1/sync", syncOf(""), true},
		{"a refusal", "/v1/sync", syncOf(fmt.Sprintf(try, `{`+attempt+`,"outcome":"refused"}`)), true},
		{"a rated refusal", "/v1/sync", syncOf(fmt.Sprintf(try, `{`+attempt+`,"outcome":"refused","ease":1}`)), false},
		{"an unrated try", "/v1/sync", syncOf(fmt.Sprintf(try, `{`+attempt+`,"outcome":"swallowed"}`)), false},
		{"an ease too high", "/v1/sync", syncOf(fmt.Sprintf(try, `{`+attempt+`,"outcome":"swallowed","ease":6}`)), false},
		{"a body of another kind", "/v1/sync", syncOf(fmt.Sprintf(try, `{`+place+`}`)), false},
		{"a member nobody knows", "/v1/sync", syncOf(fmt.Sprintf(session, `{`+place+`,"mood":"fine"}`)), false},
		{"an entry's own author", "/v1/sync", syncOf(`{"author":"me",` + fmt.Sprintf(session, `{`+place+`}`)[1:]), false},
		{"a withdrawal of nothing", "/v1/sync", syncOf(`{` + entryHead + `,"kind":"retract","body":{}}`), false},
		{"a device that clears", "/v1/sync", syncOf(`{` + entryHead + `,"kind":"clear","body":{"incidents":["01954f2e-1a00-7000-8000-000000000102"]}}`), false},
		{"a clinician that clears", learnerPath + "/entries", `{"entries":[{` + entryHead + `,"kind":"clear","body":{"incidents":["01954f2e-1a00-7000-8000-000000000102"]}}]}`, true},
		{"a name is enough", "/v1/plans", fmt.Sprintf(plan, ``), true},
		{"the longest plan", "/v1/plans", fmt.Sprintf(plan, `"nights":60`), true},
		{"a plan too long", "/v1/plans", fmt.Sprintf(plan, `"nights":61`), false},
		{"a position twice", "/v1/plans", fmt.Sprintf(plan, `"positions":["up","up"]`), false},
		{"no such time of day", "/v1/plans", fmt.Sprintf(plan, `"quiet_from":"24:00"`), false},
		{"no target", learnerPath + "/enrolments", fmt.Sprintf(enrol, ``), true},
		{"a capsule", learnerPath + "/enrolments", fmt.Sprintf(enrol, `,"target":{"capsule_size":"00"}`), true},
		{"a capsule size as a number", learnerPath + "/enrolments", fmt.Sprintf(enrol, `,"target":{"capsule_size":0}`), false},
		{"a tablet", learnerPath + "/enrolments", fmt.Sprintf(enrol, `,"target":{"length_mm":12.5,"width_mm":5}`), true},
		{"half a tablet", learnerPath + "/enrolments", fmt.Sprintf(enrol, `,"target":{"length_mm":12.5}`), false},
		{"both", learnerPath + "/enrolments", fmt.Sprintf(enrol, `,"target":{"capsule_size":"1","length_mm":12.5,"width_mm":5}`), false},
		{"every question", learnerPath + "/screening", `{"answers":{` + answered + `,"sugar_restricted":false},"decision":"go"}`, true},
		{"a question of the plan's", learnerPath + "/screening", `{"answers":{` + answered + `,"sugar_restricted":true,"wears_a_brace":false},"decision":"no_go"}`, true},
		{"whatever is due", claimsPath, `{}`, true},
		{"a claim in every particular", claimsPath, `{"limit":500,"lease_seconds":900,"as_of":"2027-03-09T22:30:00Z","kinds":["tonight","verification"]}`, true},
		{"a claim of nothing", claimsPath, `{"limit":0}`, false},
		{"a lease too short", claimsPath, `{"lease_seconds":9}`, false},
		{"a lease too long", claimsPath, `{"lease_seconds":901}`, false},
		{"a kind nobody knows", claimsPath, `{"kinds":["tomorrow"]}`, false},
		{"no kind at all", claimsPath, `{"kinds":[]}`, false},
		{"asking for the go-ahead", reminderPath + "/go-ahead", `{` + claim + `,"repeatable":true}`, true},
		{"asking without a claim", reminderPath + "/go-ahead", `{"repeatable":true}`, false},
		{"a report", reminderPath + "/outcome", `{` + claim + `,"outcome":"sent"}`, true},
		{"a report by destination", reminderPath + "/outcome", `{` + claim + `,"outcome":"failed","destinations":[{` + destination + `,"outcome":"failed","permanent":true,"detail":"550"}]}`, true},
		{"an outcome nobody knows", reminderPath + "/outcome", `{` + claim + `,"outcome":"lost"}`, false},
		{"a destination without an outcome", reminderPath + "/outcome", `{` + claim + `,"outcome":"failed","destinations":[{` + destination + `}]}`, false},
		{"a detail too long", reminderPath + "/outcome", `{` + claim + `,"outcome":"failed","detail":"` + strings.Repeat("x", 201) + `"}`, false},
		{"an address", addressesPath, `{"channel":"email","to":"papa@example.org"}`, true},
		{"an address in every particular", addressesPath, `{"channel":"email","to":"papa@example.org","kinds":["missed"],"weekdays":[1,7],"quiet_hours":` + quiet + `}`, true},
		{"an address of a channel nobody knows", addressesPath, `{"channel":"pigeon","to":"papa"}`, false},
		{"nothing wanted that stands for all", addressesPath + wantedPath, `{}`, true},
		{"no quiet hours", addressesPath + wantedPath, `{"kinds":[],"weekdays":[],"quiet_hours":null}`, true},
		{"quiet hours without a zone", addressesPath + wantedPath, `{"quiet_hours":{"from":"18:00","until":"09:00"}}`, false},
		{"a follow-up, which goes to no family", addressesPath + wantedPath, `{"kinds":["follow_up"]}`, false},
		{"an eighth day", addressesPath + wantedPath, `{"weekdays":[8]}`, false},
		{"a day twice", addressesPath + wantedPath, `{"weekdays":[1,1]}`, false},
		{"a reminder time", "/v1/enrolments/01953a10-0000-7000-8000-000000000030/reminder-time", `{"reminder_time":"18:45"}`, true},
		{"a reminder time that is none", "/v1/enrolments/01953a10-0000-7000-8000-000000000030/reminder-time", `{"reminder_time":"24:00"}`, false},
		{"a call", followUpPath, `{"outcome":"stops","note":"They move away.","status":"ended"}`, true},
		{"a call without an outcome", followUpPath, `{"note":"They move away."}`, false},
		{"a call of which nothing came that is known", followUpPath, `{"outcome":"waits"}`, false},
		{"a question left out", learnerPath + "/screening", `{"answers":{` + answered + `},"decision":"go"}`, false},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			valid, problems := v.ValidateHttpRequestSync(post(test.path, test.body))
			assert.Equal(t, test.valid, valid, "%v", problems)
		})
	}
}

func answer(body string) *http.Response {
	return &http.Response{
		StatusCode: http.StatusOK,
		Header:     http.Header{"Content-Type": {"application/json"}},
		Body:       io.NopCloser(strings.NewReader(body)),
	}
}

// TestAnswerBodies holds the schemas to what the contract promises of answers: all or results alone in sync, nothing
// about readiness in the family's view.
func TestAnswerBodies(t *testing.T) {
	t.Parallel()
	v := newValidator(t)
	const (
		full = `{"results":[],"changes":[],"cursor":"c","more":false,"head":0,"epoch":"e",` +
			`"server_time":"2027-03-02T23:50:01Z","nights":[],"gone":[]%s}`
		digest = `,"digest":"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"`
		family = `{"learner":{"id":"01953a10-0000-7000-8000-000000000020","nickname":"Otter","age_band":null},` +
			`"nights":{"planned":14,"elapsed":0,"practised":0,"complete":0,"partial":0,"excused":0,"attempted":0,"missed":0,` +
			`"unheard":0,"recalled":0},"streak":{"current":0,"longest":0},"positions":{"left":{"tries":1,"swallowed":1}},` +
			`"disagreements":[],"snags":{},"advice":[],"caution":"An adult is there."%s}`
	)
	const change = `{"id":"01954f2e-1a00-7000-8000-000000000101","kind":"session","subject":null,"replaces":[],` +
		`"learner_id":null,"recorded_at":null,"rev":1,"status":"quarantined",` +
		`"author":{"role":"caregiver","id":"01953a10-0000-7000-8000-000000000040"},"device":null,` +
		`"stamp":{"received_at":"2027-03-02T23:50:01.204Z","clock_offset_ms":-3,"seal":"s"},"problem":null%s}`
	const held = `{"claimed":[{"id":"01954f2e-1a00-7000-8000-000000000201","kind":"tonight","learner_id":"01953a10-0000-7000-8000-000000000020",` +
		`"household_id":"01953a10-0000-7000-8000-000000000010","night":"2027-03-09","due_at":"2027-03-09T22:30:00Z","lapses_at":"2027-03-10T01:00:00Z",` +
		`"run":0,"last_heard_at":null,` + claim + `,"lease_until":"2027-03-09T22:32:00Z","attempt":1,"destinations":[{` + destination +
		`,"to":"papa@example.org","key":"k","subject":"Practice time","text":"It is.","unsubscribe_url":null}]}]}`
	changed := func(members string) string {
		return strings.Replace(fmt.Sprintf(full, digest), `"changes":[]`, `"changes":[`+fmt.Sprintf(change, members)+`]`, 1)
	}
	converted, err := openapi.JSON()
	require.NoError(t, err)
	summary := httptest.NewRequest(http.MethodGet, learnerPath+"/summary", nil)
	tests := []struct {
		name    string
		request *http.Request
		body    string
		valid   bool
	}{
		{"a full answer", post("/v1/sync", ""), fmt.Sprintf(full, digest), true},
		{"results alone", post("/v1/sync", ""), `{"results":[]}`, true},
		{"an answer without its digest", post("/v1/sync", ""), fmt.Sprintf(full, ``), false},
		{"a body as it was sent", post("/v1/sync", ""), changed(`,"body":{"practised_at":"x","mood":{"deep":[1]}}`), true},
		{"anything as it was sent", post("/v1/sync", ""), changed(`,"sent":[{"kind":7},null]`), true},
		{"a change without an author", post("/v1/sync", ""), strings.Replace(changed(``), `"author"`, `"writer"`, 1), false},
		{"the description itself", httptest.NewRequest(http.MethodGet, "/openapi.json", nil), string(converted), true},
		{"a result without a problem", post("/v1/sync", ""), `{"results":[{"id":"01954f2e-1a00-7000-8000-000000000101","status":"id_reuse","rev":null,"problem":null}]}`, true},
		{"a result nobody knows", post("/v1/sync", ""), `{"results":[{"id":"01954f2e-1a00-7000-8000-000000000101","status":"lost","rev":null,"problem":null}]}`, false},
		{"the family's view", summary, fmt.Sprintf(family, ``), true},
		{"the family's view on hold", summary, fmt.Sprintf(family, `,"hold":{"what_to_do":"Call your clinic."}`), true},
		{"the family's view with readiness", summary, fmt.Sprintf(family, `,"readiness":{"criteria":[]}`), false},
		{"the family's view with flags", summary, fmt.Sprintf(family, `,"flags":[]`), false},
		{"a reminder that is held", post(claimsPath, ""), held, true},
		{"a code that is held", post(claimsPath, ""), strings.NewReplacer(`"tonight"`, `"verification"`, `"2027-03-09"`, `null`,
			`"01953a10-0000-7000-8000-000000000020"`, `null`).Replace(held), true},
		{"a reminder that is held under no claim", post(claimsPath, ""), strings.Replace(held, claim+`,`, ``, 1), false},
		{"a name in what is held", post(claimsPath, ""), strings.Replace(held, `"run"`, `"nickname":"Otter","run"`, 1), false},
		{"a position nobody knows", summary, strings.Replace(fmt.Sprintf(family, ``), `"left"`, `"sideways"`, 1), false},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			response := answer(test.body)
			if test.request == summary {
				response.Header.Set("ETag", `W/"tag"`)
			}
			valid, problems := v.ValidateHttpResponse(test.request, response)
			assert.Equal(t, test.valid, valid, "%v", problems)
		})
	}
}
