package clinic

import (
	"bytes"
	"context"
	"slices"
	"sync"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
	"swallowtail/internal/served"
)

// mostSummaries is how many octets of summaries are kept.
const mostSummaries = 8 << 20

// summaries are the clinic's summaries as they were made last, kept in memory so that reading one again takes neither the entries nor a
// fold nor a weighing. The zero value is empty. Safe for concurrent use.
//
// What is kept is served only while a fold would come to the same: the household is of the same edition, and the instant asked for is one
// at which the view holds. So it need not be told of changes, and many servers on one database may each keep their own.
type summaries struct {
	mu   sync.Mutex
	kept map[summaryOf]keptSummary
	size int
}

// summaryOf is what a summary was asked of: a learner, and an enrolment or the current one.
type summaryOf struct{ learner, enrolment uuid.UUID }

// keptSummary is a summary without the instant that it is of.
type keptSummary struct {
	learner     Learner // as of the edition
	edition     Edition
	from, until time.Time // it holds from the first on, to before the second; zero where only what it rests on can change it
	said        []byte
	says        [32]byte
}

// at returns the summary of an instant.
func (k *keptSummary) at(instant time.Time) Summed {
	return Summed{Doc: dated(k.said, instant), Says: k.says}
}

// holds tells whether the summary of an instant would be the same, if what it rests on is.
func (k *keptSummary) holds(at time.Time) bool {
	return !at.Before(k.from) && (k.until.IsZero() || at.Before(k.until))
}

func (s *summaries) of(what summaryOf) (keptSummary, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	k, is := s.kept[what]
	return k, is
}

// keep keeps a summary, and where these are too many forgets others, whichever they be.
func (s *summaries) keep(what summaryOf, k keptSummary) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.forget(what)
	for other := range s.kept {
		if s.size+len(k.said) <= mostSummaries {
			break
		}
		s.forget(other)
	}
	if s.kept == nil {
		s.kept = map[summaryOf]keptSummary{}
	}
	s.kept[what] = k
	s.size += len(k.said)
}

func (s *summaries) forget(what summaryOf) {
	s.size -= len(s.kept[what].said)
	delete(s.kept, what)
}

// undated is how the instant of a summary is written where it is left out. No text of the document can be like it, since quotation marks
// are escaped in one, and the learner's card, which alone comes before it, has no such member.
const undated = `"as_of":""`

// dated returns a document with the instant that was left out of it.
func dated(said []byte, at time.Time) []byte {
	return bytes.Replace(said, []byte(undated), []byte(`"as_of":"`+served.Instant(at)+`"`), 1)
}

// keptSummary returns the summary that was kept of what is asked for, if that is still what it would be.
func (s *Service) keptSummary(ctx context.Context, a *ask, learner uuid.UUID, q Question, now time.Time) (Summed, bool, error) {
	at, err := q.instant(a.Principal, now)
	if err != nil {
		return Summed{}, false, err
	}
	k, is := s.summaries.of(summaryOf{learner, q.Enrolment})
	if !is || !k.holds(at) || a.Role == access.RoleDevice {
		return Summed{}, false, nil
	}
	edition, err := s.Store.Edition(ctx, k.learner.Household)
	if fault.KindOf(err) == fault.NotFound || (err == nil && edition != k.edition) {
		return Summed{}, false, nil
	}
	if err == nil {
		err = a.known(&k.learner)
	}
	return k.at(at), err == nil, err
}

// knowsOfLater reports whether anything came in after an instant, as between when a call took its instant and when it read the store. A
// fold at that instant leaves out some of it, which the edition does not tell.
func (f *family) knowsOfLater(at time.Time) bool {
	return slices.ContainsFunc(f.stored, func(e Held) bool { return e.later(at) }) ||
		slices.ContainsFunc(f.devices, func(d Device) bool { return d.Heard.After(at) })
}

// keepSummary keeps a summary of now as it has just been made.
func (s *Service) keepSummary(sn *seen, q Question, said []byte, says [32]byte) {
	if !q.AsOf.IsZero() || sn.family.knowsOfLater(sn.view.At) {
		return
	}
	k := keptSummary{learner: sn.learner, edition: sn.family.edition, from: sn.view.At, until: sn.view.Until, said: said, says: says}
	if next := served.NextAgeBand(sn.learner.BirthMonth, sn.view.At); !next.IsZero() && (k.until.IsZero() || next.Before(k.until)) {
		k.until = next
	}
	s.summaries.keep(summaryOf{sn.learner.ID, q.Enrolment}, k)
}
