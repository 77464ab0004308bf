package api_test

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api"
	"swallowtail/internal/access"
)

// TestAttacksOnWhatAnswersTell compares answers, to learn from a difference what is not told.
func TestAttacksOnWhatAnswersTell(t *testing.T) {
	t.Parallel()
	s := newSiege(t)
	out := s.signIn(access.RoleClinician, nil).ok(http.StatusOK).text("refresh_token")
	s.post("/v1/auth/sign-out", map[string]any{"refresh_token": out}).ok(http.StatusNoContent)
	used := s.invite(map[string]any{})
	s.redeem(used, map[string]any{"name": "Gran"})
	name := map[string]any{"name": "Mallory"}
	post := func(path string, body any) func() reply { return func() reply { return s.post(path, body) } }
	get := func(as who, path string) func() reply { return func() reply { return as.get(path) } }
	email := s.site.email(access.RoleLead)
	for tries, pair := range map[string][2]func() reply{
		"which e-mail addresses there are, at sign-in": {
			post("/v1/auth/sign-in", map[string]any{"email": email, "password": "x"}),
			post("/v1/auth/sign-in", map[string]any{"email": "nobody@north.example", "password": "x"}),
		},
		"which e-mail addresses there are, at the second factor": {
			post("/v1/auth/second-factor", map[string]any{"email": email, "password": "x"}),
			post("/v1/auth/second-factor", map[string]any{"email": "nobody@north.example", "password": "x"}),
		},
		"which refresh tokens there were": {
			post("/v1/auth/refresh", map[string]any{"refresh_token": out}), post("/v1/auth/refresh", map[string]any{"refresh_token": "x"}),
		},
		"which sessions there were, by ending them": {
			post("/v1/auth/sign-out", map[string]any{"refresh_token": out}), post("/v1/auth/sign-out", map[string]any{"refresh_token": "x"}),
		},
		"which invite codes there were": {
			post("/v1/devices/enrol", enrolment(used, name)), post("/v1/devices/enrol", enrolment("x", name)),
		},
		"which learners there are": {get(s.papa.who, s.other.path("summary")), get(s.papa.who, "/v1/learners/"+uuid.NewString()+"/summary")},
		"which households there are": {
			get(s.clinician, "/v1/households/"+s.other.household), get(s.clinician, "/v1/households/"+uuid.NewString()),
		},
		"which caregivers of others there are": {
			func() reply { return s.papa.post("/v1/caregivers/"+s.otherPapa.caregiver+"/withdraw-consent", nil) },
			func() reply { return s.papa.post("/v1/caregivers/"+uuid.NewString()+"/withdraw-consent", nil) },
		},
		"which plans of others there are, by enrolling on them": {
			func() reply { return s.enrolOn(s.other.newPlan()) }, func() reply { return s.enrolOn(uuid.NewString()) },
		},
		"whose a caregiver is, by inviting them": {
			func() reply { return s.inviting(s.otherPapa.caregiver) }, func() reply { return s.inviting(uuid.NewString()) },
		},
		"what there is, without signing in": {get(s.nobody(""), s.family.path("summary")), get(s.nobody(""), "/v1/learners/"+uuid.NewString()+"/summary")},
		"which cursors of other households there are": {
			func() reply { return s.syncFrom(s.nana.cursor) }, func() reply { return s.syncFrom("made-up") },
		},
	} {
		t.Run("somebody learns "+tries, func(t *testing.T) {
			one, other := pair[0](), pair[1]()
			require.Less(t, one.status, http.StatusInternalServerError)
			if one.status != http.StatusNoContent {
				require.GreaterOrEqual(t, one.status, http.StatusBadRequest)
				assert.Equal(t, withoutAddress(other), withoutAddress(one))
			}
			assert.Equal(t, other.status, one.status)
			assert.Equal(t, other.header, one.header)
		})
	}
	s.checked()
}

// newPlan adds a plan to a clinic.
func (s *site) newPlan() string {
	s.t.Helper()
	return s.clinician.post("/v1/plans", map[string]any{"name": "Theirs"}).ok(http.StatusCreated).text("id")
}

func (s *siege) enrolOn(plan string) reply {
	return s.clinician.post(s.family.path("enrolments"), map[string]any{
		"plan_id": plan, "first_night": "2027-04-01", "timezone": halifax, "reminder_time": "19:30",
	})
}

func (s *siege) inviting(caregiver string) reply {
	return s.clinician.post("/v1/households/"+s.household+"/invites", map[string]any{"caregiver_id": caregiver})
}

func (s *siege) syncFrom(cursor any) reply {
	return s.papa.post("/v1/sync", with(s.papa.envelope(), "cursor", cursor))
}

// TestAttacksOnWhatRolesSee looks in every answer to somebody for what is not theirs to see.
func TestAttacksOnWhatRolesSee(t *testing.T) {
	t.Parallel()
	s := newSiege(t)
	s.clock.set(inHalifax(t, "2027-03-02 20:00"))
	s.papa.cursor = nil
	everything := func(as who, paths ...string) string {
		var told strings.Builder
		for _, path := range paths {
			told.Write(as.get(path).ok(http.StatusOK).body)
		}
		return told.String()
	}
	family := everything(s.papa.who, s.family.path("summary"), s.family.path("nights"), "/v1/household", "/v1/devices", "/v1/consent") +
		string(s.papa.sync().body)
	require.Contains(t, family, s.mamas[0].id(), "the other caregiver's evening is there")
	assert.Contains(t, everything(s.clinician, s.family.path("entries")), private, "the clinic may read the note")
	for tries, told := range map[string]struct{ told, never string }{
		"a caregiver reads the other's private note":      {family, private},
		"a family reads how ready the learner is":         {family, "readiness"},
		"a family reads a verdict":                        {family, "ready_for_review"},
		"a family reads a p-value":                        {family, "probability_best"},
		"a family reads the label that the clinic gave":   {everything(s.papa.who, s.family.path("summary")), "Otter's"},
		"a family reads what is beside it in its clinic":  {family, s.sibling.household},
		"a phone reads another caregiver's devices":       {everything(s.papa.who, "/v1/devices"), s.mama.device},
		"a scheduler reads a nickname":                    {everything(s.scheduler, "/v1/reminders/overdue"), "Otter"},
		"a scheduler reads how a night went":              {everything(s.scheduler, "/v1/reminders/overdue"), "swallowed"},
		"a scheduler reads an entry":                      {everything(s.scheduler, "/v1/reminders/overdue"), s.mamas[0].id()},
		"a clinician reads another clinic's roster":       {everything(s.clinician, "/v1/roster", "/v1/households", "/v1/plans"), s.other.learner},
		"a lead reads a nickname on the trail":            {everything(s.lead, "/v1/audit"), "Otter"},
		"a lead reads a note on the trail":                {everything(s.lead, "/v1/audit"), private},
		"a lead reads another clinic's trail":             {everything(s.lead, "/v1/audit?limit=500"), s.other.household},
		"a lead picks a single learner out of the cohort": {everything(s.lead, "/v1/cohort"), s.learner},
	} {
		t.Run(tries, func(t *testing.T) {
			require.NotEmpty(t, told.told)
			assert.NotContains(t, told.told, told.never)
		})
	}
	due := s.scheduler.get("/v1/reminders/overdue").ok(http.StatusOK).list("overdue")
	require.NotEmpty(t, due)
	for _, one := range due {
		assert.Subset(t, []string{"id", "kind", "learner_id", "household_id", "night", "due_at", "lapses_at", "claimed_until", "run", "last_heard_at"}, keys(one))
	}
}

// onWhatIsPassedOn uses a cursor or a tag of somebody else's answer, to read on where they may.
func onWhatIsPassedOn(s *siege) []attack {
	s.t.Helper()
	page := func(as who, path string) string { return as.get(path + "?limit=1").ok(http.StatusOK).text("cursor") }
	s.other.newFamily("Mole")
	s.other.newPlan()
	entries, households := page(s.clinician, s.family.path("entries")), page(s.clinician, "/v1/households")
	trail, theirs := page(s.lead, "/v1/audit"), page(s.other.clinician, "/v1/households")
	altered := func(cursor string) string {
		letter := "A"
		if at := len(cursor) * 3 / 4; cursor[at] == 'A' {
			letter = "B"
		}
		return cursor[:len(cursor)*3/4] + letter + cursor[len(cursor)*3/4+1:]
	}
	unfit := func(tries string, as who, path string) attack {
		return get(tries, as, path, http.StatusBadRequest, "cursor-invalid")
	}
	diverged := func(tries string, cursor any) attack {
		return post(tries, s.papa.who, "/v1/sync", with(s.papa.envelope(), "cursor", cursor), http.StatusConflict, "history-diverged")
	}
	own := s.papa.cursor.(string)
	tag := s.clinician.get(s.family.path("summary")).ok(http.StatusOK).header.Get("ETag")
	require.NotEmpty(s.t, tag)
	tagged := func(tries string, as who, path string) attack {
		return attack{tries: tries, call: call{method: http.MethodGet, path: path, as: as, header: map[string]string{"If-None-Match": tag}}}
	}
	phones := tagged("a phone asks with the tag of the clinic's answer whether it is still so", s.papa.who, s.family.path("summary"))
	phones.status, phones.harmless = http.StatusOK, func(s *siege, r reply) { assert.NotEqual(s.t, tag, r.header.Get("ETag")) }
	strangers := tagged("another clinic asks with a tag whether it is still so", s.other.clinician, s.family.path("summary"))
	strangers.status, strangers.problem = http.StatusNotFound, "not-found"
	anything := tagged("another clinic asks whether there is anything", s.other.clinician, s.family.path("summary"))
	anything.status, anything.problem, anything.header = http.StatusNotFound, "not-found", map[string]string{"If-None-Match": "*"}
	unsigned := tagged("nobody asks with a tag whether it is still so", s.nobody(""), s.family.path("summary"))
	unsigned.status, unsigned.problem = http.StatusUnauthorized, "token-required"
	return []attack{
		unfit("a cursor of one learner's entries pages through another's", s.clinician, s.sibling.path("entries")+"?cursor="+entries),
		unfit("a cursor of one list pages through another", s.clinician, "/v1/plans?cursor="+households),
		unfit("a cursor of the entries pages through the trail", s.lead, "/v1/audit?cursor="+entries),
		unfit("a cursor of the whole trail pages through one learner's", s.lead, "/v1/audit?learner="+s.learner+"&cursor="+trail),
		unfit("a cursor is altered", s.clinician, "/v1/households?cursor="+altered(households)),
		unfit("a cursor is cut", s.clinician, "/v1/households?cursor="+households[:10]),
		{
			tries: "a cursor of another clinic's list pages through it", status: http.StatusOK,
			call:     call{method: http.MethodGet, path: "/v1/households?cursor=" + theirs, as: s.clinician},
			harmless: func(s *siege, r reply) { assert.NotContains(s.t, string(r.body), s.other.household) },
		},
		diverged("a phone reads on from another household's cursor", s.nana.cursor),
		diverged("a phone reads on from another clinic's cursor", s.otherPapa.sync().text("cursor")),
		diverged("a phone's cursor is altered", altered(own)),
		diverged("a phone's cursor goes on", own+"A"),
		phones, strangers, anything, unsigned,
	}
}

// throughBrowsers are those of a page that somebody who is signed in has open.
func throughBrowsers(s *siege) []attack {
	s.t.Helper()
	const evil = "https://evil.example.test"
	from := func(tries, origin string, c call, status int, problem string) attack {
		c.header = map[string]string{"Origin": origin, "Sec-Fetch-Site": "cross-site", "Cookie": "session=" + s.clinician.token()}
		return attack{tries: tries, call: c, status: status, problem: problem}
	}
	form := func(tries, kind string) attack {
		a := from(tries, evil, call{method: http.MethodPost, path: "/v1/households", as: s.clinician, body: `{"label":"x"}`},
			http.StatusUnsupportedMediaType, "unsupported-media-type")
		a.header["Content-Type"] = kind
		return a
	}
	return []attack{
		form("a page sends JSON as plain text, which needs no leave", "text/plain"),
		form("a page sends a form", "application/x-www-form-urlencoded"),
		form("a page sends a form of many parts", "multipart/form-data; boundary=x"),
		from("a page uses a cookie of somebody who is signed in", evil, call{method: http.MethodGet, path: "/v1/roster"}, http.StatusUnauthorized, "token-required"),
		from("a page signs out somebody by a form", evil, call{method: http.MethodGet, path: "/v1/auth/sign-out", elsewhere: true}, http.StatusMethodNotAllowed, "method-not-allowed"),
	}
}

// TestAttacksFromPagesOfOthers asks as pages of other origins do, of a server without and of one with an origin of its own.
func TestAttacksFromPagesOfOthers(t *testing.T) {
	t.Parallel()
	const evil = "https://evil.example.test"
	f, _, papa := newTwoPhones(t)
	framed := f.nobody("").get("/docs").ok(http.StatusOK).header
	assert.Equal(t, "DENY", framed.Get("X-Frame-Options"), "a page shows ours in a frame and lets people click on it")
	assert.Contains(t, framed.Get("Content-Security-Policy"), "frame-ancestors 'none'")
	for _, config := range []api.Config{{}, {Origins: []string{home}}} {
		f.edged(config)
		for tries, origin := range map[string]string{
			"a page of another origin asks for leave":        evil,
			"a page without an origin asks for leave":        "null",
			"a page of everybody's origin asks for leave":    "*",
			"a page of an origin that ends in ours asks":     "https://evil" + strings.TrimPrefix(home, "https://"),
			"a page of an origin that begins with ours asks": home + ".evil.example.test",
			"a page of ours in the clear asks for leave":     strings.Replace(home, "https", "http", 1),
			"two origins ask for leave at once":              home + ", " + evil,
		} {
			t.Run(tries, func(t *testing.T) {
				asked := f.preflight(origin, http.MethodPost, "/v1/sync").Header()
				assert.Empty(t, asked.Values("Access-Control-Allow-Origin"))
				assert.Empty(t, asked.Values("Access-Control-Allow-Credentials"))
				r := f.on(t).do(call{method: http.MethodGet, path: "/v1/household", as: papa.who, header: map[string]string{"Origin": origin}})
				assert.Empty(t, r.header.Values("Access-Control-Allow-Origin"))
				assert.Equal(t, "no-store", r.header.Get("Cache-Control"), "nor does a cache keep it for the next")
			})
		}
	}
	recorder := httptest.NewRecorder()
	f.handler.ServeHTTP(recorder, httptest.NewRequest(http.MethodOptions, "/v1/roster", nil))
	assert.Empty(t, recorder.Header().Values("Access-Control-Allow-Origin"))
}

// onTheTrail try to write on it, to be left out of it and to put somebody else on it.
func onTheTrail(s *siege) []attack {
	s.t.Helper()
	var attacks []attack
	for _, method := range []string{http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete} {
		attacks = append(attacks, attack{
			tries: "a lead changes the trail by " + method, status: http.StatusMethodNotAllowed, problem: "method-not-allowed",
			call: call{method: method, path: "/v1/audit", as: s.lead, body: `{"rows":[]}`, elsewhere: true},
		})
	}
	for _, header := range []string{"X-Forwarded-For", "X-Real-IP", "Forwarded", "True-Client-IP", "CF-Connecting-IP"} {
		attacks = append(attacks, attack{
			tries: "somebody says in " + header + " that they are elsewhere", status: http.StatusOK,
			call: call{method: http.MethodGet, path: "/v1/roster", as: s.clinician, header: map[string]string{header: "203.0.113.99"}},
			harmless: func(s *siege, _ reply) {
				assert.NotContains(s.t, string(s.lead.get("/v1/audit?limit=10").ok(http.StatusOK).body), "203.0.113.99")
			},
		})
	}
	return append(attacks,
		get("a refused attempt is not left out since it names nothing that is there", s.clinician, "/v1/households/"+uuid.NewString(), http.StatusNotFound, "not-found"),
		get("a refused attempt is not left out since it is called off early", s.papa.who, "/v1/audit", http.StatusForbidden, "forbidden"),
		attack{
			tries: "an entry says that it is of the trail", status: http.StatusOK,
			call: call{method: http.MethodPost, path: "/v1/sync", as: s.papa.who, body: s.papa.envelope(s.papa.entry("audit", map[string]any{
				"did": "getSummary", "who": s.members[access.RoleLead].ID.String(), "outcome": "done",
			}))},
			harmless: func(s *siege, r reply) {
				statuses("parked")(s, r)
				rows := s.lead.get("/v1/audit?limit=1").ok(http.StatusOK).list("rows")
				assert.Equal(s.t, "sync", at(s.t, rows[0], "did"))
				assert.Equal(s.t, s.papa.device, at(s.t, rows[0], "who"))
			},
		},
	)
}
