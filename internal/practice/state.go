package practice

import (
	"slices"
	"time"
)

// State is what became of a night.
type State string

// The states, in the order in which they are considered: the first that applies.
const (
	Complete  State = "complete"  // every position in use that night was tried on a sweet
	Partial   State = "partial"   // at least one was
	Attempted State = "attempted" // something was recorded, but no sweet tried
	Excused   State = "excused"
	Upcoming  State = "upcoming"
	Open      State = "open"    // tonight, with nothing recorded yet
	Unheard   State = "unheard" // closed with nothing recorded, while somebody has not been heard from since
	Missed    State = "missed"
)

// Practised reports whether a night in this state was practised.
func (s State) Practised() bool { return s == Complete || s == Partial }

// Score is what counts of a position on a night: its first try on a sweet.
type Score struct {
	Position Position
	Outcome  Outcome
	Ease     Ease
	SizeMM   float64
}

// NightView is one night.
type NightView struct {
	Night     Night
	State     State
	Positions []Position // in use that night
	Sittings  []SittingView
	Scores    []Score // in the order of positions
	Excuses   []NightExcuse
	Incidents []NightIncident
	Marks     []Mark
	Known     time.Time // when anything about the night was first received; zero where nothing was
}

// Has reports whether the night bears a mark.
func (n *NightView) Has(mark Mark) bool { return slices.Contains(n.Marks, mark) }

// recordedNights returns the nights with something recorded or excused, in order, their states not yet judged.
func (f *fold) recordedNights() []NightView {
	nights := make([]NightView, 0, len(f.sittings)+len(f.notes))
	views := make([]SittingView, len(f.sittings))
	rest := f.sittings
	for len(rest) > 0 {
		n := 1
		for n < len(rest) && rest[n].night == rest[0].night {
			n++
		}
		nights = append(nights, f.nightOf(rest[:n], take(&views, n)))
		rest = rest[n:]
	}
	for night, notes := range f.notes {
		at := slices.IndexFunc(nights, func(n NightView) bool { return n.Night == night })
		if at < 0 {
			nights = append(nights, NightView{Night: night, Positions: f.positionsOn(night)})
			at = len(nights) - 1
		}
		nights[at].Excuses, nights[at].Incidents = notes.excuses, notes.incidents
		nights[at].Known = notes.known
	}
	slices.SortFunc(nights, func(a, b NightView) int { return int(a.Night) - int(b.Night) })
	f.markWrittenTogether(nights)
	for i := range nights {
		f.finish(&nights[i])
	}
	return nights
}

// nightOf makes a night of its sittings, of which it puts the views where there is space for them.
func (f *fold) nightOf(sittings []sitting, views []SittingView) NightView {
	n := NightView{Night: sittings[0].night, Positions: f.positionsOn(sittings[0].night)}
	for i := range sittings {
		views = append(views, sittings[i].SittingView)
	}
	n.Sittings = views
	n.Scores = scores(n.Sittings)
	return n
}

// finish lists the marks of a night and its sittings, and judges what was recorded on it.
func (f *fold) finish(n *NightView) {
	var all marks
	for i := range n.Sittings {
		s := &n.Sittings[i]
		s.Marks = s.marks.list()
		all |= s.marks
		n.Known = earlier(n.Known, s.Known)
	}
	n.Marks = all.list()
	n.State = recordedState(n)
}

// scores returns the first try on a sweet in each position: in the earliest sitting, with the lowest number.
func scores(sittings []SittingView) []Score {
	found := make([]Score, 0, len(Positions()))
	for _, position := range Positions() {
		if try := firstOnSweet(sittings, position); try != nil {
			found = append(found, Score{Position: position, Outcome: try.Outcome, Ease: try.Ease, SizeMM: try.SizeMM})
		}
	}
	return found
}

func firstOnSweet(sittings []SittingView, position Position) *TryView {
	for i := range sittings {
		for j := range sittings[i].Tries {
			try := &sittings[i].Tries[j]
			if try.Position == position && try.Medium == Sweet && try.Counts() {
				return try
			}
		}
	}
	return nil
}

// recordedState returns the state of a night on which something was recorded or excused, empty where nothing was.
func recordedState(n *NightView) State {
	switch {
	case len(n.Scores) > 0 && triedAll(n):
		return Complete
	case len(n.Scores) > 0:
		return Partial
	case len(n.Sittings) > 0 || len(n.Incidents) > 0:
		return Attempted
	case len(n.Excuses) > 0:
		return Excused
	}
	return ""
}

func triedAll(n *NightView) bool {
	for _, position := range n.Positions {
		if !slices.ContainsFunc(n.Scores, func(s Score) bool { return s.Position == position }) {
			return false
		}
	}
	return len(n.Positions) > 0
}

// programme returns an enrolment's nights, every planned one and those after it with something recorded.
func (f *fold) programme(s *span, recorded []NightView) Programme {
	p := Programme{Enrolment: s.enrolment, LastNight: min(s.enrolment.planned(), s.last)}
	from, _ := slices.BinarySearchFunc(recorded, s.first, func(n NightView, night Night) int {
		return int(n.Night) - int(night)
	})
	rest := recorded[from:]
	p.Nights = make([]NightView, 0, max(0, int(p.LastNight-s.first)+1))
	for night := s.first; night <= p.LastNight; night++ {
		if len(rest) > 0 && rest[0].Night == night {
			p.Nights = append(p.Nights, rest[0])
			rest = rest[1:]
			continue
		}
		p.Nights = append(p.Nights, NightView{Night: night, Positions: f.positionsOn(night)})
	}
	for _, n := range rest {
		if n.Night > s.last {
			break
		}
		p.Nights = append(p.Nights, n)
	}
	f.judgeNights(&p)
	p.Counts, p.Streak = count(&p, s.enrolment.Tonight(f.at)), streakOf(p.Nights)
	return p
}

// judgeNights gives the nights with nothing recorded their states.
func (f *fold) judgeNights(p *Programme) {
	e := p.Enrolment
	tonight := e.Tonight(f.at)
	// The last night listed may be an evening after the planned ones, excused beforehand.
	if last := len(p.Nights) - 1; last >= 0 && tonight <= p.Nights[last].Night {
		f.until(e.Closes(max(tonight, p.Nights[0].Night-1)))
	}
	for i := range p.Nights {
		n := &p.Nights[i]
		switch {
		case n.State != "":
		case n.Night > tonight:
			n.State = Upcoming
		case n.Night == tonight:
			n.State = Open
		case f.heardFromAllSince(e.Closes(n.Night), e.Plan.SilentAfter):
			n.State = Missed
		default:
			n.State = Unheard
		}
	}
}

// heardFromAllSince reports whether every caregiver with an active device has been heard from since a night closed.
// Devices silent for too long are not waited for, unless none is left.
func (f *fold) heardFromAllSince(closed time.Time, silentAfter time.Duration) bool {
	awaited := func(c Contact) bool { return c.active() && f.at.Sub(c.lastSign()) < silentAfter }
	if !slices.ContainsFunc(f.contacts, awaited) {
		awaited = func(c Contact) bool { return c.active() }
	}
	anybody := false
	for _, c := range f.contacts {
		if !awaited(c) {
			continue
		}
		f.until(c.lastSign().Add(silentAfter))
		if !f.heardFromSince(c.Owner, closed) {
			return false
		}
		anybody = true
	}
	return anybody
}

// lastSign is when the device was last heard from, or enrolled where it never was.
func (c Contact) lastSign() time.Time {
	if c.Heard.IsZero() {
		return c.Enrolled
	}
	return c.Heard
}

func (f *fold) heardFromSince(owner PersonID, closed time.Time) bool {
	return slices.ContainsFunc(f.contacts, func(c Contact) bool {
		return c.Owner == owner && c.active() && !c.Heard.IsZero() && !c.Heard.Before(closed)
	})
}
