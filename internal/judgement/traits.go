package judgement

import (
	"swallowtail/internal/practice"
	"swallowtail/internal/stats"
)

// trait is something that is so of a programme or not: what a cohort counts.
type trait int

const (
	hasPractised      trait = iota // at least one night
	isOver                         // see [Facts]
	isOverPractised                // both
	isOverOrPractised              // either
	hasCompleted                   // and is over, and has practised
	isOffCentre                    // and has practised
	firstOfWaits                   // the traits of the waits come last
)

// The traits of one wait, from its first. Those of a night are there once for each of cohortNights.
const (
	wasFollowed  trait = iota
	hasHappened        // what was waited for
	happenedBy         // by the end of the night
	wasAtRisk    = happenedBy + trait(len(cohortNights))
	stillWaiting = wasAtRisk + trait(len(cohortNights)) // at risk on the night, and it did not happen then
	traitsOfWait = stillWaiting + trait(len(cohortNights))
	allTraits    = firstOfWaits + trait(waits)*traitsOfWait
)

// wait is something waited for.
type wait int

const (
	forSwallowing wait = iota
	forReadiness
	waits
)

// of returns a trait of the wait.
func (w wait) of(t trait) trait { return firstOfWaits + trait(w)*traitsOfWait + t }

// on returns a trait of the wait at one of cohortNights.
func (w wait) on(night int, t trait) trait { return w.of(t + trait(night)) }

// waited returns what a programme tells of the wait.
func (w wait) waited(f *Facts) Waited {
	if w == forReadiness {
		return f.Ready
	}
	return f.Swallowed
}

// appendTraits appends the traits of a programme.
func appendTraits(all []trait, f *Facts) []trait {
	add := func(t trait, so bool) {
		if so {
			all = append(all, t)
		}
	}
	practised := f.Practised > 0
	add(hasPractised, practised)
	add(isOver, f.Over)
	add(isOverPractised, f.Over && practised)
	add(isOverOrPractised, f.Over || practised)
	add(hasCompleted, f.Completed && f.Over && practised)
	add(isOffCentre, f.Leader != "" && f.Leader != practice.Centre && practised)
	for w := range waits {
		waited := w.waited(f)
		if waited.Nights < 1 {
			continue
		}
		add(w.of(wasFollowed), true)
		add(w.of(hasHappened), waited.Happened)
		for i, night := range cohortNights {
			add(w.on(i, happenedBy), waited.Happened && waited.Nights <= night)
			add(w.on(i, wasAtRisk), waited.Nights >= night)
			add(w.on(i, stillWaiting), waited.Nights > night || (waited.Nights == night && !waited.Happened))
		}
	}
	return all
}

// row is what is counted of the programmes of one age band, or of all.
type row struct {
	band     string
	at       int  // among the bands; ofAll for that of all
	untold   bool // nothing of it is told
	enrolled int
	nights   int                       // practised nights of all of them
	both     [allTraits][allTraits]int // those with two traits at once; both[a][a] is those with a
	followed [waits][]stats.Followed   // those of whom something is known
}

// ofAll is where the row of all ages is.
const ofAll = -1

func (r *row) with(a trait) int { return r.both[a][a] }

func (r *row) add(f *Facts) {
	r.enrolled++
	r.nights += f.Practised
	var room [allTraits]trait
	all := appendTraits(room[:0], f)
	for _, a := range all {
		for _, b := range all {
			r.both[a][b]++
		}
	}
	for w := range waits {
		if waited := w.waited(f); waited.Nights > 0 {
			r.followed[w] = append(r.followed[w], stats.Followed{Time: float64(waited.Nights), Happened: waited.Happened})
		}
	}
}

// merge adds the programmes of another row.
func (r *row) merge(o *row) {
	r.enrolled += o.enrolled
	r.nights += o.nights
	for a := range allTraits {
		for b := range allTraits {
			r.both[a][b] += o.both[a][b]
		}
	}
	for w := range waits {
		r.followed[w] = append(r.followed[w], o.followed[w]...)
	}
}

// split is the four parts into which two traits part those enrolled.
type split struct{ first, second, both, neither int }

func (r *row) split(a, b trait) split {
	s := split{both: r.both[a][b]}
	s.first, s.second = r.with(a)-s.both, r.with(b)-s.both
	s.neither = r.enrolled - s.first - s.second - s.both
	return s
}

// same reports whether the two traits are those of the same programmes.
func (s split) same() bool { return s.first+s.second == 0 }
