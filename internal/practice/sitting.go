package practice

import (
	"cmp"
	"slices"
	"time"
)

// session is a standing account of a session, or one that its author withdrew while another person's tries rest on it.
type session struct {
	account *account
	entry   *Stamped // the head that holds
	body    *Session
	start   Moment        // corrected
	window  time.Duration // how much later another's session may start and be the same sitting
	ghost   bool          // withdrawn by its author
	twice   bool
	sitting int // the place of its sitting among all
}

func (s *session) compare(other *session) int {
	return cmp.Or(
		cmp.Compare(s.start.unixMilli, other.start.unixMilli),
		compareIDs(s.entry.ID.UUID, other.entry.ID.UUID),
		s.account.speaker.compare(other.account.speaker))
}

// sessionOf returns the session that an account makes for a learner: of several heads, the one with the earliest start,
// then the smallest id. There is none where none is about the learner.
func sessionOf(a *account, learner LearnerID) (first session, is bool) {
	entries, ghost := a.heads, len(a.heads) == 0
	if ghost {
		entries = a.withdrawn
	}
	for _, e := range entries {
		body, ok := e.Body.(*Session)
		if !ok || e.Learner != learner {
			continue
		}
		s := session{account: a, entry: e, body: body, start: e.correct(body.Practised), ghost: ghost}
		if !is || s.compare(&first) < 0 {
			first, is = s, true
		}
	}
	return first, is
}

// sessions returns the sessions of a learner that began by an instant, by subject and author. Withdrawn ones are ghosts.
func (f *fold) collectSessions() {
	most := 0
	for i := range f.record.accounts {
		most += b2i(f.record.accounts[i].kind == KindSession)
	}
	room := make([]session, most) // in one array: one call for memory, not one for each session
	f.sessions = make([]*session, 0, most)
	for i := range f.record.accounts {
		a := &f.record.accounts[i]
		if a.kind != KindSession {
			continue
		}
		s, is := sessionOf(a, f.learner)
		switch {
		case !is:
		case s.start.unixMilli > f.at.UnixMilli():
			if !s.ghost {
				f.idle[s.entry.ID] = WhyAfterInstant
			}
			f.await(s.start.Time())
		default:
			plan, _ := f.planFor(s.start)
			s.window = plan.SittingWindow
			here := &room[len(f.sessions)]
			*here = s
			f.sessions = append(f.sessions, here)
		}
	}
}

// sessionsOn returns the sessions of a subject.
func (f *fold) sessionsOn(subject SubjectID) []*session {
	first, last := rangeOf(f.sessions, subject)
	return f.sessions[first:last]
}

// rangeOf returns where in a list of sessions, in the order of their subjects, those of one subject lie.
func rangeOf(sessions []*session, subject SubjectID) (first, last int) {
	first, _ = slices.BinarySearchFunc(sessions, subject, func(s *session, subject SubjectID) int {
		return compareIDs(s.account.subject().UUID, subject.UUID)
	})
	last = first
	for last < len(sessions) && sessions[last].account.subject() == subject {
		last++
	}
	return first, last
}

// sessionFor returns a session in whose sitting a person's try took place: any account of it, since all accounts of one
// session are one sitting. An account that its author withdrew will do for others, since a withdrawal hides nobody else's
// tries; but it takes the author's own along.
func (f *fold) sessionFor(subject SubjectID, speaker Author) (*session, Why) {
	accounts := f.sessionsOn(subject)
	if len(accounts) == 0 {
		return nil, f.whyNoSession(subject, speaker)
	}
	for _, s := range accounts {
		if s.ghost && s.account.speaker == speaker {
			return nil, WhySessionWithdrawn
		}
	}
	return accounts[0], ""
}

// whyNoSession says why none of the accounts of a session takes in a person's try.
func (f *fold) whyNoSession(subject SubjectID, speaker Author) Why {
	why := WhyNoSession
	accounts := f.record.accountsOn(subject)
	for i := range accounts {
		a := &accounts[i]
		_, about := sessionOf(a, f.learner)
		switch {
		case a.kind != KindSession:
		case a.speaker == speaker && len(a.heads) == 0:
			return WhySessionWithdrawn
		case about:
			why = WhyAfterInstant
		case why == WhyNoSession:
			why = WhyOtherLearner
		}
	}
	return why
}

// pair is two sessions that may have been one sitting.
type pair struct {
	a, b   int // places in the list of sessions, in the order of their subjects
	linked bool
	gap    int64 // milliseconds between their starts
}

// grouping joins sessions into sittings.
type grouping struct {
	sessions []*session
	group    []int // for each session, the group it is in
	members  [][]int
	apart    []map[int]bool // for each group, the groups that a link calls distinct from it
	people   [][]attendance // for each group, those with a standing session in it
}

// attendance is the standing sessions of one person in one group.
type attendance struct {
	speaker  Author
	sessions []int
	flagged  int // how many of them, from the first, have been flagged already
}

// flag flags the sessions that have not been flagged yet.
func (g *grouping) flag(a *attendance) {
	for ; a.flagged < len(a.sessions); a.flagged++ {
		g.sessions[a.sessions[a.flagged]].twice = true
	}
}

// groupSessions joins the sessions that took part in one sitting, and flags those that one caregiver seems to have
// recorded twice. The sessions must be in the order of their subjects.
func groupSessions(sessions []*session, links []*Link) [][]*session {
	g := grouping{
		sessions: sessions, group: make([]int, len(sessions)), members: make([][]int, len(sessions)),
		apart: make([]map[int]bool, len(sessions)), people: make([][]attendance, len(sessions)),
	}
	// Each session is a group of its own at first; these lie side by side in one array.
	places, attendances := make([]int, len(sessions)), make([]attendance, len(sessions))
	for i := range sessions {
		places[i] = i
		g.group[i], g.members[i] = i, places[i:i+1:i+1]
		if !sessions[i].ghost {
			attendances[i] = attendance{speaker: sessions[i].account.speaker, sessions: places[i : i+1 : i+1]}
			g.people[i] = attendances[i : i+1 : i+1]
		}
	}
	pairs := g.linkedPairs(links)
	g.joinSameSubject()
	pairs = append(pairs, g.closePairs()...)
	slices.SortFunc(pairs, func(a, b pair) int {
		if a.linked != b.linked {
			return cmp.Compare(b2i(b.linked), b2i(a.linked))
		}
		return cmp.Or(cmp.Compare(a.gap, b.gap), cmp.Compare(a.a, b.a), cmp.Compare(a.b, b.b))
	})
	for _, p := range pairs {
		g.consider(p)
	}
	return g.sittings()
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// linkedPairs returns the pairs that links call the same, and sets those apart that links call distinct. Each session is
// still a group of its own.
func (g *grouping) linkedPairs(links []*Link) []pair {
	var pairs []pair
	for _, link := range links {
		named := g.named(link)
		for i, a := range named {
			for _, b := range named[i+1:] {
				if link.Same {
					pairs = append(pairs, g.pairOf(a, b, true))
				} else {
					g.setApart(a, b)
				}
			}
		}
	}
	return pairs
}

// named returns the places of the sessions that a link names, ascending and each once.
func (g *grouping) named(link *Link) []int {
	var named []int
	for _, subject := range link.Sessions {
		first, last := rangeOf(g.sessions, subject)
		for i := first; i < last; i++ {
			named = append(named, i)
		}
	}
	slices.Sort(named)
	return slices.Compact(named)
}

// setApart notes that two groups are not to be joined.
func (g *grouping) setApart(a, b int) {
	for _, pair := range [][2]int{{a, b}, {b, a}} {
		if g.apart[pair[0]] == nil {
			g.apart[pair[0]] = map[int]bool{}
		}
		g.apart[pair[0]][pair[1]] = true
	}
}

func (g *grouping) pairOf(a, b int, linked bool) pair {
	gap := g.sessions[a].start.unixMilli - g.sessions[b].start.unixMilli
	return pair{a: min(a, b), b: max(a, b), linked: linked, gap: max(gap, -gap)}
}

// joinSameSubject joins the accounts that several people give of one session.
func (g *grouping) joinSameSubject() {
	for i := 1; i < len(g.sessions); i++ {
		if g.sessions[i].account.subject() == g.sessions[i-1].account.subject() {
			g.join(g.group[i-1], g.group[i])
		}
	}
}

// mostNear is with how many sessions after it one is compared. A family comes nowhere near; a broken device that hands in
// thousands of sessions of one hour must not make the fold slow for good.
const mostNear = 32

// closePairs returns the pairs of sessions that start at most a window apart, by the plan of the earlier, and whose clocks
// are to be trusted. Those of one caregiver are among them: they are never joined, but flagged.
func (g *grouping) closePairs() []pair {
	var trusted []int
	for i, s := range g.sessions {
		if !s.ghost && !s.entry.Suspect() {
			trusted = append(trusted, i)
		}
	}
	slices.SortFunc(trusted, func(a, b int) int {
		return cmp.Or(cmp.Compare(g.sessions[a].start.unixMilli, g.sessions[b].start.unixMilli), cmp.Compare(a, b))
	})
	var pairs []pair
	for i, a := range trusted {
		for _, b := range trusted[i+1 : min(i+1+mostNear, len(trusted))] {
			p := g.pairOf(a, b, false)
			if p.gap > g.sessions[a].window.Milliseconds() {
				break
			}
			pairs = append(pairs, p)
		}
	}
	return pairs
}

// consider joins the groups of a pair unless something forbids it.
func (g *grouping) consider(p pair) {
	a, b := g.group[p.a], g.group[p.b]
	if a == b || g.apart[a][b] {
		return
	}
	if !p.linked && g.flagShared(a, b) {
		return
	}
	g.join(a, b)
}

// flagShared flags the sessions of any caregiver who has one in either group, and reports whether there was one.
func (g *grouping) flagShared(a, b int) bool {
	shared := false
	for i := range g.people[a] {
		if there := g.attendanceOf(b, g.people[a][i].speaker); there != nil {
			g.flag(&g.people[a][i])
			g.flag(there)
			shared = true
		}
	}
	return shared
}

// join makes one group of two. What either is to stay apart from, both are.
func (g *grouping) join(a, b int) {
	if a == b {
		return
	}
	for _, i := range g.members[b] {
		g.group[i] = a
	}
	g.members[a] = append(g.members[a], g.members[b]...)
	g.members[b] = nil
	for _, there := range g.people[b] {
		g.attend(a, there)
	}
	g.people[b] = nil
	for other := range g.apart[b] {
		delete(g.apart[other], b)
		g.setApart(a, other)
	}
	g.apart[b] = nil
}

// attendanceOf returns the attendance of a person in a group, nil where there is none.
func (g *grouping) attendanceOf(group int, speaker Author) *attendance {
	for i := range g.people[group] {
		if a := &g.people[group][i]; a.speaker == speaker {
			return a
		}
	}
	return nil
}

// attend adds a person's sessions to those in a group, the flagged ones first.
func (g *grouping) attend(group int, there attendance) {
	here := g.attendanceOf(group, there.speaker)
	if here == nil {
		g.people[group] = append(g.people[group], there)
		return
	}
	here.sessions = slices.Concat(there.sessions[:there.flagged], here.sessions, there.sessions[there.flagged:])
	here.flagged += there.flagged
}

// earliest returns the first session of a sitting that stands, or the first where all are withdrawn.
func earliest(sitting []*session) *session {
	for _, s := range sitting {
		if !s.ghost {
			return s
		}
	}
	return sitting[0]
}

// sittings returns the groups, the sessions of each by start.
func (g *grouping) sittings() [][]*session {
	sittings, room := make([][]*session, 0, len(g.sessions)), make([]*session, len(g.sessions))
	for _, members := range g.members {
		if len(members) == 0 {
			continue
		}
		sitting := take(&room, len(members))
		for _, member := range members {
			sitting = append(sitting, g.sessions[member])
		}
		slices.SortFunc(sitting, (*session).compare)
		sittings = append(sittings, sitting)
	}
	return sittings
}
