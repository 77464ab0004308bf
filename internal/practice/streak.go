package practice

// Streak is a run of practised nights, complete or partial. An excused or attempted night neither breaks nor lengthens
// it, nor does tonight while it is open; a missed or unheard one breaks it. Evenings after the last planned one ask for
// nothing, so they can lengthen a streak but never break it.
type Streak struct {
	Current int
	Longest int
}

func streakOf(nights []NightView) Streak {
	var s Streak
	for i := range nights {
		switch nights[i].State {
		case Complete, Partial:
			s.Current++
			s.Longest = max(s.Longest, s.Current)
		case Missed, Unheard:
			s.Current = 0
		case Attempted, Excused, Open, Upcoming:
		}
	}
	return s
}

// Counts are the nights of a programme by state.
type Counts struct {
	Planned   int
	Elapsed   int // closed nights, and tonight once something is recorded or excused
	Practised int // complete and partial
	Complete  int
	Partial   int
	Excused   int
	Attempted int
	Missed    int
	Unheard   int
	Recalled  int // practised nights with something written from memory
}

func count(p *Programme, tonight Night) Counts {
	c := Counts{Planned: int(p.LastNight-p.Enrolment.FirstNight) + 1}
	for i := range p.Nights {
		n := &p.Nights[i]
		c.add(n.State)
		if elapsed(n, tonight) {
			c.Elapsed++
		}
		if n.State.Practised() && n.Has(MarkRecalled) {
			c.Recalled++
		}
	}
	c.Practised = c.Complete + c.Partial
	return c
}

// elapsed reports whether a night is behind the learner. One excused beforehand elapses when it comes; one practised ahead
// of home, in another zone, has been.
func elapsed(n *NightView, tonight Night) bool {
	switch n.State {
	case Open, Upcoming:
		return false
	case Excused:
		return n.Night <= tonight
	case Complete, Partial, Attempted, Unheard, Missed:
	}
	return true
}

func (c *Counts) add(s State) {
	switch s {
	case Complete:
		c.Complete++
	case Partial:
		c.Partial++
	case Excused:
		c.Excused++
	case Attempted:
		c.Attempted++
	case Missed:
		c.Missed++
	case Unheard:
		c.Unheard++
	case Open, Upcoming:
	}
}
