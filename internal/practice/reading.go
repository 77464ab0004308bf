package practice

import (
	"cmp"
	"slices"
)

// Reading is one person's account of one try.
type Reading struct {
	Entry    EntryID
	Subject  SubjectID
	By       Author
	Medium   Medium
	SizeMM   float64 // 0 where unknown
	Snags    []Snag
	Recorded Moment
	Outcome  Outcome
	Ease     Ease // NoEase on a refusal
	Copied   bool // off paper, by a clinician
	marks    marks
}

// compareCaution orders readings from the most cautious: not swallowed, then refused, then swallowed; then the lower
// ease; then the smaller id, and of a copy that speaks for two witnesses the smaller id of theirs. It is a total order, so
// the order of arrival cannot matter.
func compareCaution(a, b Reading) int {
	return cmp.Or(
		cmp.Compare(a.Outcome.caution(), b.Outcome.caution()),
		cmp.Compare(a.Ease, b.Ease),
		compareIDs(a.Entry.UUID, b.Entry.UUID),
		a.By.compare(b.By))
}

// Agreement tells how the readings of a try stand to each other.
type Agreement string

// The agreements.
const (
	Single    Agreement = "single"    // one reading
	Agreed    Agreement = "agreed"    // the same outcome, and eases less than 2 apart
	Disagreed Agreement = "disagreed" // open: the most cautious reading counts
	Settled   Agreement = "settled"   // a settlement counts
)

// Settlement is what somebody decided about a try on which readings disagreed.
type Settlement struct {
	Entry   EntryID
	By      Author
	Outcome Outcome
	Ease    Ease
	Reason  string
}

// compareSettlements orders settlements that hold: a clinician's first, then the most cautious.
func compareSettlements(a, b Settlement) int {
	return cmp.Or(
		cmp.Compare(b2i(b.By.Role == Clinician), b2i(a.By.Role == Clinician)),
		cmp.Compare(a.Outcome.caution(), b.Outcome.caution()),
		cmp.Compare(a.Ease, b.Ease),
		compareIDs(a.Entry.UUID, b.Entry.UUID))
}

// TryView is one try of a sitting: what counts of it, and the readings it rests on.
type TryView struct {
	Position  Position
	Number    int
	Medium    Medium
	SizeMM    float64
	Outcome   Outcome
	Ease      Ease
	Agreement Agreement
	Readings  []Reading // the most cautious first
	Settled   *Settlement
	Past      []Settlement // settlements that hold no longer
}

// Counts reports whether the try was one: a refusal is not.
func (t *TryView) Counts() bool { return t.Outcome != Refused }

// EaseRange returns the lowest and the highest ease among the readings, NoEase where none has one.
func (t *TryView) EaseRange() (lowest, highest Ease) {
	for i := range t.Readings {
		r := &t.Readings[i]
		if r.Ease == NoEase {
			continue
		}
		if lowest == NoEase || r.Ease < lowest {
			lowest = r.Ease
		}
		highest = max(highest, r.Ease)
	}
	return lowest, highest
}

// Snags returns what got in the way by any reading, each snag once.
func (t *TryView) Snags() []Snag {
	var snags []Snag
	for _, snag := range Snags() {
		if t.HasSnag(snag) {
			snags = append(snags, snag)
		}
	}
	return snags
}

// HasSnag reports whether a snag got in the way by any reading.
func (t *TryView) HasSnag(snag Snag) bool {
	for i := range t.Readings {
		if slices.Contains(t.Readings[i].Snags, snag) {
			return true
		}
	}
	return false
}

// disagree reports whether readings differ in outcome, or in ease by 2 or more.
func (t *TryView) disagree() bool {
	for i := range t.Readings {
		if t.Readings[i].Outcome != t.Readings[0].Outcome {
			return true
		}
	}
	lowest, highest := t.EaseRange()
	return highest-lowest >= disagreeingEase
}

// judge decides what counts of a try: a settlement that holds, else the most cautious whole reading.
func (t *TryView) judge(settlements []*settlement) {
	slices.SortFunc(t.Readings, compareCaution)
	t.take(t.Readings[0])
	switch {
	case len(t.Readings) == 1:
		t.Agreement = Single
	case t.disagree():
		t.Agreement = Disagreed
	default:
		t.Agreement = Agreed
	}
	var holding []Settlement
	for _, s := range settlements {
		if t.holds(s) {
			holding = append(holding, s.Settlement)
			s.holds = true
		} else {
			t.Past = append(t.Past, s.Settlement)
		}
	}
	if len(holding) == 0 || len(t.Readings) == 1 {
		return
	}
	slices.SortFunc(holding, compareSettlements)
	t.settle(holding[0])
}

func (t *TryView) take(r Reading) {
	t.Medium, t.SizeMM, t.Outcome, t.Ease = r.Medium, r.SizeMM, r.Outcome, r.Ease
}

// settle lets a settlement count. What it was that was swallowed comes from the most cautious reading of its outcome.
func (t *TryView) settle(s Settlement) {
	of := slices.IndexFunc(t.Readings, func(r Reading) bool { return r.Outcome == s.Outcome })
	t.take(t.Readings[of])
	t.Ease = s.Ease
	t.Agreement = Settled
	t.Settled = &s
}

// holds reports whether a settlement judged exactly the readings there are, with an outcome that is one of theirs and an
// ease within their range.
func (t *TryView) holds(s *settlement) bool {
	outcomeIsTheirs, heads := false, 0
	for i := range t.Readings {
		r := &t.Readings[i]
		if !slices.Contains(s.judged, r.Entry) {
			return false
		}
		// One entry that speaks for two witnesses is two readings, side by side, and one head.
		if i == 0 || t.Readings[i-1].Entry != r.Entry {
			heads++
		}
		outcomeIsTheirs = outcomeIsTheirs || r.Outcome == s.Outcome
	}
	if heads != len(s.judged) {
		return false
	}
	if s.Outcome == Refused {
		return outcomeIsTheirs && s.Ease == NoEase
	}
	lowest, highest := t.EaseRange()
	return outcomeIsTheirs && lowest <= s.Ease && s.Ease <= highest
}

// settlement is a standing settlement and the heads it judged, each once.
type settlement struct {
	Settlement
	judged []EntryID
	holds  bool
	found  bool // while those of one try are gathered
}

// collectSettlements returns the learner's standing settlements by the subject of each head they judged.
func (f *fold) collectSettlements() {
	f.settlements = map[SubjectID][]*settlement{}
	f.record.heads(KindSettle, f.learner, func(a *account, e *Stamped) {
		body := e.Body.(*Settle) //nolint:forcetypeassert // heads are of the kind asked for
		s := &settlement{
			Settlement: Settlement{Entry: e.ID, By: a.speaker, Outcome: body.Outcome, Ease: body.Ease, Reason: body.Reason},
			judged:     slices.Clone(body.Judged),
		}
		slices.SortFunc(s.judged, func(a, b EntryID) int { return compareIDs(a.UUID, b.UUID) })
		s.judged = slices.Compact(s.judged)
		f.allSettlements = append(f.allSettlements, s)
		var subjects []SubjectID
		for _, id := range s.judged {
			if judged := f.record.entry(id); judged != nil && !slices.Contains(subjects, judged.Subject) {
				subjects = append(subjects, judged.Subject)
				f.settlements[judged.Subject] = append(f.settlements[judged.Subject], s)
			}
		}
	})
}

// settlementsOf returns the settlements that judged any account of which a try has a reading, by id.
func (f *fold) settlementsOf(readings []Reading) []*settlement {
	if len(f.settlements) == 0 {
		return nil
	}
	var found []*settlement
	for i := range readings {
		for _, s := range f.settlements[readings[i].Subject] {
			if !s.found {
				s.found = true
				found = append(found, s)
			}
		}
	}
	for _, s := range found {
		s.found = false
	}
	slices.SortFunc(found, func(a, b *settlement) int { return compareIDs(a.Entry.UUID, b.Entry.UUID) })
	return found
}

// placed is a standing account of a try, and the sitting it belongs to.
type placed struct {
	sitting int
	rank    int // of the position
	body    *Try
	entry   *Stamped
	account *account
}

// compareTry orders what was placed by sitting, position and number; readings of one try are equal.
func (p *placed) compareTry(other *placed) int {
	if p.sitting != other.sitting {
		return cmp.Compare(p.sitting, other.sitting)
	}
	if p.rank != other.rank {
		return cmp.Compare(p.rank, other.rank)
	}
	return cmp.Or(cmp.Compare(p.body.Position, other.body.Position), cmp.Compare(p.body.Number, other.body.Number))
}

func (p *placed) reading() Reading {
	a, e, body := p.account, p.entry, p.body
	r := Reading{
		Entry: e.ID, Subject: e.Subject, By: a.speaker, Medium: body.Medium, SizeMM: body.SizeMM,
		Outcome: body.Outcome, Ease: body.Ease, Snags: body.Snags,
		Copied: e.Author != a.speaker, Recorded: e.recorded(),
	}
	r.marks.addIf(e.Suspect(), MarkClockSuspect)
	r.marks.addIf(r.Copied, MarkCopied)
	r.marks.addIf(len(a.heads) > 1, MarkSeveralHeads)
	r.marks.addIf(a.unseenRetraction, MarkRetractionUnseen)
	return r
}

// placeReadings places every standing account of a try in its sitting, those of one try side by side.
func (f *fold) placeReadings() []placed {
	all := make([]placed, 0, len(f.record.accounts))
	f.record.heads(KindTry, f.learner, func(a *account, e *Stamped) {
		body := e.Body.(*Try) //nolint:forcetypeassert // heads are of the kind asked for
		session, why := f.sessionFor(body.Session, a.speaker)
		if session == nil {
			f.idle[e.ID] = why
			return
		}
		all = append(all, placed{
			sitting: session.sitting, rank: body.Position.rank(), body: body, entry: e, account: a,
		})
	})
	// A copy that speaks for two witnesses may have been withdrawn for one of them and still count for the other.
	for i := range all {
		delete(f.idle, all[i].entry.ID)
	}
	slices.SortFunc(all, func(a, b placed) int {
		if c := a.compareTry(&b); c != 0 {
			return c
		}
		return cmp.Or(compareIDs(a.entry.ID.UUID, b.entry.ID.UUID), a.account.speaker.compare(b.account.speaker))
	})
	return all
}

func countTries(readings []placed) int {
	n := 0
	for i := range readings {
		if i == 0 || readings[i-1].compareTry(&readings[i]) != 0 {
			n++
		}
	}
	return n
}

// collectTries brings the readings of each try together and judges it. Readings and tries lie in one array each, in which
// those of a sitting are side by side: a fold then asks for memory twice, not once for each try.
func (f *fold) collectTries() {
	rest := f.placeReadings()
	readings, tries := make([]Reading, 0, len(rest)), make([]TryView, 0, countTries(rest))
	for len(rest) > 0 {
		first := rest[0]
		from := len(readings)
		for len(rest) > 0 && first.compareTry(&rest[0]) == 0 {
			readings = append(readings, rest[0].reading())
			rest = rest[1:]
		}
		try := TryView{
			Position: first.body.Position, Number: first.body.Number, Readings: readings[from:len(readings):len(readings)],
		}
		try.judge(f.settlementsOf(try.Readings))
		tries = append(tries, try)
		sitting := &f.sittings[first.sitting]
		sitting.addReadings(try.Readings)
		sitting.Tries = tries[len(tries)-len(sitting.Tries)-1 : len(tries) : len(tries)]
	}
	for _, s := range f.allSettlements {
		if !s.holds {
			f.idle[s.Entry] = WhyStaleSettlement
		}
	}
}
