package access_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"swallowtail/internal/access"
)

func TestJudgeRefresh(t *testing.T) {
	t.Parallel()
	ago := func(d time.Duration) time.Time { return noon.Add(-d) }
	later, past := noon.Add(time.Hour), ago(time.Hour)

	cases := map[string]struct {
		state access.RefreshState
		want  access.RefreshVerdict
	}{
		"first use":                  {access.RefreshState{ExpiresAt: later}, access.Accept},
		"last instant":               {access.RefreshState{ExpiresAt: noon.Add(1)}, access.Accept},
		"expires now":                {access.RefreshState{ExpiresAt: noon}, access.Expired},
		"expired":                    {access.RefreshState{ExpiresAt: past}, access.Expired},
		"spent this instant":         {access.RefreshState{ExpiresAt: later, SpentAt: noon}, access.RetryWithinGrace},
		"spent 60 s ago":             {access.RefreshState{ExpiresAt: later, SpentAt: ago(time.Minute)}, access.RetryWithinGrace},
		"spent longer ago":           {access.RefreshState{ExpiresAt: later, SpentAt: ago(time.Minute + 1)}, access.EndFamily},
		"spent, clock set back":      {access.RefreshState{ExpiresAt: later, SpentAt: noon.Add(time.Hour)}, access.EndFamily},
		"retry just after expiry":    {access.RefreshState{ExpiresAt: ago(1), SpentAt: ago(9)}, access.RetryWithinGrace},
		"spent and expired":          {access.RefreshState{ExpiresAt: past, SpentAt: ago(2 * time.Hour)}, access.EndFamily},
		"superseded, unused":         {access.RefreshState{ExpiresAt: later, Superseded: true}, access.EndFamily},
		"superseded, within grace":   {access.RefreshState{ExpiresAt: later, SpentAt: ago(1), Superseded: true}, access.EndFamily},
		"family ended":               {access.RefreshState{ExpiresAt: later, Ended: true}, access.EndFamily},
		"family ended, within grace": {access.RefreshState{ExpiresAt: later, SpentAt: ago(1), Ended: true}, access.EndFamily},
		"family ended, expired":      {access.RefreshState{ExpiresAt: past, Ended: true}, access.EndFamily},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			assert.Equal(t, c.want, access.JudgeRefresh(c.state, noon))
		})
	}
}

// family plays the caller's part: it does what each verdict asks for, as documented there.
type family struct {
	states []access.RefreshState
}

func newFamily() *family {
	return &family{states: []access.RefreshState{{ExpiresAt: noon.Add(access.DeviceRefreshIdle)}}}
}

// present offers token i, the given time after noon, and returns the token handed out, or -1.
func (f *family) present(i int, after time.Duration) int {
	now := noon.Add(after)
	switch access.JudgeRefresh(f.states[i], now) {
	case access.Accept:
		for j := range f.states {
			f.states[j].Superseded = f.states[j].Superseded || j != i
		}
		f.states[i].SpentAt = now
	case access.RetryWithinGrace:
	case access.EndFamily:
		for j := range f.states {
			f.states[j].Ended = true
		}
		return -1
	case access.Expired:
		return -1
	}
	f.states = append(f.states, access.RefreshState{ExpiresAt: now.Add(access.DeviceRefreshIdle)})
	return len(f.states) - 1
}

func TestRefreshStories(t *testing.T) {
	t.Parallel()
	const second = time.Second

	t.Run("a chain, each used once", func(t *testing.T) {
		t.Parallel()
		f := newFamily()
		token := 0
		for i := range 5 {
			token = f.present(token, time.Duration(i)*time.Hour)
			assert.Positive(t, token)
		}
	})
	t.Run("a lost answer, then the retry's pair works", func(t *testing.T) {
		t.Parallel()
		f := newFamily()
		f.present(0, 0)
		retried := f.present(0, 30*second)
		assert.Positive(t, f.present(retried, 15*time.Minute))
	})
	t.Run("the retry overtakes the first request: either answer works", func(t *testing.T) {
		t.Parallel()
		f := newFamily()
		early := f.present(0, 0)
		f.present(0, second)
		assert.Positive(t, f.present(early, 15*time.Minute))
	})
	t.Run("a thief within the grace is found out at the next use", func(t *testing.T) {
		t.Parallel()
		f := newFamily()
		owner := f.present(0, 0)
		thief := f.present(0, 10*second)
		next := f.present(thief, time.Minute)
		assert.Equal(t, -1, f.present(owner, 15*time.Minute), "the owner is signed out")
		assert.Equal(t, -1, f.present(next, 16*time.Minute), "and so is the thief")
	})
	t.Run("a spent token whose answer was used, within the grace", func(t *testing.T) {
		t.Parallel()
		f := newFamily()
		used := f.present(0, 0)
		third := f.present(used, 10*second)
		assert.Equal(t, -1, f.present(0, 20*second))
		assert.Equal(t, -1, f.present(third, 15*time.Minute))
	})
}

func TestRefreshExpiry(t *testing.T) {
	t.Parallel()
	began := noon
	cases := map[string]struct {
		role  access.Role
		after time.Duration
		want  time.Duration
	}{
		"device":                    {access.RoleDevice, 0, 90 * 24 * time.Hour},
		"device a year on":          {access.RoleDevice, 365 * 24 * time.Hour, (365 + 90) * 24 * time.Hour},
		"clinician":                 {access.RoleClinician, 0, time.Hour},
		"lead":                      {access.RoleLead, 5 * time.Hour, 6 * time.Hour},
		"clinician near day's end":  {access.RoleClinician, 23*time.Hour + time.Minute, 24 * time.Hour},
		"clinician past day's end":  {access.RoleClinician, 25 * time.Hour, 24 * time.Hour},
		"clinician exactly at 23 h": {access.RoleClinician, 23 * time.Hour, 24 * time.Hour},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			assert.Equal(t, began.Add(c.want), access.RefreshExpiry(c.role, began, began.Add(c.after)))
		})
	}
}

// TestATokenDoesNotOutlastItsSession hands tokens out up to the end of a clinician's day.
func TestATokenDoesNotOutlastItsSession(t *testing.T) {
	t.Parallel()
	began := noon.Add(700 * time.Millisecond)
	for before, want := range map[time.Duration]time.Duration{
		24 * time.Hour:          access.AccessTTL,
		access.AccessTTL:        access.AccessTTL,
		10 * time.Minute:        10 * time.Minute,
		1500 * time.Millisecond: time.Second, // issued on the second before
		time.Millisecond:        0,
	} {
		now := began.Add(access.ClinicianSession - before)
		assert.Equal(t, want, access.TokenTTL(access.RoleLead, began, now), before)
		assert.False(t, now.Truncate(time.Second).Add(want).After(began.Add(access.ClinicianSession)), before)
		assert.Equal(t, access.AccessTTL, access.TokenTTL(access.RoleDevice, began, now))
	}
	assert.Negative(t, access.TokenTTL(access.RoleLead, began, began.Add(25*time.Hour)))
}
