package api_test

import (
	"cmp"
	"encoding/json"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/pquerna/otp/totp"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/openapi"
)

// operation is an operation as the description has it.
type operation struct {
	id, method, path  string
	success           int // the status
	takesBody         bool
	mediaType         string   // of the body
	pathIDs, queryIDs []string // the names of parameters that are ids
}

// describedOperations reads every operation out of the description that is served.
func describedOperations(t testing.TB) []operation {
	t.Helper()
	type parameter struct {
		Ref    string `json:"$ref"`
		Name   string
		In     string
		Schema struct{ Format string }
	}
	var doc struct {
		Paths map[string]map[string]struct {
			OperationID string
			Parameters  []parameter
			RequestBody struct{ Content map[string]any }
			Responses   map[string]any
		}
		Components struct{ Parameters map[string]parameter }
	}
	converted, err := openapi.JSON()
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(converted, &doc))
	var all []operation
	for path, item := range doc.Paths {
		for method, described := range item {
			o := operation{id: described.OperationID, method: strings.ToUpper(method), path: path, takesBody: described.RequestBody.Content != nil}
			if o.takesBody {
				o.mediaType = slices.Min(slices.Collect(maps.Keys(described.RequestBody.Content)))
			}
			for _, p := range described.Parameters {
				if p.Ref != "" {
					p = doc.Components.Parameters[p.Ref[strings.LastIndex(p.Ref, "/")+1:]]
				}
				switch {
				case p.In == "path":
					o.pathIDs = append(o.pathIDs, p.Name)
				case p.In == "query" && p.Schema.Format == "uuid":
					o.queryIDs = append(o.queryIDs, p.Name)
				}
			}
			for _, status := range []int{http.StatusOK, http.StatusCreated, http.StatusNoContent} {
				if _, has := described.Responses[strconv.Itoa(status)]; has {
					o.success = status
				}
			}
			require.NotZero(t, o.success, o.id)
			all = append(all, o)
		}
	}
	require.NotEmpty(t, all)
	slices.SortFunc(all, func(a, b operation) int { return strings.Compare(a.id, b.id) })
	return all
}

// thing is something that has an id, and whose it is. What is a whole clinic's is no caregiver's and no household's.
type thing struct{ whose, id, clinic, household, caregiver string }

// principal is somebody who calls.
type principal struct {
	name string
	who
	kind    string // the column of the table that says what they may; empty: nobody, for this problem
	problem string
	scheme  string // Bearer unless said
	phone   *phone // of a device
	// Who they are on a trail, and what is theirs.
	id                           uuid.UUID
	clinic, household, caregiver string
}

// crowd is two clinics with all who could call, and their things.
type crowd struct {
	*house
	vault      *vault
	principals []principal
	things     map[string][]thing // by the name of the parameter that names one
	bodies     map[string]func(by principal, ids map[string]string) any
	claims     map[string]string // by reminder
	codes      map[string]string // by address
}

// everybodys is what belongs to every clinic.
const everybodys = "every clinic's"

func newCrowd(t testing.TB) *crowd {
	t.Helper()
	h := newHouse(t)
	h.clock.set(inHalifax(t, "2027-03-01 19:45")) // when those who have not practised are reminded
	c := &crowd{house: h, things: map[string][]thing{}, claims: map[string]string{}, codes: map[string]string{}}
	north, south := h.newSite("north"), h.newSite("south")
	otter, stoat, badger := north.newFamily("Otter"), north.newFamily("Stoat"), south.newFamily("Badger")
	mama, papa := otter.newPhone("Mama"), otter.newPhone("Papa")
	nana, other := stoat.newPhone("Nana"), badger.newPhone("Papa")
	opa, gran := otter.newPhone("Opa"), otter.newPhone("Gran")
	for name, p := range map[string]*phone{"own": papa, "the other caregiver's": mama, "the other household's": nana, "the other clinic's": other} {
		if p.family == otter {
			p.accepted(p.evening(h.clock.now())...)
		}
		c.own("caregiver", thing{name, p.caregiver, p.family.id.String(), p.family.household, p.caregiver})
		c.own("device", thing{name, p.further().device, p.family.id.String(), p.family.household, p.caregiver})
		c.wanting(name, p)
	}
	for name, s := range map[string]*site{"own": north, "the other clinic's": south} {
		few := map[string]any{"name": "Three evenings", "parameters": map[string]any{"nights": 3}} // so that little is folded each time
		c.own("plan", thing{name, s.clinician.post("/v1/plans", few).ok(http.StatusCreated).text("id"), s.id.String(), "", ""})
	}
	for name, f := range map[string]*family{"own": otter, "the other household's": stoat, "the other clinic's": badger} {
		at := f.id.String()
		c.own("household", thing{name, f.household, at, f.household, ""})
		c.own("learner", thing{name, f.learner, at, f.household, ""})
		plans := c.things["plan"]
		plan := plans[slices.IndexFunc(plans, func(p thing) bool { return p.clinic == at })].id
		c.own("enrolment", thing{name, f.enrolAs(map[string]any{"first_night": "2027-03-01", "plan_id": plan}), at, f.household, ""})
	}
	c.own("plan", thing{"everybody's", clinic.BuiltinPlan.String(), everybodys, "", ""})
	c.reminded("own", stoat, nana)
	c.reminded("the other clinic's", badger, other)
	for name := range c.things {
		c.own(name, thing{whose: "nobody's", id: uuid.NewString()})
	}
	opa.withdraw()
	gran.revoke()
	codes := c.guard(north, south)
	for name, p := range map[string]*phone{
		"a device": papa, "the other caregiver's device": mama, "the other household's device": nana, "the other clinic's device": other,
	} {
		c.join(principal{name: name, who: p.who, kind: "device", phone: p})
	}
	c.join(principal{name: "a device without consent", who: opa.who, kind: "withdrawn", phone: opa})
	c.join(principal{name: "a revoked device", who: gran.who, kind: "revoked", phone: gran})
	for name, s := range map[string]*site{"": north, "the other clinic's ": south} {
		c.join(principal{name: name + "clinician", who: s.clinician, kind: "clinician"})
		c.join(principal{name: name + "lead", who: s.lead, kind: "lead"})
		c.join(principal{name: name + "scheduler", who: s.scheduler, kind: "scheduler"})
	}
	c.strangers(north, otter)
	c.addBodies(north, south, otter, papa, codes)
	c.vault = h.newVault()
	return c
}

func (c *crowd) own(parameter string, of thing) {
	c.things[parameter] = append(c.things[parameter], of)
}

func (c *crowd) join(p principal) {
	if p.kind != "" {
		held, err := c.keys.Verify(p.token(), c.clock.now())
		require.NoError(c.t, err)
		p.clinic, p.id = held.ClinicID.String(), held.DeviceID
		switch {
		case p.phone != nil:
			p.household, p.caregiver = p.phone.family.household, p.phone.caregiver
		case held.Role.Staff():
			p.id = held.ClinicianID
		default:
			p.id = uuid.MustParse(held.TokenID)
		}
	}
	c.principals = append(c.principals, p)
}

// wanting has a caregiver want to be reminded, at an address that is not verified yet, and by a calendar.
func (c *crowd) wanting(name string, p *phone) {
	c.t.Helper()
	own := func(parameter, id string) {
		c.own(parameter, thing{name, id, p.family.id.String(), p.family.household, p.caregiver})
	}
	address := p.addressed(p.caregiver + "@example.org")
	c.codes[address] = p.family.codes()[address]
	own("address", address)
	feed, calendar := p.fed()
	own("feed", feed)
	own("secret", calendar[len("/v1/calendars/"):])
}

// reminded claims a family's reminder, and gives up on that of another in its clinic, who is to be called.
func (c *crowd) reminded(name string, f *family, p *phone) {
	c.t.Helper()
	p.verified("read@example.org")
	lost := f.newFamily("Vole")
	lost.enrolAs(map[string]any{"first_night": "2027-03-01"})
	for _, r := range f.claimed("tonight") {
		if at(c.t, r, "learner_id") != f.learner {
			f.failed(r)
			continue
		}
		id := at(c.t, r, "id").(string)
		c.claims[id] = at(c.t, r, "claim").(string)
		c.own("reminder", thing{name, id, f.id.String(), f.household, ""})
		out := pathOf(c.t, at(c.t, r, "destinations", 0, "unsubscribe_url"))
		c.own("token", thing{name, out[len("/v1/unsubscribe/"):], f.id.String(), f.household, p.caregiver})
	}
	listed := f.clinician.get("/v1/follow-ups").ok(http.StatusOK).text("follow_ups", 0, "id")
	c.own("follow_up", thing{name, listed, f.id.String(), lost.household, ""})
}

// guard gives each clinician a second factor, and returns the recovery codes of each by e-mail address.
func (c *crowd) guard(sites ...*site) map[string][]string {
	c.t.Helper()
	codes := map[string][]string{}
	for _, s := range sites {
		for role := range s.members {
			credentials := map[string]any{"email": s.email(role), "password": password}
			secret := c.post("/v1/auth/second-factor", credentials).ok(http.StatusOK).text("secret")
			code, err := totp.GenerateCode(secret, c.clock.now())
			require.NoError(c.t, err)
			r := c.post("/v1/auth/second-factor", with(credentials, "otp", code)).ok(http.StatusOK)
			codes[s.email(role)] = textsOf(r.list("recovery_codes"))
		}
	}
	return codes
}

// strangers are those who are nobody, or nobody any more.
func (c *crowd) strangers(north *site, otter *family) {
	c.t.Helper()
	invalid := func(name, token string) {
		c.join(principal{name: name, who: c.nobody(token), problem: "token-invalid"})
	}
	member := func(role string) (clinic.Member, who) {
		m := c.newMember(clinic.NewMember{
			Clinic: north.id, Email: role + "@north.example", Name: "Invented", Role: access.RoleLead, Password: password,
		})
		return m, who{house: c.house, principal: access.Principal{
			Role: access.RoleLead, ClinicID: north.id, ClinicianID: m.ID, Session: c.session(m),
		}}
	}
	c.join(principal{name: "nobody", who: c.nobody(""), problem: "token-required"})
	c.join(principal{name: "a lead by another scheme", who: c.nobody(north.lead.token()), scheme: "Basic", problem: "token-required"})
	invalid("garbage", "x"+secret)
	invalid("a token of another server", newHouse(c.t).newSite("elsewhere").lead.token())
	old, err := c.keys.Issue(north.lead.principal, access.AccessTTL, c.clock.now().Add(-access.AccessTTL), "old")
	require.NoError(c.t, err)
	c.join(principal{name: "an expired token", who: c.nobody(old), problem: "token-expired"})

	end := func(refresh string) {
		c.post("/v1/auth/sign-out", map[string]any{"refresh_token": refresh}).ok(http.StatusNoContent)
	}
	lost := c.post("/v1/devices/enrol", map[string]any{
		"invite_code": otter.invite(map[string]any{}), "caregiver": map[string]any{"name": "Aunt"}, "device": map[string]any{"name": "p", "platform": "ios"},
	}).ok(http.StatusCreated)
	end(lost.text("refresh_token"))
	invalid("a device that signed out", lost.text("access_token"))
	member("left")
	left := c.post("/v1/auth/sign-in", map[string]any{"email": "left@north.example", "password": password}).ok(http.StatusOK)
	end(left.text("refresh_token"))
	invalid("a lead who signed out", left.text("access_token"))
	disabled, as := member("disabled")
	token := as.token()
	everywhere(c.house, func(on *clinic.Service, _ clinic.Store) (any, error) {
		return nil, on.SetMemberDisabled(c.t.Context(), disabled.Email, true, c.clock.now())
	})
	invalid("a lead who is disabled", token)
	invalid("a lead who is disabled, in a session that goes on", as.token())
	service := everywhere(c.house, func(on *clinic.Service, _ clinic.Store) (string, error) {
		return on.IssueServiceToken(c.t.Context(), north.id, access.RoleScheduler, time.Hour, c.clock.now())
	})
	held, err := c.keys.Verify(service, c.clock.now())
	require.NoError(c.t, err)
	everywhere(c.house, func(on *clinic.Service, _ clinic.Store) (any, error) {
		return on.RevokeServiceToken(c.t.Context(), uuid.MustParse(held.TokenID), c.clock.now())
	})
	invalid("a revoked scheduler", service)
	member("novice")
}

// claimOf returns the claim of a reminder, and some other where there is none.
func (c *crowd) claimOf(reminder string) string { return cmp.Or(c.claims[reminder], uuid.NewString()) }

// addBodies says for each operation that takes a body what to send, so that nothing but who asks can be in the way.
func (c *crowd) addBodies(north, south *site, otter *family, papa *phone, codes map[string][]string) {
	c.t.Helper()
	fixed := func(body any) func(principal, map[string]string) any {
		return func(principal, map[string]string) any { return body }
	}
	email := north.email(access.RoleClinician)
	credentials := map[string]any{"email": email, "password": password, "otp": codes[email][0]}
	signedIn := c.post("/v1/auth/sign-in", with(credentials, "otp", codes[email][1])).ok(http.StatusOK)
	refresh := map[string]any{"refresh_token": signedIn.text("refresh_token")}
	proof := func(by principal) map[string]any {
		own := []string{"none"}
		for _, s := range []*site{north, south} {
			for role, m := range s.members {
				if m.ID == by.id {
					own = codes[s.email(role)]
				}
			}
		}
		return map[string]any{"password": password, "otp": own[0]}
	}
	invite := otter.invite(map[string]any{})
	c.bodies = map[string]func(by principal, ids map[string]string) any{
		"signIn":            fixed(credentials),
		"setUpSecondFactor": fixed(map[string]any{"email": "novice@north.example", "password": password}),
		"refreshTokens":     fixed(refresh),
		"signOut":           fixed(refresh),
		"enrolDevice": fixed(map[string]any{
			"invite_code": invite, "caregiver": map[string]any{"name": "Aunt"}, "device": map[string]any{"name": "p", "platform": "ios"},
		}),
		"changePassword": func(by principal, _ map[string]string) any {
			return with(proof(by), "new_password", "eight quick otters")
		},
		"makeRecoveryCodes": func(by principal, _ map[string]string) any { return proof(by) },
		"giveConsent":       fixed(map[string]any{"version": clinic.ConsentVersion}),
		"createPlan":        fixed(map[string]any{"name": "Short", "parameters": map[string]any{"nights": 7}}),
		"createHousehold":   fixed(map[string]any{"label": "blue folder"}),
		"createInvite":      fixed(map[string]any{}),
		"createLearner":     fixed(map[string]any{"nickname": "Vole"}),
		"recordScreening":   fixed(map[string]any{"answers": answers(), "decision": "go"}),
		"createEnrolment":   fixed(map[string]any{"first_night": "2027-04-01", "timezone": halifax, "reminder_time": "19:30"}),

		"setEnrolmentStatus": fixed(map[string]any{"status": "paused"}),
		"setReminderTime":    fixed(map[string]any{"reminder_time": "18:45"}),
		"claimReminders":     fixed(map[string]any{"limit": 1}),
		"giveGoAhead": func(_ principal, ids map[string]string) any {
			return map[string]any{"claim": c.claimOf(ids["reminder"])}
		},
		"reportReminder": func(_ principal, ids map[string]string) any {
			return map[string]any{"claim": c.claimOf(ids["reminder"]), "outcome": "skipped"}
		},
		"addReminderAddress": fixed(map[string]any{"channel": "email", "to": "further@example.org"}),
		"verifyReminderAddress": func(_ principal, ids map[string]string) any {
			return map[string]any{"code": cmp.Or(c.codes[ids["address"]], "7ZK3-9QXM")}
		},
		"setReminderWanted": fixed(map[string]any{"kinds": []any{"missed"}}),
		"unsubscribe":       fixed("List-Unsubscribe=One-Click"),
		"recordFollowUp":    fixed(map[string]any{"outcome": "called"}),
		"addClinicEntries": func(_ principal, ids map[string]string) any {
			return map[string]any{"entries": []any{c.made(ids["learner"], "choose", c.clock.now(), map[string]any{"position": "left"})}}
		},
		"sync": func(by principal, _ map[string]string) any {
			p := by.phone
			if p == nil {
				p = papa
			}
			return p.envelope(p.entry("excuse", map[string]any{"night": march(3), "reason": "ill"}))
		},
	}
}
