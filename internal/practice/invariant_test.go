package practice

import (
	"slices"

	"github.com/stretchr/testify/require"
)

// What is true of every view, whatever the history, even one that no door would let pass.

// requireTrue holds a view to the history that it was folded from.
func requireTrue(t require.TestingT, h history, v View) {
	said := map[EntryID]Stamped{}
	for _, e := range h.entries {
		said[e.ID] = e
	}
	for _, n := range everyNight(&v) {
		requireNight(t, &n)
		for i := range n.Sittings {
			require.Equal(t, i+1, n.Sittings[i].Number)
			for _, try := range n.Sittings[i].Tries {
				requireTry(t, said, &v, try)
			}
		}
	}
	requireEachOnce(t, &v)
	requireApart(t, h, &v)
	requireHold(t, h, &v)
}

// requireNight holds a night's state and scores to what is recorded on it.
func requireNight(t require.TestingT, n *NightView) {
	recorded := len(n.Sittings) > 0 || len(n.Incidents) > 0
	switch n.State {
	case Complete, Partial:
		require.NotEmpty(t, n.Scores)
	case Attempted:
		require.True(t, recorded && len(n.Scores) == 0)
	case Excused:
		require.True(t, !recorded && len(n.Excuses) > 0)
	case Upcoming, Open, Unheard, Missed:
		require.True(t, !recorded && len(n.Excuses) == 0)
	default:
		require.Fail(t, "a night without a state", "%s", n.Night)
	}
	for _, s := range n.Scores {
		first := firstOf(n, func(try TryView) bool {
			return try.Position == s.Position && try.Medium == Sweet && try.Outcome != Refused
		})
		require.NotNil(t, first, "a score rests on a try")
		require.Equal(t, Score{Position: s.Position, Outcome: first.Outcome, Ease: first.Ease, SizeMM: first.SizeMM}, s)
	}
	for _, p := range Positions() {
		scored := slices.ContainsFunc(n.Scores, func(s Score) bool { return s.Position == p })
		if n.State == Complete && slices.Contains(n.Positions, p) {
			require.True(t, scored)
		}
	}
}

// firstOf returns the first of certain tries of a night, by sitting and number.
func firstOf(n *NightView, is func(TryView) bool) *TryView {
	for i := range n.Sittings {
		var first *TryView
		for j := range n.Sittings[i].Tries {
			try := &n.Sittings[i].Tries[j]
			if is(*try) && (first == nil || try.Number < first.Number) {
				first = try
			}
		}
		if first != nil {
			return first
		}
	}
	return nil
}

// requireTry holds a try to its readings, and each reading to its entry.
func requireTry(t require.TestingT, said map[EntryID]Stamped, v *View, try TryView) {
	require.NotEmpty(t, try.Readings)
	for i, r := range try.Readings {
		e, there := said[r.Entry]
		require.True(t, there, "a reading of nothing that was sent")
		require.True(t, e.Status == Accepted || e.Status == Parked || isTaken(said, r.Entry), "what was kept back counts only once it is taken")
		require.Equal(t, v.Learner, e.Learner)
		body, isTry := e.Body.(*Try)
		require.True(t, isTry)
		require.Equal(t, []any{body.Position, body.Number, body.Outcome, body.Ease, body.Medium, body.SizeMM},
			[]any{try.Position, try.Number, r.Outcome, r.Ease, r.Medium, r.SizeMM}, "a reading says what its entry says")
		require.NotContains(t, v.Idle, r.Entry)
		if i > 0 {
			require.Negative(t, compareCaution(try.Readings[i-1], r), "the most cautious first, and none twice")
		}
	}
	if try.Settled == nil {
		first := try.Readings[0]
		require.Equal(t, []any{first.Outcome, first.Ease, first.Medium}, []any{try.Outcome, try.Ease, try.Medium})
		require.NotEqual(t, Settled, try.Agreement)
		return
	}
	require.Equal(t, Settled, try.Agreement)
	settle, isSettle := said[try.Settled.Entry].Body.(*Settle)
	require.True(t, isSettle)
	require.Equal(t, []any{settle.Outcome, settle.Ease}, []any{try.Outcome, try.Ease})
	for _, r := range try.Readings {
		require.Contains(t, settle.Judged, r.Entry)
	}
	for _, id := range settle.Judged {
		require.True(t, slices.ContainsFunc(try.Readings, func(r Reading) bool { return r.Entry == id }))
	}
}

// isTaken reports whether a clinician's review takes an entry.
func isTaken(said map[EntryID]Stamped, id EntryID) bool {
	for _, e := range said {
		if review, ok := e.Body.(*Review); ok && e.Author.Role == Clinician && review.Take && review.Entry == id {
			return true
		}
	}
	return false
}

// requireEachOnce sees to it that no account is in two places.
func requireEachOnce(t require.TestingT, v *View) {
	sessions, seen := map[SubjectID]bool{}, map[readingKey]bool{}
	for _, n := range everyNight(v) {
		for _, s := range n.Sittings {
			require.NotEmpty(t, s.Authors)
			for _, subject := range s.Subjects {
				require.False(t, sessions[subject], "a session is in one sitting, once")
				sessions[subject] = true
			}
			for _, try := range s.Tries {
				for _, r := range try.Readings {
					require.False(t, seen[readingKey{r.Entry, r.By}])
					seen[readingKey{r.Entry, r.By}] = true
					require.Contains(t, s.Authors, r.By)
				}
			}
		}
	}
}

// requireApart sees to it that sessions which a link calls distinct are in no sitting together. Only links that nothing else
// is said of are looked at: these stand for certain.
func requireApart(t require.TestingT, h history, v *View) {
	for i := range h.entries {
		e := &h.entries[i]
		link, ok := e.Body.(*Link)
		alone := !slices.ContainsFunc(h.entries, func(o Stamped) bool { return o.ID != e.ID && o.Subject == e.Subject })
		if !ok || link.Same || e.Status != Accepted || e.Learner != v.Learner || !alone {
			continue
		}
		for _, n := range everyNight(v) {
			for _, s := range n.Sittings {
				together := 0
				for _, subject := range s.Subjects {
					if slices.Contains(link.Sessions, subject) {
						together++
					}
				}
				require.LessOrEqual(t, together, 1)
			}
		}
	}
}

// requireHold sees to it that an incident holds unless some clear names something.
func requireHold(t require.TestingT, h history, v *View) {
	for _, e := range h.entries {
		if clearing, ok := e.Body.(*Clear); ok && len(clearing.Incidents) > 0 {
			return
		}
	}
	for _, e := range h.entries {
		_, is := e.Body.(*Incident)
		if (is || e.MayBeIncident) && (e.Learner == v.Learner || e.Learner == LearnerID{}) {
			require.True(t, slices.ContainsFunc(v.Hold, func(o OpenIncident) bool { return o.Entry == e.ID }))
		}
	}
}
