package openapi_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"swallowtail/openapi"
)

// operation is one operation of the description together with where it stands.
type operation struct {
	method, path string
	node         map[string]any
}

func (o operation) name() string { return o.method + " " + o.path }

func (o operation) responses() map[string]any { return object(o.node["responses"]) }

// takesInput tells whether a caller can get anything wrong.
func (o operation) takesInput() bool {
	return o.node["parameters"] != nil || o.node["requestBody"] != nil
}

func (o operation) public() bool {
	security, set := o.node["security"].([]any)
	return set && len(security) == 0
}

func object(v any) map[string]any {
	m, _ := v.(map[string]any)
	return m
}

func load(t *testing.T) map[string]any {
	t.Helper()
	converted, err := openapi.JSON()
	require.NoError(t, err)
	var root map[string]any
	require.NoError(t, json.Unmarshal(converted, &root))
	return root
}

// resolve follows a reference within the document; anything else is returned as it is.
func resolve(t *testing.T, root map[string]any, v any) map[string]any {
	t.Helper()
	node := object(v)
	ref, isRef := node["$ref"].(string)
	if !isRef {
		return node
	}
	at := root
	for _, name := range strings.Split(strings.TrimPrefix(ref, "#/"), "/") {
		at = object(at[name])
	}
	require.NotEmpty(t, at, "reference %s leads nowhere", ref)
	return at
}

func operations(t *testing.T, root map[string]any) []operation {
	t.Helper()
	var list []operation
	for path, item := range object(root["paths"]) {
		for method, node := range object(item) {
			list = append(list, operation{method: method, path: path, node: object(node)})
		}
	}
	require.NotEmpty(t, list)
	return list
}

func TestDocumentIsValidOpenAPI(t *testing.T) {
	t.Parallel()
	document, err := libopenapi.NewDocument(openapi.YAML())
	require.NoError(t, err)
	v, errs := validator.NewValidator(document)
	require.Empty(t, errs)
	valid, problems := v.ValidateDocument()
	assert.Empty(t, problems)
	assert.True(t, valid)
}

func TestWhatIsReturnedIsTheCallersOwn(t *testing.T) {
	t.Parallel()
	openapi.YAML()[0] = 'X'
	assert.Equal(t, byte('o'), openapi.YAML()[0])
	converted, err := openapi.JSON()
	require.NoError(t, err)
	converted[0] = 'X'
	again, err := openapi.JSON()
	require.NoError(t, err)
	assert.Equal(t, byte('{'), again[0])
}

func TestJSONSaysWhatTheYAMLSays(t *testing.T) {
	t.Parallel()
	var written map[string]any
	require.NoError(t, yaml.Unmarshal(openapi.YAML(), &written))
	expected, err := json.Marshal(written)
	require.NoError(t, err)
	converted, err := openapi.JSON()
	require.NoError(t, err)
	assert.JSONEq(t, string(expected), string(converted))
	assert.Equal(t, "3.1.0", load(t)["openapi"])
}

func TestOperationsAreTheContracts(t *testing.T) {
	t.Parallel()
	expected := []string{
		"addClinicEntries", "addReminderAddress", "changePassword", "claimReminders", "createCalendarFeed", "createEnrolment",
		"createHousehold", "createInvite", "createLearner", "createPlan", "enrolDevice", "getCalendar", "getCohort", "getConsent",
		"getConsentText", "getDocs", "getHealth", "getHousehold", "getJwks", "getNights", "getOwnHousehold", "getPlan", "getReadiness",
		"getRoster", "getSpecJson", "getSpecYaml", "getSummary", "giveConsent", "giveGoAhead", "listAudit", "listCalendarFeeds",
		"listEntries", "listFollowUps", "listHouseholds", "listOverdue", "listOwnDevices", "listPlans", "listReminderAddresses",
		"makeRecoveryCodes", "recordFollowUp", "recordScreening", "refreshTokens", "removeReminderAddress", "reportReminder",
		"revokeCalendarFeed", "revokeDevice", "sendAddressCode", "setEnrolmentStatus", "setReminderTime", "setReminderWanted",
		"setUpSecondFactor", "showUnsubscribe", "signIn", "signOut", "streamSync", "sync", "unsubscribe", "verifyReminderAddress",
		"withdrawConsent",
	}
	var names []string
	for _, o := range operations(t, load(t)) {
		names = append(names, o.node["operationId"].(string))
		assert.NotEmpty(t, o.node["summary"], o.name())
		assert.NotEmpty(t, o.node["description"], o.name())
		assert.Len(t, o.node["tags"], 1, o.name())
	}
	slices.Sort(names)
	assert.Equal(t, expected, names)
}

func TestOnlyPublicOperationsAreOpen(t *testing.T) {
	t.Parallel()
	expected := []string{
		"get /.well-known/jwks.json", "get /docs", "get /healthz", "get /openapi.json", "get /openapi.yaml",
		"get /readyz", "get /v1/calendars/{secret}", "get /v1/consent-text", "get /v1/unsubscribe/{token}", "post /v1/auth/refresh",
		"post /v1/auth/second-factor", "post /v1/auth/sign-in", "post /v1/auth/sign-out", "post /v1/devices/enrol",
		"post /v1/unsubscribe/{token}",
	}
	var open []string
	for _, o := range operations(t, load(t)) {
		if o.public() {
			open = append(open, o.name())
			continue
		}
		assert.Contains(t, o.responses(), "401", o.name())
		assert.Contains(t, o.responses(), "403", o.name())
	}
	slices.Sort(open)
	assert.Equal(t, expected, open)
}

func TestRefusalsAreProblems(t *testing.T) {
	t.Parallel()
	root := load(t)
	for _, o := range operations(t, root) {
		assert.Contains(t, o.responses(), "500", o.name())
		for status, response := range o.responses() {
			if status < "400" {
				continue
			}
			content := object(resolve(t, root, response)["content"])
			require.Len(t, content, 1, "%s %s", o.name(), status)
			schema := object(object(content["application/problem+json"])["schema"])
			assert.Equal(t, "#/components/schemas/Problem", schema["$ref"], "%s %s", o.name(), status)
		}
	}
}

func TestInputCanBeRefused(t *testing.T) {
	t.Parallel()
	for _, o := range operations(t, load(t)) {
		if o.takesInput() {
			assert.Contains(t, o.responses(), "400", o.name())
		}
		if strings.Contains(o.path, "{") {
			assert.Contains(t, o.responses(), "404", o.name())
		}
		if o.node["requestBody"] == nil {
			continue
		}
		assert.Contains(t, o.responses(), "413", o.name())
		assert.Contains(t, o.responses(), "415", o.name())
		if _, read := object(object(o.node["requestBody"])["content"])["application/json"]; read { // a form is not looked at
			assert.Contains(t, o.responses(), "422", o.name())
		}
	}
}

func TestEverythingIsDescribed(t *testing.T) {
	t.Parallel()
	root := load(t)
	described := 0
	var walk func(at string, v any)
	walk = func(at string, v any) {
		switch node := v.(type) {
		case []any:
			for _, item := range node {
				walk(at, item)
			}
		case map[string]any:
			for name, property := range object(node["properties"]) {
				described++
				where := at + "/" + name
				own, target := object(property)["description"], resolve(t, root, property)["description"]
				assert.True(t, own != nil || target != nil, "%s has no description", where)
			}
			for name, child := range node {
				walk(at+"/"+name, child)
			}
		}
	}
	walk("", root)
	assert.Greater(t, described, 100, "the walk found too few properties to mean anything")
	for name, schema := range object(object(root["components"])["schemas"]) {
		assert.NotEmpty(t, object(schema)["description"], name)
	}
}
