package judgement

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"swallowtail/internal/practice"
	"swallowtail/internal/stats"
)

// Facts is what a cohort needs of one programme that has begun.
type Facts struct {
	Plan      string            // the id of one version of a plan
	AgeBand   string            // at the first night; empty where it is not known
	Practised int               // practised nights
	Over      bool              // every night has closed, or the programme has been ended
	Completed bool              // as many practised nights as the plan wants
	Leader    practice.Position // empty where no position leads
	Swallowed Waited            // until the first sweet that was swallowed
	Ready     Waited            // until every criterion of readiness was met for the first time
}

// Waited is how many nights somebody was followed, the first night being 1, and whether what was waited for happened on the
// last of them. Of somebody with 0 nights nothing is known.
type Waited struct {
	Nights   int
	Happened bool
}

// Told is a figure that is told, or nothing where telling it would tell of too few.
type Told[T any] struct {
	value T
	known bool
}

// Get returns the figure; false where it is not told.
func (t Told[T]) Get() (T, bool) { return t.value, t.known }

// tell returns a figure where it may be told.
func tell[T any](may bool, value T) Told[T] {
	if !may {
		return Told[T]{}
	}
	return Told[T]{value, true}
}

// Cohort is how those do who began a programme of one plan. Plans are never added up: they ask for different things.
type Cohort struct {
	Plan    string
	AllAges Block
	Bands   []Band // each that somebody is in, the youngest first; those of unknown age, whose band is empty, last
}

// Band is an age band.
type Band struct {
	AgeBand string
	Block
}

// Block is the figures of those in one band, or of all ages. Where even Enrolled is not told, nothing is: they are too few,
// or would tell how many are in a band of too few.
//
// Shares and means are of those enrolled and of those with a practised night: the first count those who never began to
// practise as if they had failed, the second pass them over.
type Block struct {
	Enrolled  Told[int]
	Practised Told[int] // those with at least one practised night
	Over      Told[int]
	// The mean number of practised nights.
	NightsPerEnrolled, NightsPerPractised Told[float64]
	// Completed is those with as many practised nights as the plan wants, among the programmes that are over: of all those,
	// and of those with a practised night.
	Completed, CompletedOfPractised Told[Proportion]
	// OffCentre is those with a practised night for whom a position other than the centre leads: of the enrolled, and of those
	// with a practised night.
	OffCentre, OffCentreOfPractised Told[Proportion]
	Swallowed, Ready                Waiting
}

// Proportion is a share of programmes, 0 to 1, with its 95 % score interval; see [stats.Wilson].
type Proportion struct {
	Count, Of int
	Share     float64
	Interval  stats.Interval
}

// Waiting is how long something takes, in nights: the product-limit estimate with log-log limits of [stats.SurvivalOf], at
// 95 %. Those who dropped out count for as long as they were followed, and are taken to be like those who went on. Where
// they left because it went badly, every share here is too high.
type Waiting struct {
	// Followed is those of whom at least one night is known. The others give no information.
	Followed, NotFollowed Told[int]
	Events                Told[int]
	Median                Told[Median]
	Nights                []WaitingNight // one for each of [CohortNights]; none where nothing of the block is told
}

// Median is the night by which half have reached what is waited for, not reached where that is not seen, and its limits, of
// which either may not be there.
type Median struct{ At, Low, High stats.Reached }

// WaitingNight is how far those who wait have come by the end of a night.
type WaitingNight struct {
	Night   int
	Reached Told[ReachedShare]
	// AtRisk is how many were followed on that night and still waiting when it began, rounded down to whole fives: the exact
	// number would tell of single drop-outs.
	AtRisk Told[int]
}

// ReachedShare is 1 less the product-limit estimate, 0 to 1, with its limits, each rounded to a hundredth: all the
// digits would tell on which night a single one dropped out.
type ReachedShare struct {
	Share  float64
	Limits stats.Interval
}

// confidence is that of every interval of a cohort.
const confidence = 0.95

// CohortNights are the nights at which it is told how many have reached what they wait for.
func CohortNights() []int { return slices.Clone(cohortNights[:]) }

var cohortNights = [...]int{3, 7, 10, 14}

// CohortsOf returns how those do who began a programme, plan by plan in the order of their ids. The order of the facts does not
// matter.
//
// Where few are counted, somebody who knows one of them could learn something about that one. So no number of fewer than
// [Fewest] programmes can be read from what is told of a plan, nor worked out by subtracting, and none is no exception.
//
// A band or a plan with fewer enrolled tells nothing. A number is told where it is as many or more, and so are the others
// enrolled. What one age band hides could be had by subtracting the bands that tell it from all ages: so those that hide a
// number are two or more, and all of them together pass the test that a band has to pass. Until they do, the smallest band
// that still tells it hides it too; where that does not help, it is told of nobody, not even of all ages.
//
// Numbers could also be subtracted from one another, such as those for whom a position off the centre leads from those who
// practised, or events by one night from those by a later one. So numbers are settled one after another, those that most
// bands can tell first, and each must keep as far from those settled before as it must from none and from all enrolled: from
// every number that counts all of its programmes or none of them, and from every number of which it counts all or all the
// others. In bands that hide it together, what counts is the nearest in each. Whether programmes lie within one another is
// seen from the facts; it may be so by chance, and then more is hidden than need be.
//
// The other figures follow. A share is told where both its numbers are. A mean is told where enough practised, among twice as
// many or more, and not so often that all must have; its sum is covered over the bands as a number is, and how many practised
// is told only if the nights leave that open for the bands that hide it. By a night, the share that has reached something is
// told where the number is and as many as must be counted were followed to its end and still waited. A median is told where
// as many reached it, among twice as many or more, and as many were followed beyond it and still waited.
//
// What two cohorts of different days give away when they are compared is not looked at here.
func CohortsOf(facts []Facts) []Cohort {
	byPlan := map[string][]*Facts{}
	for i := range facts {
		byPlan[facts[i].Plan] = append(byPlan[facts[i].Plan], &facts[i])
	}
	var all []Cohort
	for _, plan := range slices.Sorted(maps.Keys(byPlan)) {
		all = append(all, cohortOf(plan, byPlan[plan]))
	}
	return all
}

func cohortOf(plan string, facts []*Facts) Cohort {
	t := tableOf(facts)
	t.settle()
	c := Cohort{Plan: plan, AllAges: t.block(t.whole)}
	for _, r := range t.rows {
		c.Bands = append(c.Bands, Band{r.band, t.block(r)})
	}
	return c
}

// compareBands puts the younger first, by the first year of a band, and no band last.
func compareBands(a, b string) int {
	return cmp.Or(cmp.Compare(firstYear(a), firstYear(b)), cmp.Compare(a, b))
}

// firstYear returns the number that a band begins with, such as 8 of "8-11", and more than any where there is none.
func firstYear(band string) int {
	end := strings.IndexFunc(band+".", func(r rune) bool { return r < '0' || r > '9' })
	year, err := strconv.Atoi(band[:end])
	if err != nil {
		return math.MaxInt
	}
	return year
}

// block fills in what is told of a row.
func (t *table) block(r *row) Block {
	if r.untold {
		return Block{}
	}
	tells := func(a trait) bool { return r.tells(t.columns[a]) }
	count := func(a trait) Told[int] { return tell(tells(a), r.with(a)) }
	share := func(a, of trait) Told[Proportion] {
		return tell(tells(a) && tells(of), proportion(r.with(a), r.with(of)))
	}
	means := r.tells(t.means)
	return Block{
		Enrolled:             tell(true, r.enrolled),
		Practised:            count(hasPractised),
		Over:                 count(isOver),
		NightsPerEnrolled:    tell(means, float64(r.nights)/float64(r.enrolled)),
		NightsPerPractised:   tell(means && tells(hasPractised), float64(r.nights)/float64(r.with(hasPractised))),
		Completed:            share(hasCompleted, isOver),
		CompletedOfPractised: share(hasCompleted, isOverPractised),
		OffCentre:            tell(tells(isOffCentre), proportion(r.with(isOffCentre), r.enrolled)),
		OffCentreOfPractised: share(isOffCentre, hasPractised),
		Swallowed:            t.waiting(r, forSwallowing),
		Ready:                t.waiting(r, forReadiness),
	}
}

func proportion(count, of int) Proportion {
	return Proportion{count, of, float64(count) / float64(max(1, of)), stats.Wilson(count, of, confidence)}
}

// waiting fills in what is told of how long something takes.
func (t *table) waiting(r *row, w wait) Waiting {
	survival := stats.SurvivalOf(r.followed[w], confidence)
	followed, events := t.columns[w.of(wasFollowed)], t.columns[w.of(hasHappened)]
	all := Waiting{
		Followed:    tell(r.tells(followed), r.with(w.of(wasFollowed))),
		NotFollowed: tell(r.tells(followed), r.enrolled-r.with(w.of(wasFollowed))),
		Events:      tell(r.tells(events), r.with(w.of(hasHappened))),
	}
	for i, night := range cohortNights {
		told := r.tells(t.columns[w.on(i, happenedBy)]) && r.with(w.on(i, stillWaiting)) >= Fewest
		n := WaitingNight{Night: night}
		if told {
			n.Reached = tell(true, reachedBy(night, &survival))
			n.AtRisk = tell(r.tells(t.columns[w.on(i, wasAtRisk)]), r.with(w.on(i, wasAtRisk))/Fewest*Fewest)
		}
		all.Nights = append(all.Nights, n)
	}
	all.Median = r.median(w, &survival)
	return all
}

// median returns the night by which half have reached what they wait for, where enough have and enough were still followed
// and waiting after it, or at the end where half have not. What lies between two nights is told as the later one. A limit
// after which too few wait is not told.
func (r *row) median(w wait, s *stats.Survival) Told[Median] {
	if r.enrolled < 2*Fewest || r.with(w.of(hasHappened)) < Fewest {
		return Told[Median]{}
	}
	told := func(at stats.Reached) stats.Reached {
		at.Time = math.Ceil(at.Time)
		if !at.Is || r.waitingAfter(w, at.Time) < Fewest {
			return stats.Reached{}
		}
		return at
	}
	at := told(s.Median)
	may := at.Is || (!s.Median.Is && r.waitingAfter(w, s.Steps[len(s.Steps)-1].Time) >= Fewest)
	return tell(may, Median{at, told(s.MedianLow), told(s.MedianHigh)})
}

// waitingAfter counts those who were followed to the end of a night and still waited.
func (r *row) waitingAfter(w wait, night float64) int {
	n := 0
	for _, f := range r.followed[w] {
		if f.Time > night || (f.Time == night && !f.Happened) {
			n++
		}
	}
	return n
}

// reachedBy returns the share that has reached what is waited for by a night, with its limits. They are defined: some have
// and some at risk have not.
func reachedBy(night int, s *stats.Survival) ReachedShare {
	var last stats.Step
	for _, step := range s.Steps {
		if step.Time <= float64(night) {
			last = step
		}
	}
	return ReachedShare{
		Share:  hundredth(1 - last.Survival),
		Limits: stats.Interval{Low: hundredth(1 - last.Limits.High), High: hundredth(1 - last.Limits.Low)},
	}
}

func hundredth(v float64) float64 { return math.Round(100*v) / 100 }
