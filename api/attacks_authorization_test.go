package api_test

import (
	"net/http"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

// onObjects reaches for what is somebody else's by naming it, in paths, queries and bodies (OWASP API1:2023).
func onObjects(s *siege) []attack {
	s.t.Helper()
	enrolment := s.sibling.summary().text("enrolment", "id")
	theirPlan := s.other.clinician.post("/v1/plans", map[string]any{"name": "Theirs"}).ok(http.StatusCreated).text("id")
	mamas := s.mama.addressed("mama@example.org")
	feed, _ := s.mama.fed()
	notThere := func(tries string, as who, path string) attack {
		return get(tries, as, path, http.StatusNotFound, "not-found")
	}
	refused := func(tries string, as who, path string, body any) attack {
		return post(tries, as, path, body, http.StatusNotFound, "not-found")
	}
	return []attack{
		notThere("a phone asks for the summary of another household's learner", s.papa.who, s.sibling.path("summary")),
		notThere("a phone asks for the nights of another clinic's learner", s.papa.who, s.other.path("nights")),
		notThere("a phone asks for its learner by another household's enrolment", s.papa.who, s.family.path("summary")+"?enrolment="+enrolment),
		notThere("a clinician asks for another clinic's household", s.clinician, "/v1/households/"+s.other.household),
		notThere("a lead asks for the entries of another clinic's learner", s.lead, s.other.path("entries")),
		notThere("a clinician asks for another clinic's plan", s.clinician, "/v1/plans/"+theirPlan),
		notThere("a clinician mixes a learner with another learner's enrolment", s.clinician, s.family.path("nights")+"?enrolment="+enrolment),
		refused("a phone revokes the phone of another caregiver of its household", s.papa.who, "/v1/devices/"+s.mama.device+"/revoke", nil),
		refused("a phone removes an address of another caregiver of its household", s.papa.who, "/v1/reminder-addresses/"+mamas+"/remove", nil),
		refused("a phone verifies an address of another caregiver", s.papa.who, "/v1/reminder-addresses/"+mamas+"/verify", map[string]any{"code": "7ZK3-9QXM"}),
		refused("a phone says when another caregiver is reminded", s.papa.who, "/v1/reminder-addresses/"+mamas+"/wanted", map[string]any{}),
		refused("a phone revokes another caregiver's calendar", s.papa.who, "/v1/calendar-feeds/"+feed+"/revoke", nil),
		refused("a phone moves another household's reminders", s.papa.who, "/v1/enrolments/"+enrolment+"/reminder-time", map[string]any{"reminder_time": "18:45"}),
		refused("a phone withdraws another caregiver's consent", s.papa.who, "/v1/caregivers/"+s.mama.caregiver+"/withdraw-consent", nil),
		refused("a clinician withdraws the consent of another clinic's caregiver", s.clinician, "/v1/caregivers/"+s.otherPapa.caregiver+"/withdraw-consent", nil),
		refused("a clinician makes an invite into another clinic's household", s.clinician, "/v1/households/"+s.other.household+"/invites", map[string]any{}),
		refused("a clinician writes about another clinic's learner", s.clinician, s.other.path("entries"), map[string]any{
			"entries": []any{s.other.entry("choose", map[string]any{"position": "left"})},
		}),
		post("a clinician invites a caregiver of one household into another", s.clinician, "/v1/households/"+s.household+"/invites",
			map[string]any{"caregiver_id": s.nana.caregiver}, http.StatusUnprocessableEntity, "invalid-input"),
		post("a clinician invites another clinic's caregiver", s.clinician, "/v1/households/"+s.household+"/invites",
			map[string]any{"caregiver_id": s.otherPapa.caregiver}, http.StatusUnprocessableEntity, "invalid-input"),
		post("a clinician enrols a learner on another clinic's plan", s.clinician, s.family.path("enrolments"), map[string]any{
			"plan_id": theirPlan, "first_night": "2027-04-01", "timezone": halifax, "reminder_time": "19:30",
		}, http.StatusUnprocessableEntity, "invalid-input"),
	}
}

// byEntries hands in entries that say what their writer has no right to say. Nothing that is sent is lost, so they are
// answered: what they are kept as is of no use.
func byEntries(s *siege) []attack {
	s.t.Helper()
	before := string(encoded(s.t, s.sibling.clinician.get(s.sibling.path("nights")).ok(http.StatusOK).doc()["nights"]))
	push := func(tries string, harmless func(*siege, reply), entries ...entry) attack {
		return attack{tries: tries, call: call{
			method: http.MethodPost, path: "/v1/sync", as: s.papa.who, body: s.papa.envelope(entries...),
		}, status: http.StatusOK, harmless: harmless}
	}
	write := func(tries string, entries ...entry) attack {
		return attack{tries: tries, call: call{
			method: http.MethodPost, path: s.family.path("entries"), as: s.clinician, body: map[string]any{"entries": entries},
		}, status: http.StatusOK, harmless: statuses("quarantined")}
	}
	foreign := with(s.papa.session(start), "learner_id", s.sibling.learner)
	retract := s.edited(s.mamas[0], map[string]any{"reason": ""})
	retract["kind"] = "retract"
	overwritten := s.edited(s.mamas[1], with(s.mamas[1].body(), "outcome", "not_swallowed"))
	copied := s.entry("session", with(s.papa.session(start).body(), "witness", s.nana.caregiver))
	mamasStands := func(s *siege, r reply) {
		statuses("accepted")(s, r)
		assert.Equal(s.t, "counts", s.listed()[s.mamas[1].id()]["effect"])
	}
	return []attack{
		push("a phone hands in practice of another household's learner", func(s *siege, r reply) {
			statuses("quarantined")(s, r)
			assert.Equal(s.t, before, string(encoded(s.t, s.clinician.get(s.sibling.path("nights")).ok(http.StatusOK).doc()["nights"])))
		}, foreign),
		push("a phone takes back what the other caregiver recorded", mamasStands, retract),
		push("a phone replaces what the other caregiver recorded", mamasStands, overwritten),
		push("a phone clears an incident", statuses("quarantined"), s.papa.entry("clear", map[string]any{"incidents": []any{uuid.NewString()}, "note": "fine"})),
		push("a phone chooses the position to be judged", statuses("quarantined"), s.papa.entry("choose", map[string]any{"position": "left"})),
		push("a phone switches positions off", statuses("quarantined"), s.papa.entry("positions", map[string]any{"off": []any{"up"}, "from": march(2)})),
		push("a phone reviews what was set aside", statuses("quarantined"), s.papa.entry("review", map[string]any{"entry": s.mamas[0].id(), "take": false})),
		push("a phone speaks for the other caregiver as a witness", statuses("quarantined"),
			s.papa.entry("session", with(s.papa.session(start).body(), "witness", s.mama.caregiver))),
		write("a clinician files an entry of one learner under another", with(s.entry("choose", map[string]any{"position": "left"}), "learner_id", s.sibling.learner)),
		write("a clinician copies a sheet in the name of another household's caregiver", copied),
	}
}

// onFunctions calls what a role has no right to (OWASP API5:2023).
func onFunctions(s *siege) []attack {
	s.t.Helper()
	household := "/v1/households/" + s.household
	forbidden := func(tries string, as who, path string) attack {
		return get(tries, as, path, http.StatusForbidden, "forbidden")
	}
	may := func(tries string, as who, path string, body any) attack {
		return post(tries, as, path, body, http.StatusForbidden, "forbidden")
	}
	overridden := func(tries, header, value string) attack {
		a := forbidden(tries, s.clinician, "/v1/cohort")
		a.header = map[string]string{header: value}
		return a
	}
	return []attack{
		forbidden("a phone reads its household as the clinic does", s.papa.who, household),
		forbidden("a phone reads the roster", s.papa.who, "/v1/roster"),
		forbidden("a phone reads the audit trail", s.papa.who, "/v1/audit"),
		forbidden("a phone reads the reminders that are due", s.papa.who, "/v1/reminders/overdue"),
		may("a phone invites somebody into its household", s.papa.who, household+"/invites", map[string]any{}),
		may("a phone screens its own learner", s.papa.who, s.family.path("screening"), map[string]any{"answers": answers(), "decision": "go"}),
		may("a phone ends its enrolment", s.papa.who, "/v1/enrolments/"+s.enrolment+"/status", map[string]any{"status": "ended"}),
		forbidden("a clinician reads the cohort, which is the lead's", s.clinician, "/v1/cohort"),
		forbidden("a clinician reads the audit trail, which is the lead's", s.clinician, "/v1/audit"),
		forbidden("a clinician reads what the scheduler does", s.clinician, "/v1/reminders/overdue"),
		may("a clinician claims what the scheduler sends", s.clinician, "/v1/reminders/claims", map[string]any{}),
		forbidden("a clinician reads a caregiver's addresses", s.clinician, "/v1/reminder-addresses"),
		forbidden("the scheduler reads a caregiver's addresses", s.scheduler, "/v1/reminder-addresses"),
		forbidden("a phone reads whom the clinic is to call", s.papa.who, "/v1/follow-ups"),
		may("a phone claims its own reminder", s.papa.who, "/v1/reminders/claims", map[string]any{}),
		may("a clinician hands in entries as a phone", s.clinician, "/v1/sync", s.papa.envelope()),
		may("a clinician gives consent for a caregiver", s.clinician, "/v1/consent", map[string]any{"version": "1"}),
		forbidden("the scheduler reads the roster", s.scheduler, "/v1/roster"),
		forbidden("the scheduler reads a learner's summary", s.scheduler, s.family.path("summary")),
		forbidden("the scheduler reads the entries", s.scheduler, s.family.path("entries")),
		may("the scheduler changes a password", s.scheduler, "/v1/auth/password", map[string]any{"password": password, "new_password": "eight quick otters"}),
		overridden("a clinician names the role wanted in a header", "X-Role", "lead"),
		overridden("a clinician names the lead in a header", "X-Forwarded-User", s.site.email(access.RoleLead)),
		overridden("a clinician rewrites the address in a header", "X-Original-URL", "/v1/roster"),
		{
			tries: "a phone gives an instant to look from, which is the clinic's to give", status: http.StatusForbidden, problem: "forbidden",
			call: call{method: http.MethodGet, path: s.family.path("summary") + "?as_of=2027-03-01T00:00:00Z", as: s.papa.who},
		},
	}
}

// onMembers smuggles members into bodies that the server sets itself (OWASP API3:2023).
func onMembers(s *siege) []attack {
	s.t.Helper()
	household := "/v1/households/" + s.household
	smuggle := func(tries string, as who, path string, body any) attack {
		return post(tries, as, path, body, http.StatusUnprocessableEntity, "invalid-input")
	}
	enrolment := map[string]any{"first_night": "2027-04-01", "timezone": halifax, "reminder_time": "19:30"}
	return []attack{
		smuggle("a household is made in another clinic", s.clinician, "/v1/households", map[string]any{"label": "x", "clinic_id": s.other.id.String()}),
		smuggle("a household is made under a chosen id", s.clinician, "/v1/households", map[string]any{"label": "x", "id": s.other.household}),
		smuggle("a learner is made in another household", s.clinician, household+"/learners", map[string]any{"nickname": "x", "household_id": s.other.household}),
		smuggle("an invite lasts for ever", s.clinician, household+"/invites", map[string]any{"expires_at": "2099-01-01T00:00:00Z"}),
		smuggle("an invite makes a clinician", s.clinician, household+"/invites", map[string]any{"role": "lead"}),
		smuggle("a plan is everybody's", s.clinician, "/v1/plans", map[string]any{"name": "x", "builtin": true}),
		smuggle("a plan takes the place of a version", s.clinician, "/v1/plans", map[string]any{"name": "x", "version": 99}),
		smuggle("a screening is another clinician's", s.clinician, s.family.path("screening"), map[string]any{
			"answers": answers(), "decision": "go", "clinician_id": s.members[access.RoleLead].ID.String(),
		}),
		smuggle("an enrolment ends as it begins", s.clinician, s.family.path("enrolments"), with(enrolment, "status", "ended")),
		smuggle("an enrolment ends in the past", s.clinician, "/v1/enrolments/"+s.enrolment+"/status", map[string]any{"status": "ended", "ended_on": "2020-01-01"}),
		smuggle("consent is given for another", s.papa.who, "/v1/consent", map[string]any{"version": "1", "caregiver_id": s.mama.caregiver}),
		smuggle("somebody signs in as a lead", s.nobody(""), "/v1/auth/sign-in", with(s.of(access.RoleClinician), "role", "lead")),
		smuggle("somebody signs in to another clinic", s.nobody(""), "/v1/auth/sign-in", with(s.of(access.RoleClinician), "clinic", s.other.id.String())),
		smuggle("a password is changed for another", s.clinician, "/v1/auth/password", map[string]any{
			"password": password, "new_password": "eight quick otters", "email": s.site.email(access.RoleLead),
		}),
		smuggle("an address is another caregiver's", s.papa.who, "/v1/reminder-addresses", map[string]any{
			"channel": "email", "to": "mallory@example.org", "caregiver_id": s.mama.caregiver,
		}),
		smuggle("an address is verified as it is added", s.papa.who, "/v1/reminder-addresses", map[string]any{
			"channel": "email", "to": "mallory@example.org", "verified_at": "2027-03-01T00:00:00Z",
		}),
		smuggle("a scheduler claims for another clinic", s.scheduler, "/v1/reminders/claims", map[string]any{"clinic_id": s.other.id.String()}),
		smuggle("a phone syncs as another household", s.papa.who, "/v1/sync", with(s.papa.envelope(), "household_id", s.sibling.household)),
		smuggle("a phone syncs as another phone", s.papa.who, "/v1/sync", with(s.papa.envelope(), "device_id", s.mama.device)),
		smuggle("members hide behind other letters", s.clinician, "/v1/households", map[string]any{"label": "x", "Label": "y"}),
		smuggle("members hide behind the prototype of an object", s.clinician, "/v1/households", map[string]any{"label": "x", "__proto__": map[string]any{"role": "lead"}}),
	}
}

// onMembersOfEntries smuggles what the server sets into an entry: it is kept as sent, and not believed.
func onMembersOfEntries(s *siege) []attack {
	s.t.Helper()
	var attacks []attack
	for name, value := range map[string]any{
		"author":       map[string]any{"role": "clinician", "id": s.members[access.RoleLead].ID.String()},
		"role":         "clinician",
		"device":       s.mama.device,
		"rev":          1,
		"status":       "accepted",
		"received_at":  "2020-01-01T00:00:00Z",
		"clock_offset": 3600,
		"household_id": s.sibling.household,
		"stamp":        "made-up",
	} {
		e := with(s.papa.session(start), name, value)
		attacks = append(attacks, attack{
			tries: "an entry says its own " + name, status: http.StatusOK,
			call: call{method: http.MethodPost, path: "/v1/sync", as: s.papa.who, body: s.papa.envelope(e)},
			harmless: func(s *siege, r reply) {
				last := r.list("changes")[len(r.list("changes"))-1]
				require.Equal(s.t, entry(e).id(), at(s.t, last, "id"))
				assert.Equal(s.t, s.papa.caregiver, at(s.t, last, "author", "id"))
				assert.Equal(s.t, "caregiver", at(s.t, last, "author", "role"))
				assert.Equal(s.t, s.papa.device, at(s.t, last, "device"))
				assert.InDelta(s.t, at(s.t, r.doc(), "head"), at(s.t, last, "rev"), 0)
				assert.Equal(s.t, start.Format(time.RFC3339), at(s.t, last, "stamp", "received_at"))
			},
		})
	}
	return attacks
}
