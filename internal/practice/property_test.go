package practice

import (
	"maps"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// drawn draws a history. Its size shrinks to the smallest that fails; its choices follow from a seed.
func drawn(t *rapid.T, wild bool) history {
	return rapid.Custom(func(t *rapid.T) history {
		return drawHistory(rapid.SampledFrom([]int{4, 6, 10, 20, 40, 60}).Draw(t, "entries"), choices(t), wild)
	}).Draw(t, "history")
}

func choices(t *rapid.T) func(n int) int {
	return rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0)).IntN
}

// readings returns every reading of a view by its entry and the person whose account it is.
func readings(v View) map[readingKey]Reading {
	found := map[readingKey]Reading{}
	for _, try := range everyTry(&v) {
		for _, r := range try.Readings {
			found[readingKey{r.Entry, r.By}] = r
		}
	}
	return found
}

type readingKey struct {
	entry EntryID
	by    Author
}

func readingsOfOthers(v View, than Author) map[readingKey]Reading {
	found := readings(v)
	maps.DeleteFunc(found, func(k readingKey, _ Reading) bool { return k.by == than })
	return found
}

func TestPropertyTheSameSetOfEntriesGivesTheSameView(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		h := drawn(t, false)
		other := h
		repeated := rapid.IntRange(0, len(h.entries)).Draw(t, "repeated")
		other.entries = slices.Concat(h.entries, h.entries[:repeated])
		other.entries = rapid.Permutation(other.entries).Draw(t, "order")
		require.Equal(t, h.view(), other.view())
	})
}

func TestPropertyNobodyChangesAnothersReadings(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		h := drawn(t, false)
		h.at = h.at.AddDate(1, 0, 0) // a session moved beyond the instant takes its tries along
		d := drawer{pick: choices(t), said: h.entries}
		e := d.entry(d.pick(drawnCaregivers))
		if e.Author.Role == Clinician {
			t.Skip("what a clinician copies is somebody's account")
		}
		before, after := readingsOfOthers(h.view(), e.Author), readingsOfOthers(h.with(e).view(), e.Author)
		for key, reading := range before {
			require.Equal(t, reading, after[key])
		}
	})
}

func TestPropertyAWithdrawalLeavesOthersReadingsAsTheyAre(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		h := drawn(t, false)
		h.at = h.at.AddDate(1, 0, 0)
		d := drawer{pick: choices(t), said: h.entries}
		e := d.entry(0)
		e.Author, e.Body, e.Status, e.Flawed = drawnAuthor(d.pick(drawnCaregivers)), &Retract{}, Accepted, false
		for _, other := range h.entries {
			if d.pick(2) == 0 {
				e.Subject, e.Replaces = other.Subject, append(e.Replaces, other.ID)
			}
		}
		require.Equal(t, readingsOfOthers(h.view(), e.Author), readingsOfOthers(h.with(e).view(), e.Author))
	})
}

func TestPropertyAnotherReadingNeverMakesATryLessCautious(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		h := drawn(t, false)
		before := h.view()
		for _, n := range everyNight(&before) {
			for _, s := range n.Sittings {
				for _, try := range s.Tries {
					if len(s.Subjects) > 0 && try.Agreement != Settled {
						addReading(t, h, s.Subjects[0], try)
					}
				}
			}
		}
	})
}

// addReading adds a stranger's reading of a try, and checks what the try came to.
func addReading(t *rapid.T, h history, session SubjectID, try TryView) {
	d := drawer{pick: choices(t), said: h.entries}
	body := d.try()
	body.Session, body.Position, body.Number = session, try.Position, try.Number
	e := d.entry(0)
	e.ID = EntryID{named("aunt's word, which nobody has judged")}
	e.Subject, e.Replaces, e.Body, e.Status, e.Flawed = SubjectID(e.ID), nil, body, Accepted, false
	e.Author = Author{Role: Caregiver, ID: PersonID{named("aunt")}}
	after := h.with(e).view()
	for _, now := range everyTry(&after) {
		if !slices.ContainsFunc(now.Readings, func(r Reading) bool { return r.Entry == e.ID }) {
			continue
		}
		require.Len(t, now.Readings, len(try.Readings)+1)
		require.LessOrEqual(t, compareCaution(Reading{Outcome: now.Outcome, Ease: now.Ease}, Reading{Outcome: try.Outcome, Ease: try.Ease}), 0)
		return
	}
	require.Fail(t, "the added reading is nowhere")
}

func TestPropertyATryIsOneWholeReadingOrASettlement(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		v := drawn(t, false).view()
		for _, try := range everyTry(&v) {
			if try.Settled != nil {
				lowest, highest := try.EaseRange()
				require.True(t, try.Ease == try.Settled.Ease && (try.Outcome == Refused || lowest <= try.Ease && try.Ease <= highest))
				continue
			}
			require.True(t, slices.ContainsFunc(try.Readings, func(r Reading) bool {
				return r.Outcome == try.Outcome && r.Ease == try.Ease && r.Medium == try.Medium && r.SizeMM == try.SizeMM
			}), "%+v", try)
		}
	})
}

// An entry either shows in the view or stands in an account of a kind that works behind it; else it is said why not.
func TestPropertyEveryEntryHasAnEffectOrAReason(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		h := drawn(t, false)
		record := NewRecord(h.entries)
		v := record.Fold(drawnLearner(0), h.enrolments, h.contacts, h.at)
		shown := readings(v)
		standing := map[EntryID]bool{}
		for _, a := range record.accounts {
			for _, head := range a.heads {
				standing[head.ID] = true
			}
		}
		for _, e := range h.entries {
			why, idle := v.Idle[e.ID]
			switch {
			case e.Body == nil:
				require.True(t, idle)
			case e.Body.Kind() == KindTry:
				read := slices.ContainsFunc(slices.Collect(maps.Keys(shown)), func(k readingKey) bool { return k.entry == e.ID })
				require.NotEqual(t, read, idle, "a try counts, or it is said why not: %s", why)
			case e.Body.Kind() == KindRetract:
				require.True(t, idle || withdrawsSomething(record, e))
			default:
				require.True(t, idle || standing[e.ID], "%T", e.Body)
			}
		}
	})
}

// withdrawsSomething reports whether anything on the subject of a retraction has been withdrawn.
func withdrawsSomething(record *Record, retraction Stamped) bool {
	return slices.ContainsFunc(record.accountsOn(retraction.Subject), func(a account) bool { return len(a.withdrawn) > 0 })
}

// A retraction without effect says so, and one with effect doesn't.
func TestPropertyARetractionWithdrawsOrSaysWhyNot(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		h := drawn(t, false)
		v := h.view()
		for i, e := range h.entries {
			if _, ok := e.Body.(*Retract); !ok {
				continue
			}
			without := h
			without.entries = slices.Delete(slices.Clone(h.entries), i, i+1)
			if why := v.Idle[e.ID]; why == WhyNothingToRetract {
				require.Equal(t, readings(without.view()), readings(v))
			}
		}
	})
}

func TestPropertyAViewTellsWhatWasSaid(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		h := drawn(t, rapid.Bool().Draw(t, "wild"))
		// One id stands for one content; the door sees to that.
		h.entries = slices.DeleteFunc(h.entries, func(e Stamped) bool { return e.ID == EntryID{} })
		requireTrue(t, h, h.view())
	})
}

func TestPropertyNothingIsTooBrokenToFold(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		h := drawn(t, true)
		for _, learner := range []LearnerID{drawnLearner(0), drawnLearner(1), {}} {
			NewRecord(h.entries).Fold(learner, h.enrolments, h.contacts, h.at)
			NewRecord(h.entries).Fold(learner, nil, nil, h.at)
		}
	})
}

func TestPropertyAViewHoldsUntilItSays(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		h := drawn(t, false)
		v := h.view()
		longest := 60 * 24 * hour
		if !v.Until.IsZero() {
			require.True(t, v.Until.After(v.At))
			longest = v.Until.Sub(v.At)
		}
		for _, part := range []time.Duration{longest - time.Nanosecond, longest / time.Duration(rapid.IntRange(2, 50).Draw(t, "part"))} {
			later := h.viewAt(h.at.Add(part))
			later.At = v.At
			require.Equal(t, v, later)
		}
	})
}

func TestPropertyEveryNightOfAProgrammeHasOneState(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		h := drawn(t, false)
		v := h.view()
		last := NightOn(1900, time.January, 1)
		for _, p := range v.Programmes {
			open := 0
			for i, n := range p.Nights {
				require.Greater(t, n.Night, last, "nights come in order, each in one programme")
				last = n.Night
				require.NotContains(t, line(&Programme{Nights: []NightView{n}}), " ")
				require.Len(t, line(&Programme{Nights: []NightView{n}}), 1)
				if n.Night <= p.LastNight {
					require.Equal(t, p.Enrolment.FirstNight+Night(i), n.Night, "every planned night is listed")
				}
				if n.State == Open || n.State == Upcoming {
					open++
				}
			}
			c := p.Counts
			require.Equal(t, len(p.Nights)-open, c.Practised+c.Excused+c.Attempted+c.Missed+c.Unheard)
			require.LessOrEqual(t, c.Practised, c.Elapsed)
			require.LessOrEqual(t, p.Streak.Current, p.Streak.Longest)
			require.LessOrEqual(t, p.Streak.Longest, c.Practised)
		}
	})
}

// A record is made once and folded by many at a time.
func TestARecordIsLeftAsItWasByAFold(t *testing.T) {
	t.Parallel()
	h := drawHistory(40, rand.New(rand.NewPCG(1, 2)).IntN, false)
	record := NewRecord(h.entries)
	want := record.Fold(drawnLearner(0), h.enrolments, h.contacts, h.at)
	var folds sync.WaitGroup
	for range 8 {
		folds.Go(func() {
			assert.Equal(t, want, record.Fold(drawnLearner(0), h.enrolments, h.contacts, h.at))
		})
	}
	folds.Wait()
}
