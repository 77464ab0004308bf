package clinic_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// signedIn returns a clinician as their token says that they are, of whom nobody has looked yet whether their session goes on.
func (h *house) signedIn() access.Principal {
	h.t.Helper()
	in, err := h.SignIn(h.t.Context(), clinic.Credentials{Email: familyEmail, Password: familyPassword}, started)
	require.NoError(h.t, err)
	p := h.clinician
	p.Session = in.Session
	return asTheTokenSays(p)
}

// reading is something that a clinician reads.
type reading struct {
	did  clinic.Operation
	read func(s *clinic.Service, p access.Principal) (any, error)
}

func (h *house) summaryOf(learner uuid.UUID) reading {
	return reading{"getSummary", func(s *clinic.Service, p access.Principal) (any, error) {
		return s.Summary(h.t.Context(), p, learner, clinic.Question{}, started)
	}}
}

// readings are those whose caller the trail proves.
func (h *house) readings() map[string]reading {
	return map[string]reading{
		"roster": {"getRoster", func(s *clinic.Service, p access.Principal) (any, error) {
			return s.Roster(h.t.Context(), p, clinic.RosterQuery{Order: "nickname", Limit: 10}, started)
		}},
		"summary":                      h.summaryOf(h.learner),
		"summary of whom there is not": h.summaryOf(uuid.New()),
	}
}

// TestWhoReadsIsProvenByTheTrail reads by a token alone, of sessions that go on, have ended, or end just before the row is written: of a
// server that has kept what is read and of one that hasn't.
func TestWhoReadsIsProvenByTheTrail(t *testing.T) {
	t.Parallel()
	ends := map[string]func(h *house, p access.Principal){
		"ended": func(h *house, p access.Principal) { h.endSession(p) },
		"shut out": func(h *house, _ access.Principal) {
			require.NoError(t, h.SetMemberDisabled(t.Context(), familyEmail, true, started))
		},
	}
	for server, keeps := range map[string]bool{"kept": true, "not kept": false} {
		for how, end := range ends {
			t.Run(server+", "+how, func(t *testing.T) {
				t.Parallel()
				h := newFamily(t)
				before := &meanwhile{Store: h.Store}
				h.Store = before
				for what, reading := range h.readings() {
					asks := h.signedIn()
					want, wanted := reading.read(h.Service, h.clinician)
					if !keeps {
						h.Service = clinic.New(h.Config)
					}
					refused := func(when string) {
						t.Helper()
						rows := h.entered(func() {
							got, err := reading.read(h.Service, asks)
							assert.Equal(t, "token-invalid", fault.ProblemOf(err), "%s, %s", what, when)
							assert.Zero(t, got)
						})
						assert.NotContains(t, didOf(rows), string(reading.did), "%s, %s: it leaves no row", what, when)
					}
					rows := h.entered(func() {
						got, err := reading.read(h.Service, asks)
						assert.Equal(t, fault.ProblemOf(wanted), fault.ProblemOf(err), what)
						assert.Equal(t, want, got, what)
					})
					assert.Equal(t, []string{string(reading.did)}, didOf(rows), what)
					before.happens = func() { end(h, asks) }
					refused("just before the row is written")
					refused("before")
					require.NoError(t, h.SetMemberDisabled(t.Context(), familyEmail, false, started))
				}
			})
		}
	}
}

func didOf(rows []audit.Row) []string {
	did := make([]string, len(rows))
	for i := range rows {
		did[i] = rows[i].Did
	}
	return did
}

// TestNothingIsRenewedForWhoseSessionHasEnded asks for the roster on the next day, when what is kept of the learner holds no longer.
func TestNothingIsRenewedForWhoseSessionHasEnded(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	asks, tomorrow := h.signedIn(), started.Add(30*time.Hour)
	ask := func() error {
		_, err := h.Roster(t.Context(), asks, clinic.RosterQuery{Order: "nickname", Limit: 10}, tomorrow)
		return err
	}
	there := h.projection()
	session := asks.Session
	asks.Session = newID()
	assert.Equal(t, "token-invalid", fault.ProblemOf(ask()))
	assert.Equal(t, there, h.projection())
	asks.Session = session
	require.NoError(t, ask())
	assert.NotEqual(t, there, h.projection())
}

// TestOneWhoIsRefusedTakesNothingFromTheOthers has three rows come while another is being written, so that they share a transaction: one of
// them is of a session that has ended.
func TestOneWhoIsRefusedTakesNothingFromTheOthers(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	good, ended := h.signedIn(), h.signedIn()
	h.endSession(ended)
	summary := h.summaryOf(h.learner)
	_, err := summary.read(h.Service, good)
	require.NoError(t, err)
	answered := make(chan error, 2)
	refused := make(chan error, 1)
	h.Store = &meanwhile{Store: h.Store, happens: func() {
		for _, reads := range []struct {
			as access.Principal
			to chan error
		}{{good, answered}, {ended, refused}, {good, answered}} {
			waiting := h.WaitingForTrail()
			go func() {
				_, err := summary.read(h.Service, reads.as)
				reads.to <- err
			}()
			assert.Eventually(t, func() bool { return h.WaitingForTrail() > waiting }, 10*time.Second, time.Millisecond)
		}
	}}
	rows := h.entered(func() {
		_, err := summary.read(h.Service, good)
		require.NoError(t, err)
		require.NoError(t, <-answered)
		require.NoError(t, <-answered)
		assert.Equal(t, "token-invalid", fault.ProblemOf(<-refused))
	})
	assert.Equal(t, []string{"getSummary", "getSummary", "getSummary"}, didOf(rows))
}

// TestASummaryThatChangesWhileItIsRead: what a server has kept is made anew where another has taken an evening since, and is read once.
func TestASummaryThatChangesWhileItIsRead(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	before := &meanwhile{Store: h.Store}
	h.Store = before
	asks, summary := h.signedIn(), h.summaryOf(h.learner)
	kept, err := summary.read(h.Service, asks)
	require.NoError(t, err)
	before.happens = func() {
		_, err := clinic.New(h.Config).Sync(t.Context(), h.phone, clinic.SyncRequest{
			Schema: 1, Sent: started, Limit: 1, Entries: h.evening(),
		}, started)
		assert.NoError(t, err)
	}
	var got any
	rows := h.entered(func() {
		got, err = summary.read(h.Service, asks)
		require.NoError(t, err)
	})
	assert.Equal(t, []string{"sync", "getSummary"}, didOf(rows))
	assert.NotEqual(t, kept, got)
	fresh, err := summary.read(clinic.New(h.Config), asks)
	require.NoError(t, err)
	assert.Equal(t, fresh, got)
}
