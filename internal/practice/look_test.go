package practice

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// What the tests look at in a view.

func instant(t *testing.T, text string) time.Time {
	t.Helper()
	return moment(t, text).Time()
}

func moment(t *testing.T, text string) Moment {
	t.Helper()
	m, err := ParseMoment(text)
	require.NoError(t, err)
	return m
}

func nightOn(t *testing.T, text string) Night {
	t.Helper()
	n, err := ParseNight(text)
	require.NoError(t, err)
	return n
}

// asOf folds the story as seen from an instant.
func (s *story) asOf(at string) *View {
	s.t.Helper()
	v := NewRecord(s.entries).Fold(s.learner, s.enrolments, s.contacts, instant(s.t, at))
	return &v
}

// told folds the story as seen from long after the programme.
func (s *story) told() *View {
	s.t.Helper()
	return s.asOf("2027-05-01T12:00:00-03:00")
}

// line writes the states of a programme as one letter a night: Complete, Partial, Attempted, Excused, - upcoming, o open,
// ? unheard, Missed.
func line(p *Programme) string {
	letters := map[State]string{
		Complete: "C", Partial: "P", Attempted: "A", Excused: "E", Upcoming: "-", Open: "o", Unheard: "?", Missed: "M",
	}
	var b strings.Builder
	for _, n := range p.Nights {
		b.WriteString(letters[n.State])
	}
	return b.String()
}

// look returns a night of the view, wherever it is.
func look(t *testing.T, v *View, night string) *NightView {
	t.Helper()
	n, _ := find(v, nightOn(t, night))
	require.NotNil(t, n, "the view has no night of %s", night)
	return n
}

// find returns a night of the view and whether a programme counts it.
func find(v *View, night Night) (n *NightView, counted bool) {
	for i := range v.Programmes {
		for j := range v.Programmes[i].Nights {
			if v.Programmes[i].Nights[j].Night == night {
				return &v.Programmes[i].Nights[j], true
			}
		}
	}
	for i := range v.Earlier {
		if v.Earlier[i].Night == night {
			return &v.Earlier[i], false
		}
	}
	return nil, false
}

// practisedNights lists the nights on which anything was recorded at the table.
func practisedNights(v *View) []string {
	var nights []string
	for _, n := range everyNight(v) {
		if len(n.Sittings) > 0 {
			nights = append(nights, n.Night.String())
		}
	}
	return nights
}

func everyNight(v *View) []NightView {
	nights := slices.Clone(v.Earlier)
	for _, p := range v.Programmes {
		nights = append(nights, p.Nights...)
	}
	return nights
}

// sittingsOn returns the sittings of a night.
func sittingsOn(t *testing.T, v *View, night string) []SittingView {
	t.Helper()
	return look(t, v, night).Sittings
}

// onlySitting returns the one sitting of a night.
func onlySitting(t *testing.T, v *View, night string) SittingView {
	t.Helper()
	sittings := sittingsOn(t, v, night)
	require.Len(t, sittings, 1)
	return sittings[0]
}

// tryOf returns a try of the only sitting of a night.
func tryOf(t *testing.T, v *View, night string, position Position, number int) TryView {
	t.Helper()
	sitting := onlySitting(t, v, night)
	for _, try := range sitting.Tries {
		if try.Position == position && try.Number == number {
			return try
		}
	}
	require.Fail(t, "no such try", "%s %d on %s", position, number, night)
	return TryView{}
}

// everyTry lists the tries of a view in the order of nights, sittings, positions and numbers.
func everyTry(v *View) []TryView {
	var tries []TryView
	for _, n := range everyNight(v) {
		for _, s := range n.Sittings {
			tries = append(tries, s.Tries...)
		}
	}
	return tries
}

// rating is what a try or a reading says.
type rating struct {
	Outcome Outcome
	Ease    Ease
}

func counted(try TryView) rating { return rating{try.Outcome, try.Ease} }

func readingsOf(try TryView) []rating {
	var ratings []rating
	for _, r := range try.Readings {
		ratings = append(ratings, rating{r.Outcome, r.Ease})
	}
	return ratings
}

const hour = time.Hour
