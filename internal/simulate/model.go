package simulate

import (
	"cmp"
	"slices"
	"time"

	"github.com/go-json-experiment/json"

	"swallowtail/api/client"
	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

// model works out, from the entries in the store, what must be true of the nights. It is a second, much plainer reading
// of the rules: it knows no nights, no sittings by time and no marks.
type model struct {
	world *World
	said  []said
	at    map[string]int // by id
	taken map[string]bool
}

// said is a stored entry as the model reads it.
type said struct {
	client.Entry
	author  practice.Author
	status  practice.Status
	offset  time.Duration
	session client.SessionBody
	try     client.TryBody
}

func (w *World) model(stored []clinic.StoredEntry) *model {
	m := &model{world: w, at: map[string]int{}, taken: map[string]bool{}}
	for i := range stored {
		e := &stored[i]
		s := said{author: e.Author, status: e.Status, offset: e.ClockOffset}
		if json.Unmarshal(e.Sent, &s.Entry) != nil {
			continue
		}
		switch s.Kind {
		case client.KindSession:
			_ = json.Unmarshal(s.Body, &s.session) // what can't be read is quarantined
		case client.KindTry:
			_ = json.Unmarshal(s.Body, &s.try) // as above
		}
		m.at[s.ID] = len(m.said)
		m.said = append(m.said, s)
	}
	m.review()
	return m
}

// review finds out which entries that were set aside are taken. One review that leaves an entry prevails.
func (m *model) review() {
	left := map[string]bool{}
	for i := range m.said {
		var body client.ReviewBody
		if m.said[i].Kind != client.KindReview || json.Unmarshal(m.said[i].Body, &body) != nil {
			continue
		}
		m.taken[body.Entry] = true
		left[body.Entry] = left[body.Entry] || !body.Take
	}
	for id := range left {
		m.taken[id] = m.taken[id] && !left[id]
	}
}

// counts reports whether an entry is testimony.
func (m *model) counts(s *said) bool {
	return s.status == practice.Accepted || (s.status == practice.SetAside && m.taken[s.ID])
}

// account returns what one author says of one subject, all of it.
func (m *model) account(subject string, author practice.Author) (all []*said) {
	for i := range m.said {
		if s := &m.said[i]; s.Subject == subject && s.author == author && m.counts(s) {
			all = append(all, s)
		}
	}
	return all
}

// heads returns the entries of an account that no other of it replaces, retractions only where nothing else stands.
func heads(account []*said) (heads []*said) {
	for _, s := range account {
		if !slices.ContainsFunc(account, func(other *said) bool { return other != s && slices.Contains(other.Replaces, s.ID) }) {
			heads = append(heads, s)
		}
	}
	if standing := slices.DeleteFunc(slices.Clone(heads), (*said).retracts); len(standing) > 0 {
		return standing
	}
	return nil
}

func (s *said) retracts() bool { return s.Kind == client.KindRetract }

// stands reports whether an entry is a head.
func (m *model) stands(s *said) bool {
	return m.counts(s) && slices.Contains(heads(m.account(s.Subject, s.author)), s)
}

// begun is what the model can tell of whether a try was in a session that had begun.
type begun int

const (
	no begun = iota
	yes
	perhaps // the session is withdrawn by another, and which of its versions holds its place the model does not know
)

// inSession tells whether a try of an author was in a session that had begun: anybody's account of it will do, but a
// session that its author has withdrawn takes the author's own tries along.
func (m *model) inSession(subject string, author practice.Author) begun {
	answer := no
	for _, a := range m.authorsOf(subject) {
		account := m.account(subject, a)
		standing := heads(account)
		if len(standing) == 0 && a == author {
			return no
		}
		if len(standing) > 0 {
			answer = max(answer, b2begun(m.begins(standing)))
		} else if m.begins(account) {
			answer = perhaps
		}
	}
	return answer
}

func b2begun(b bool) begun {
	if b {
		return yes
	}
	return no
}

// authorsOf returns who says anything of a subject as of a session.
func (m *model) authorsOf(subject string) (authors []practice.Author) {
	for i := range m.said {
		s := &m.said[i]
		if s.Subject == subject && s.Kind == client.KindSession && m.counts(s) && !slices.Contains(authors, s.author) {
			authors = append(authors, s.author)
		}
	}
	return authors
}

// begins reports whether the earliest of an account's sessions had begun.
func (m *model) begins(account []*said) bool {
	return slices.ContainsFunc(account, func(s *said) bool {
		start := s.session.PractisedAt
		if s.offset.Abs() > clockTrust {
			start = start.Add(s.offset)
		}
		return s.Kind == client.KindSession && !start.After(m.world.now)
	})
}

// clockTrust is how far a clock may be off before its times are corrected.
const clockTrust = 5 * time.Minute

// reading is what one entry says of a try.
type reading struct {
	outcome string
	ease    int
}

// readings returns what must be read somewhere in the nights, and what may be, by entry: each standing try of a caregiver in
// a session that had begun.
func (m *model) readings() (must, may map[string]reading) {
	must, may = map[string]reading{}, map[string]reading{}
	for i := range m.said {
		s := &m.said[i]
		if s.Kind != client.KindTry || s.author.Role != practice.Caregiver || !m.stands(s) {
			continue
		}
		switch m.inSession(s.try.Session, s.author) {
		case yes:
			must[s.ID] = reading{s.try.Outcome, s.try.Ease}
		case perhaps:
			may[s.ID] = reading{s.try.Outcome, s.try.Ease}
		}
	}
	return must, may
}

// unseenEdits returns the tries that stand although a retraction by the same author names their subject.
func (m *model) unseenEdits() (ids []string) {
	for i := range m.said {
		s := &m.said[i]
		if s.Kind == client.KindTry && m.stands(s) && slices.ContainsFunc(m.account(s.Subject, s.author), (*said).retracts) {
			ids = append(ids, s.ID)
		}
	}
	return ids
}

// caution orders outcomes from the most cautious.
func caution(outcome string) int {
	return slices.Index([]string{"not_swallowed", "refused", "swallowed"}, outcome)
}

// settlement is a settlement that stands.
type settlement struct {
	id       string
	body     client.SettleBody
	byClinic bool
}

func (m *model) settlements() (standing []settlement) {
	for i := range m.said {
		s := &m.said[i]
		if s.Kind != client.KindSettle || !m.stands(s) {
			continue
		}
		var body client.SettleBody
		if json.Unmarshal(s.Body, &body) == nil {
			standing = append(standing, settlement{s.ID, body, s.author.Role == practice.Clinician})
		}
	}
	slices.SortFunc(standing, func(a, b settlement) int {
		return cmp.Or(cmp.Compare(b2i(b.byClinic), b2i(a.byClinic)), cmp.Compare(caution(a.body.Outcome), caution(b.body.Outcome)),
			cmp.Compare(a.body.Ease, b.body.Ease), cmp.Compare(a.id, b.id))
	})
	return standing
}

// links returns the sessions that standing links call distinct, and those that they call the same.
func (m *model) links() (distinct, same [][2]string) {
	for i := range m.said {
		s := &m.said[i]
		var body client.LinkBody
		if s.Kind != client.KindLink || !m.stands(s) || json.Unmarshal(s.Body, &body) != nil {
			continue
		}
		if body.Same {
			same = append(same, body.Sessions)
		} else {
			distinct = append(distinct, body.Sessions)
		}
	}
	return distinct, same
}

// onHold reports whether an incident is not cleared.
func (m *model) onHold() bool {
	cleared := map[string]bool{}
	for i := range m.said {
		s := &m.said[i]
		var body client.ClearBody
		if s.Kind == client.KindClear && m.stands(s) && json.Unmarshal(s.Body, &body) == nil {
			for _, id := range body.Incidents {
				cleared[id] = true
			}
		}
	}
	return slices.ContainsFunc(m.said, func(s said) bool { return s.Kind == client.KindIncident && !cleared[s.ID] })
}
