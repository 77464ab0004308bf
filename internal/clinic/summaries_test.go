package clinic_test

import (
	"context"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/audit"
	"swallowtail/internal/clinic"
)

// TestASummaryKeptIsTheSameAsOneMadeAnew reads summaries at many instants of drawn histories, each by the service that may have kept it
// and by one that has kept nothing, and compares them octet by octet.
func TestASummaryKeptIsTheSameAsOneMadeAnew(t *testing.T) {
	t.Parallel()
	random := rand.New(rand.NewPCG(3, 4))
	h := newFamily(t)
	var entries [][2]string
	now := started
	compare := func(q clinic.Question, at time.Time) {
		t.Helper()
		kept, err := h.Summary(t.Context(), h.clinician, h.learner, q, at)
		require.NoError(t, err)
		fresh, err := clinic.New(h.Config).Summary(t.Context(), h.clinician, h.learner, q, at)
		require.NoError(t, err)
		require.Equal(t, string(fresh.Doc), string(kept.Doc))
		require.Equal(t, fresh.Says, kept.Says)
	}
	again := 0
	for range 20 {
		now = now.Add(time.Duration(1+random.IntN(30*60)) * time.Minute)
		h.push(now, h.somethingWritten(random, now, &entries)...)
		compare(clinic.Question{}, now)
		is, err := h.KeepsSummary(t.Context(), h.clinician, h.learner, clinic.Question{}, now)
		require.NoError(t, err)
		require.True(t, is, "the same instant once more")
		compare(clinic.Question{}, now)
		for range 3 {
			q := clinic.Question{AsOf: now.Add(time.Duration(random.IntN(48*60)-24*60) * time.Minute)}
			is, err := h.KeepsSummary(t.Context(), h.clinician, h.learner, q, now)
			require.NoError(t, err)
			if is {
				again++
			}
			compare(q, now)
		}
	}
	assert.Positive(t, again, "nothing kept was good for another instant")
}

// TestASummaryThatKnowsOfWhatCameLaterIsNotKept asks at an instant before what has been handed in by the time the store is read.
func TestASummaryThatKnowsOfWhatCameLaterIsNotKept(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.push(started, h.evening()...)
	for at, want := range map[time.Time]bool{started.Add(-5 * time.Millisecond): false, started: true} {
		_, err := h.Summary(t.Context(), h.clinician, h.learner, clinic.Question{}, at)
		require.NoError(t, err)
		is, err := h.KeepsSummary(t.Context(), h.clinician, h.learner, clinic.Question{}, at)
		require.NoError(t, err)
		assert.Equal(t, want, is)
	}
}

// TestWhatASummaryRestsOn changes each thing that a summary rests on, once it is kept.
func TestWhatASummaryRestsOn(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	at := started.Add(time.Hour)
	h.push(started, h.evening()...)
	h.push(started.Add(time.Minute), h.evening()...)
	enrolment, err := h.OwnHousehold(t.Context(), h.phone, at)
	require.NoError(t, err)
	of := enrolment.Learners[0].Enrolments[0].ID
	summary := func() string {
		s, err := h.Summary(t.Context(), h.clinician, h.learner, clinic.Question{}, at)
		require.NoError(t, err)
		return string(s.Doc)
	}
	before := summary()
	for _, c := range []struct {
		name   string
		change func()
	}{
		{"a name", func() { h.alter(`UPDATE learner SET nickname = 'Marten'`) }},
		{"a birthday", func() { h.alter(`UPDATE learner SET birth_month = '2019-05'`) }},
		{"a pause", func() {
			_, err := h.SetEnrolmentStatus(t.Context(), h.clinician, of, clinic.Paused, "", started)
			require.NoError(t, err)
		}},
		{"news of a device", func() { h.push(at.Add(-time.Minute)) }},
		{"an incident", func() {
			_, raw := h.entry("incident", map[string]any{"what": "pain"})
			h.push(at.Add(-time.Second), raw)
		}},
	} {
		require.Equal(t, before, summary(), "nothing has changed before %s", c.name)
		c.change()
		now := summary()
		assert.NotEqual(t, before, now, c.name)
		before = now
	}

	_, err = h.Summary(t.Context(), access.Principal{Role: access.RoleClinician, ClinicID: uuid.New(), ClinicianID: uuid.New()}, h.learner, clinic.Question{}, at)
	require.Error(t, err, "what is kept is for whoever may read it")
	phones, err := h.Summary(t.Context(), h.phone, h.learner, clinic.Question{}, at)
	require.NoError(t, err)
	assert.NotContains(t, string(phones.Doc), "readiness", "a family's summary is another")
}

// TestASummaryKeptIsForThoseAloneWhoMayRead: of another clinic nobody reads it, and the trail says who tried, as of one that was not kept.
func TestASummaryKeptIsForThoseAloneWhoMayRead(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.push(started, h.evening()...)
	stranger := h.clinician
	stranger.ClinicID = newID()
	read := func(s *clinic.Service, p access.Principal) error {
		_, err := s.Summary(t.Context(), p, h.learner, clinic.Question{}, started)
		return err
	}
	trailOf := func(s *clinic.Service) []audit.Row {
		require.ErrorIs(t, read(s, stranger), clinic.ErrNotThere)
		var rows []audit.Row
		require.NoError(t, h.Store.Read(t.Context(), func(ctx context.Context, view clinic.View) (err error) {
			rows, err = view.AuditRows(ctx, clinic.AuditQuery{Clinic: stranger.ClinicID, Limit: 10})
			return err
		}))
		for i := range rows {
			rows[i].Seq, rows[i].Hash = 0, [32]byte{}
		}
		return rows
	}
	fresh := trailOf(clinic.New(h.Config))
	require.NoError(t, read(h.Service, h.clinician))
	is, err := h.KeepsSummary(t.Context(), h.clinician, h.learner, clinic.Question{}, started)
	require.NoError(t, err)
	require.True(t, is)
	both := trailOf(h.Service)
	require.Len(t, both, 2)
	assert.Equal(t, fresh[0], both[0])
	assert.Equal(t, both[0], both[1])
}
