package api_test

import (
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
)

// siege is a family in mid-programme, another of the same clinic and one of another clinic, and somebody who wants more than what
// is theirs.
type siege struct {
	*world
	mama    *phone // another caregiver of the family
	mamas   []entry
	sibling *family // another of the same clinic
	nana    *phone
	vault   *vault
}

// private stands in a note that its writer has not shared with the other caregivers.
const private = "wrenwords"

func newSiege(t testing.TB) *siege {
	t.Helper()
	s := &siege{world: newWorld(t)}
	s.mama = s.newPhone("Mama")
	s.mamas = s.mama.evening(s.clock.now())
	s.mamas[0].body()["note"] = private
	s.mama.accepted(s.mamas...)
	s.sibling = s.site.newFamily("Stoat")
	s.sibling.enrol("2027-03-01")
	s.nana = s.sibling.newPhone("Nana")
	s.nana.accepted(s.nana.evening(s.clock.now())...)
	s.papa.sync()
	s.vault = s.newVault()
	return s
}

// TestAttacks tries every attack that is one call. Each is a sentence of what is tried, in the chapter that it belongs to.
func TestAttacks(t *testing.T) {
	t.Parallel()
	s := newSiege(t)
	for _, chapter := range []struct {
		name    string
		attacks func(s *siege) []attack
	}{
		{"objects", onObjects},
		{"entries", byEntries},
		{"functions", onFunctions},
		{"members", onMembers},
		{"members of entries", onMembersOfEntries},
		{"tokens", onTokens},
		{"parsing", onParsing},
		{"injection", byInjection},
		{"passed on", onWhatIsPassedOn},
		{"browsers", throughBrowsers},
		{"trail", onTheTrail},
		{"enrolment", onEnrolment}, // the last, since the invites of before have expired
	} {
		t.Run(chapter.name, func(t *testing.T) {
			s := s.on(t)
			s.withstand(chapter.attacks(s))
		})
	}
	s.checked()
}

// attack is one thing that somebody tries. It must be refused with a problem, or where that is said be of no use.
type attack struct {
	tries string // a sentence
	call
	alter   func(*http.Request) // what a call can't say
	status  int
	problem string
	// harmless shows why an attack that is answered is of no use; nil: it must be refused.
	harmless func(s *siege, r reply)
}

// withstand tries each attack alone. What is refused has changed nothing and, where somebody signed in reached for what is not
// theirs, is on the trail.
func (s *siege) withstand(attacks []attack) {
	s.t.Helper()
	t, ok := s.t.(*testing.T)
	require.True(s.t, ok)
	s.vault.keep() // what the attacks were made from is there by now
	for _, a := range attacks {
		t.Run(a.tries, func(t *testing.T) {
			s.on(t).withstandOne(a)
		})
	}
}

// on returns the siege as another test looks at it.
func (s *siege) on(t testing.TB) *siege {
	other := *s
	w, f, site := *s.world, *s.family, *s.site
	site.house = s.house.on(t)
	f.site, w.family, other.world = &site, &f, &w
	return &other
}

func (s *siege) withstandOne(a attack) {
	s.t.Helper()
	s.vault.deeds()
	request := s.request(a.call)
	if a.alter != nil {
		a.alter(request)
	}
	response, err := wire{t: s.t, handler: s.handler, elsewhere: a.elsewhere}.RoundTrip(request)
	require.NoError(s.t, err)
	body, err := io.ReadAll(response.Body)
	require.NoError(s.t, err)
	r := reply{t: s.t, status: response.StatusCode, header: response.Header, body: body}
	require.Equal(s.t, a.status, r.status, "%s", r.body)
	require.Less(s.t, r.status, http.StatusInternalServerError, "%s", r.body)
	deeds := s.vault.deeds()[s.id]
	if a.harmless != nil {
		a.harmless(s, r)
		s.vault.putBack()
		return
	}
	require.Equal(s.t, "/problems/"+a.problem, r.text("type"), "%s", r.body)
	assert.Empty(s.t, s.vault.changed(), "it was refused")
	reached := r.status == http.StatusForbidden || (r.status == http.StatusNotFound && namesAnID(a.path))
	if reached && s.ofNorth(a.as) && !a.elsewhere {
		require.Len(s.t, deeds, 1, "a refusal is for the clinic to see")
		assert.Equal(s.t, a.problem, deeds[0].outcome)
	}
}

// namesAnID reports whether anything in an address is an id.
func namesAnID(path string) bool {
	return slices.ContainsFunc(strings.FieldsFunc(path, func(r rune) bool { return strings.ContainsRune("/?&=", r) }), func(part string) bool {
		return len(part) == len(uuid.Nil.String()) && uuid.Validate(part) == nil
	})
}

// ofNorth reports whether somebody is of the clinic whose trail is looked at.
func (s *siege) ofNorth(as who) bool {
	return as.raw == s.scheduler.raw || as.principal.ClinicID == s.id
}

// get and post are attacks by one call.
func get(tries string, as who, path string, status int, problem string) attack {
	return attack{tries: tries, call: call{method: http.MethodGet, path: path, as: as}, status: status, problem: problem}
}

func post(tries string, as who, path string, body any, status int, problem string) attack {
	return attack{tries: tries, call: call{method: http.MethodPost, path: path, as: as, body: body}, status: status, problem: problem}
}

// statuses fails the test unless what was handed in ended so.
func statuses(wanted ...any) func(*siege, reply) {
	return func(s *siege, r reply) {
		assert.Equal(s.t, wanted, pluck(s.t, r.list("results"), "status"), "%s", r.body)
	}
}

// of returns the clinic's member in a role.
func (s *siege) of(role access.Role) map[string]any {
	return map[string]any{"email": s.site.email(role), "password": password}
}
