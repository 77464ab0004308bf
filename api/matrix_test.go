package api_test

import (
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// mayAsk says who may ask for what, about whose things, and whether that goes on the trail. It is written from what the service
// is for, and not from its table of rights, so that the two can contradict each other:
//
//	open       anybody, with or without a token; about whatever there is, where a secret in the address names it
//	any        whoever has the role; it names nothing, or what it names is only looked for
//	clinic     about what is their clinic's, or every clinic's
//	household  about what is their household's
//	own        about what is their caregiver's
//	no         not at all
//
// The columns withdrawn and revoked are a device whose caregiver's consent is withdrawn, and one that has been revoked.
const mayAsk = `
operation           device     withdrawn  revoked  clinician  lead    scheduler  trail

getHealth           open       open       open     open       open    open       no
getReadiness        open       open       open     open       open    open       no
getSpecYaml         open       open       open     open       open    open       no
getSpecJson         open       open       open     open       open    open       no
getDocs             open       open       open     open       open    open       no
getJwks             open       open       open     open       open    open       no
getConsentText      open       open       open     open       open    open       no
signIn              open       open       open     open       open    open       yes
setUpSecondFactor   open       open       open     open       open    open       yes
refreshTokens       open       open       open     open       open    open       no
signOut             open       open       open     open       open    open       yes
enrolDevice         open       open       open     open       open    open       yes

changePassword      no         no         no       any        any     no         yes
makeRecoveryCodes   no         no         no       any        any     no         yes

createPlan          no         no         no       any        any     no         yes
listPlans           no         no         no       any        any     no         no
getPlan             no         no         no       clinic     clinic  no         no

createHousehold     no         no         no       any        any     no         yes
listHouseholds      no         no         no       any        any     no         yes
getHousehold        no         no         no       clinic     clinic  no         yes
createInvite        no         no         no       clinic     clinic  no         yes
createLearner       no         no         no       clinic     clinic  no         yes
recordScreening     no         no         no       clinic     clinic  no         yes
createEnrolment     no         no         no       clinic     clinic  no         yes
setEnrolmentStatus  no         no         no       clinic     clinic  no         yes
getRoster           no         no         no       any        any     no         yes
listEntries         no         no         no       clinic     clinic  no         yes
addClinicEntries    no         no         no       clinic     clinic  no         yes
getSummary          household  household  no       clinic     clinic  no         yes
getNights           household  no         no       clinic     clinic  no         yes

listOwnDevices      any        any        no       no         no      no         yes
revokeDevice        own        own        no       clinic     clinic  no         yes
getConsent          any        any        no       no         no      no         yes
giveConsent         any        any        no       no         no      no         yes
withdrawConsent     own        own        no       clinic     clinic  no         yes

getCohort           no         no         no       no         any     no         yes
listAudit           no         no         no       no         any     no         yes

sync                any        any        any      no         no      no         yes
streamSync          any        no         no       no         no      no         no
getOwnHousehold     any        no         no       no         no      no         yes

listOverdue         no         no         no       no         no      any        yes
claimReminders      no         no         no       no         no      any        yes
giveGoAhead         no         no         no       no         no      clinic     yes
reportReminder      no         no         no       no         no      clinic     yes

addReminderAddress     any        no         no       no         no      no         yes
listReminderAddresses  any        any        no       no         no      no         yes
sendAddressCode        own        no         no       no         no      no         yes
verifyReminderAddress  own        no         no       no         no      no         yes
setReminderWanted      own        no         no       no         no      no         yes
removeReminderAddress  own        own        no       no         no      no         yes
createCalendarFeed     any        no         no       no         no      no         yes
listCalendarFeeds      any        any        no       no         no      no         yes
revokeCalendarFeed     own        own        no       no         no      no         yes
getCalendar            open       open       open     open       open    open       no
showUnsubscribe        open       open       open     open       open    open       no
unsubscribe            open       open       open     open       open    open       yes

setReminderTime     household  no         no       clinic     clinic  no         yes
listFollowUps       no         no         no       any        any     no         yes
recordFollowUp      no         no         no       clinic     clinic  no         yes
`

// rightsInWords reads the table above: by operation, what stands in each column.
func rightsInWords(t testing.TB) map[string]map[string]string {
	t.Helper()
	var columns []string
	rights := map[string]map[string]string{}
	for line := range strings.Lines(mayAsk) {
		fields := strings.Fields(line)
		switch {
		case len(fields) == 0:
		case columns == nil:
			columns = fields
		default:
			require.Len(t, fields, len(columns), line)
			row := map[string]string{}
			for i, field := range fields {
				row[columns[i]] = field
			}
			rights[fields[0]] = row
		}
	}
	return rights
}

// cell is a call of an operation by somebody about certain things.
type cell struct {
	operation
	by    principal
	about map[string]thing // by parameter
}

// wanted returns what must come of a cell: the status, and the problem where it is refused.
func (c cell) wanted(rights map[string]string) (status int, problem string) {
	if rights["device"] == "open" {
		for _, of := range c.about {
			if of.clinic == "" && c.id != "showUnsubscribe" { // which looks nothing up
				return http.StatusNotFound, "not-found"
			}
		}
		return c.success, ""
	}
	if c.by.kind == "" {
		return http.StatusUnauthorized, c.by.problem
	}
	may := rights[c.by.kind]
	switch {
	case may == "no" && c.by.kind == "withdrawn" && rights["device"] != "no":
		return http.StatusForbidden, "consent-withdrawn"
	case may == "no":
		return http.StatusForbidden, "forbidden"
	case may == "any":
		return c.success, ""
	}
	household := ""
	for _, name := range slices.Concat(c.pathIDs, c.queryIDs) {
		of, named := c.about[name]
		if !named {
			continue
		}
		mine := map[string]bool{
			"clinic": of.clinic == c.by.clinic || of.clinic == everybodys, "household": of.household == c.by.household, "own": of.caregiver == c.by.caregiver,
		}
		// Of two things, one must be the other's too.
		if !mine[may] || (household != "" && of.household != household) {
			return http.StatusNotFound, "not-found"
		}
		household = of.household
	}
	return c.success, ""
}

// cells returns every cell of an operation for somebody: with each thing that there is in the place of each id, and without those
// that may be left out.
func (c *crowd) cells(o operation, by principal) []cell {
	c.t.Helper()
	about := []map[string]thing{{}}
	for _, name := range slices.Concat(o.pathIDs, o.queryIDs) {
		require.NotEmpty(c.t, c.things[name], "%s: whose is a %s?", o.id, name)
		var more []map[string]thing
		for _, so := range about {
			if slices.Contains(o.queryIDs, name) {
				more = append(more, so)
			}
			for _, of := range c.things[name] {
				further := maps.Clone(so)
				further[name] = of
				more = append(more, further)
			}
		}
		about = more
	}
	cells := make([]cell, len(about))
	for i := range about {
		cells[i] = cell{o, by, about[i]}
	}
	return cells
}

// call returns a cell's request.
func (c *crowd) call(x cell) call {
	c.t.Helper()
	ids, path := map[string]string{}, x.path
	for name, of := range x.about {
		ids[name] = of.id
		path = strings.Replace(path, "{"+name+"}", of.id, 1)
	}
	query := url.Values{}
	for _, name := range x.queryIDs {
		if of, named := x.about[name]; named {
			query.Set(name, of.id)
		}
	}
	if len(query) > 0 {
		path += "?" + query.Encode()
	}
	request := call{method: x.method, path: path, as: x.by.who}
	if x.by.scheme != "" {
		request.as, request.header = who{}, map[string]string{"Authorization": x.by.scheme + " " + x.by.token()}
	}
	if x.takesBody {
		body, known := c.bodies[x.id]
		require.True(c.t, known, "what is a valid body of %s?", x.id)
		request.body = body(x.by, ids)
		if x.mediaType != "application/json" {
			request.header = maps.Clone(request.header)
			if request.header == nil {
				request.header = map[string]string{}
			}
			request.header["Content-Type"] = x.mediaType
		}
	}
	return request
}

func (x cell) String() string {
	text := x.id + " by " + x.by.name
	for _, name := range slices.Sorted(maps.Keys(x.about)) {
		text += ", " + x.about[name].whose + " " + name
	}
	return text
}

// TestTheMatrix calls every operation of the description as everybody about everything: what is whose decides, and nothing else.
// What is somebody else's is answered as what is not there, what is refused changes nothing, and what must go on the audit trail
// is there.
func TestTheMatrix(t *testing.T) {
	t.Parallel()
	m := &matrix{crowd: newCrowd(t), rights: rightsInWords(t), absent: map[string]bool{}, seen: map[string]bool{}}
	all := 0
	for _, o := range describedOperations(t) {
		require.Contains(t, m.rights, o.id, "who may ask for it?")
		var allowed []cell
		for _, by := range m.principals {
			for _, x := range m.cells(o, by) {
				all++
				if raceDetector && all%raceCells != 0 {
					continue // the calls come one after the other: there is nothing that could race
				}
				if status, problem := x.wanted(m.rights[o.id]); status != o.success {
					m.refuse(x, status, problem)
				} else {
					allowed = append(allowed, x)
				}
			}
		}
		require.Empty(t, m.vault.changed(), "refused calls of %s have changed something", o.id)
		for _, x := range allowed {
			m.allow(x)
		}
		if o.method == http.MethodGet {
			require.Subset(t, []string{"projection"}, m.vault.changed(), "%s has changed more than what is kept of folds", o.id)
			m.vault.putBack()
		}
	}
	assert.Len(t, m.absent, 1, "what is somebody else's, and what is nobody's, must be told alike: %v", slices.Collect(maps.Keys(m.absent)))
	assert.Greater(t, all, 2000)
	t.Logf("%d cells", all)
	m.checked()
}

// raceCells is of how many cells one is tried under the race detector.
const raceCells = 24

// matrix is the crowd, and what has been seen so far.
type matrix struct {
	*crowd
	rights map[string]map[string]string
	absent map[string]bool // the answers to what is not there, without the address that was called
	seen   map[string]bool // the answers that have been held to the description
}

// ask calls, and holds the answer to the description unless one just like it has been held to it before.
func (m *matrix) ask(x cell) reply {
	m.t.Helper()
	request := m.call(x)
	recorder := httptest.NewRecorder()
	if asked := m.request(request); x.path == streamPath {
		m.handler.ServeHTTP(untilAnEvent(recorder, asked))
	} else {
		m.handler.ServeHTTP(recorder, asked)
	}
	r := reply{t: m.t, status: recorder.Code, header: recorder.Header(), body: recorder.Body.Bytes()}
	key := x.id + " " + strconv.Itoa(r.status) + " " + string(r.body)
	if r.status >= http.StatusBadRequest {
		key = x.id + " " + withoutAddress(r)
	}
	if !m.seen[key] {
		m.seen[key] = true
		wire{t: m.t}.check(m.request(request), recorder.Result(), r.body)
	}
	return r
}

// withoutAddress returns all that a problem tells but the address that was called.
func withoutAddress(r reply) string {
	return string(encoded(r.t, []any{with(r.doc(), "instance", nil), r.header}))
}

// refuse makes a call that must be refused.
func (m *matrix) refuse(x cell, status int, problem string) {
	m.t.Helper()
	r := m.ask(x)
	require.Equal(m.t, status, r.status, "%s: %s", x, r.body)
	r.refused(status, problem)
	switch status {
	case http.StatusUnauthorized:
		assert.Equal(m.t, "Bearer", r.header.Get("WWW-Authenticate"), x)
	case http.StatusNotFound:
		m.absent[withoutAddress(r)] = true
	}
	m.trailed(x, status, problem)
}

// allow makes a call that must be answered, and undoes what it changes.
func (m *matrix) allow(x cell) {
	m.t.Helper()
	r := m.ask(x)
	require.Equal(m.t, x.success, r.status, "%s: %s", x, r.body)
	m.trailed(x, x.success, "done")
	if m.rights[x.id]["device"] != "open" {
		m.tellsNothingOfOthers(x, r)
	}
	if x.method != http.MethodGet {
		m.vault.putBack()
	}
}

// trailed fails the test unless a call has left on the trails what it must, and nothing else.
func (m *matrix) trailed(x cell, status int, outcome string) {
	m.t.Helper()
	open, trail := m.rights[x.id]["device"] == "open", m.rights[x.id]["trail"] == "yes"
	deeds := m.vault.deeds()
	var all []deed
	for _, of := range deeds {
		all = append(all, of...)
	}
	due := (status == x.success && trail) || (!open && (status == http.StatusForbidden || status == http.StatusNotFound))
	if !due {
		require.Empty(m.t, all, "%s: nothing is due", x)
		return
	}
	require.Len(m.t, all, 1, "%s: one row is due", x)
	d := all[0]
	assert.Equal(m.t, x.id, d.did, x)
	assert.Equal(m.t, outcome, d.outcome, x)
	if open {
		return // by what was sent, not by who called
	}
	require.Len(m.t, deeds[uuid.MustParse(x.by.clinic)], 1, "%s: it is for the caller's clinic to see", x)
	assert.Equal(m.t, x.by.id, d.who, x)
	assert.Contains(m.t, []string{d.role, "withdrawn", "revoked"}, x.by.kind)
	if status == http.StatusForbidden {
		return // before anything of the request was read
	}
	for _, name := range x.pathIDs {
		assert.Contains(m.t, d.named, uuid.MustParse(x.about[name].id), "%s: it says what was asked about", x)
	}
}

// tellsNothingOfOthers fails the test if an answer names anything that its caller has no business with.
func (m *matrix) tellsNothingOfOthers(x cell, r reply) {
	m.t.Helper()
	if x.id == "listOverdue" {
		require.Len(m.t, r.list("overdue"), 1, x)
	}
	if x.id == "listAudit" { // which says what was asked about
		return
	}
	text := string(r.body)
	for name, things := range m.things {
		for _, of := range things {
			foreign := of.clinic != x.by.clinic && of.clinic != everybodys && of.clinic != ""
			foreign = foreign || (x.by.phone != nil && of.household != "" && of.household != x.by.household)
			if foreign {
				assert.NotContains(m.t, text, of.id, "%s: it tells of %s %s", x, of.whose, name)
			}
		}
	}
}
