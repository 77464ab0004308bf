package practice_test

import (
	"fmt"
	"os"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
	"swallowtail/internal/practice/zonetest"
)

func answers(t testing.TB) *zonetest.Answers {
	t.Helper()
	text, err := os.ReadFile("../../testdata/zones/answers.txt")
	require.NoError(t, err)
	all, err := zonetest.Parse(string(text))
	require.NoError(t, err)
	return all
}

// TestInstantsAgreeWithPython: wall times and nights of every zone are where Python's zoneinfo has them, four days before and
// after each jump of the clock and the turn of each year, and on one day of each month.
func TestInstantsAgreeWithPython(t *testing.T) {
	t.Parallel()
	all := answers(t)
	require.GreaterOrEqual(t, len(all.Zones), 30)
	var shown, borders, running atomic.Int64
	t.Run("zones", func(t *testing.T) {
		for _, zone := range all.Zones {
			t.Run(zone.Name, func(t *testing.T) {
				t.Parallel()
				require.GreaterOrEqual(t, int(zone.Last()-zone.First()), 15*365, "dates")
				c := comparison{answers: all, zone: zone}
				for date := zone.First(); date < zone.Last(); date++ {
					if c.wanted(date) {
						c.compare(date)
					}
				}
				for _, wrong := range c.wrong[:min(len(c.wrong), 10)] {
					assert.Fail(t, wrong)
				}
				shown.Add(c.shown)
				borders.Add(c.borders)
				running.Add(c.running)
			})
		}
	})
	t.Logf("%s %d wall times, %d borders, %d nights that run", all.Source, shown.Load(), borders.Load(), running.Load())
	assert.Greater(t, shown.Load(), int64(150_000), "wall times compared")
	assert.Greater(t, borders.Load(), int64(100_000), "borders compared")
	assert.Greater(t, running.Load(), int64(600_000), "running nights compared")
}

// comparison counts what was compared, and keeps what differed: an assertion for each of so many would take its time.
type comparison struct {
	answers                 *zonetest.Answers
	zone                    zonetest.Zone
	shown, borders, running int64
	wrong                   []string
}

func (c *comparison) wanted(date practice.Night) bool {
	const few = 4
	day := time.Unix(int64(date)*24*60*60, 0).UTC()
	from, to := max(date-few, c.zone.First()), min(date+few, c.zone.Last())
	return c.zone.On(from) != c.zone.On(to) || day.YearDay() <= few || day.YearDay() > 365-few || day.Day() == 15
}

func (c *comparison) compare(date practice.Night) {
	run, zone := c.zone.On(date), c.zone.Location
	for i, at := range c.answers.Times {
		c.same(practice.InstantAt(date, at, zone), run.Shown(date, i), "%s %s is first shown", date, at)
		c.shown++
	}
	for i, turns := range c.answers.Turns {
		border, next := run.Closes(date, i), c.zone.On(date+1).Closes(date+1, i)
		c.same(date.Closes(turns, zone), border.At, "%s closes, turning at %s", date, turns)
		c.same((date+1).Begins(turns, zone), border.At, "%s begins, turning at %s", date+1, turns)
		c.borders++
		c.runs(border.At.Add(-time.Second), turns, border.Before)
		// A night that has begun stays begun, though the clock may be set back behind the turning hour.
		for _, after := range []time.Duration{0, 29, 59, 61, 121} {
			if at := border.At.Add(after * time.Minute); at.Before(next.At) {
				c.runs(at, turns, border.From)
			}
		}
	}
}

func (c *comparison) runs(at time.Time, turns practice.TimeOfDay, want practice.Night) {
	if got := practice.NightAt(at, turns, c.zone.Location); got != want {
		c.wrong = append(c.wrong, fmt.Sprintf("at %s, turning at %s: %s runs, not %s", at, turns, got, want))
	}
	c.running++
}

func (c *comparison) same(got, want time.Time, what string, about ...any) {
	if !got.Equal(want) {
		c.wrong = append(c.wrong, fmt.Sprintf(what, about...)+fmt.Sprintf(" at %s, not at %s", got.UTC(), want))
	}
}
