package served

import (
	"github.com/google/uuid"

	"swallowtail/internal/practice"
)

// Night is one night of one learner.
type Night struct {
	Learner   uuid.UUID                   `json:"learner_id"`
	Night     string                      `json:"night"`
	Status    practice.State              `json:"status"`
	Recalled  bool                        `json:"recalled"`
	Marks     []practice.Mark             `json:"marks"`
	Counted   bool                        `json:"counted"`
	Enrolment *uuid.UUID                  `json:"enrolment_id"`
	Positions []practice.Position         `json:"positions"`
	Sittings  []Sitting                   `json:"sittings"`
	Score     map[practice.Position]Score `json:"score"`
	Excuses   []Excuse                    `json:"excuses"`
	Incidents []NightIncident             `json:"incidents"`
}

// GoneNight names a night that is no more.
type GoneNight struct {
	Learner uuid.UUID `json:"learner_id"`
	Night   string    `json:"night"`
}

// Score is what counts of a position on a night.
type Score struct {
	Outcome practice.Outcome `json:"outcome"`
	Ease    practice.Ease    `json:"ease,omitzero"`
}

// Excuse is an excuse as it stands.
type Excuse struct {
	Reason practice.ExcuseReason `json:"reason"`
	Author Author                `json:"author"`
}

// NightIncident is an incident reported of a night.
type NightIncident struct {
	Entry uuid.UUID             `json:"entry"`
	What  practice.IncidentKind `json:"what"`
}

// Sitting is one occasion of practice.
type Sitting struct {
	Number     int             `json:"number"`
	Practised  string          `json:"practised_at"`
	Timezone   string          `json:"timezone"`
	Caregivers []uuid.UUID     `json:"caregivers"`
	Marks      []practice.Mark `json:"marks"`
	Sessions   []uuid.UUID     `json:"sessions"`
	Tries      []Try           `json:"tries"`
}

// Try is one try as it counts.
type Try struct {
	Position    practice.Position  `json:"position"`
	Number      int                `json:"number"`
	Medium      practice.Medium    `json:"medium"`
	SizeMM      float64            `json:"size_mm,omitzero"`
	Outcome     practice.Outcome   `json:"outcome"`
	Ease        practice.Ease      `json:"ease,omitzero"`
	Snags       []practice.Snag    `json:"snags"`
	Agreement   practice.Agreement `json:"agreement"`
	EaseRange   []practice.Ease    `json:"ease_range,omitempty"`
	Readings    []Reading          `json:"readings"`
	Settlement  *Settlement        `json:"settlement,omitzero"`
	Settlements []Settlement       `json:"past_settlements,omitempty"`
}

// Reading is one caregiver's reading of a try.
type Reading struct {
	Entry     uuid.UUID        `json:"entry"`
	Caregiver uuid.UUID        `json:"caregiver"`
	Outcome   practice.Outcome `json:"outcome"`
	Ease      practice.Ease    `json:"ease,omitzero"`
	Medium    practice.Medium  `json:"medium"`
	Snags     []practice.Snag  `json:"snags"`
	Copied    bool             `json:"copied"`
}

// Settlement is somebody's judgement of a disagreement.
type Settlement struct {
	Entry   uuid.UUID        `json:"entry"`
	Outcome practice.Outcome `json:"outcome"`
	Ease    practice.Ease    `json:"ease,omitzero"`
	Reason  string           `json:"reason"`
	By      Author           `json:"by"`
}

// NightOf returns a night as served. The programme is nil for a night outside every enrolment.
func NightOf(learner practice.LearnerID, p *practice.Programme, n *practice.NightView) Night {
	doc := Night{
		Learner: learner.UUID, Night: n.Night.String(), Status: n.State,
		Recalled: n.Has(practice.MarkRecalled), Marks: n.Marks,
		Counted: p != nil, Positions: n.Positions, Sittings: make([]Sitting, len(n.Sittings)),
		Score: make(map[practice.Position]Score, len(n.Scores)),
	}
	if p != nil {
		id := p.Enrolment.ID.UUID
		doc.Enrolment = &id
	}
	for i := range n.Sittings {
		doc.Sittings[i] = sittingOf(&n.Sittings[i])
	}
	for _, s := range n.Scores {
		doc.Score[s.Position] = Score{Outcome: s.Outcome, Ease: s.Ease}
	}
	for _, e := range n.Excuses {
		doc.Excuses = append(doc.Excuses, Excuse{Reason: e.Reason, Author: AuthorOf(e.By)})
	}
	for _, i := range n.Incidents {
		doc.Incidents = append(doc.Incidents, NightIncident{Entry: i.Entry.UUID, What: i.What})
	}
	return doc
}

func sittingOf(s *practice.SittingView) Sitting {
	doc := Sitting{
		Number: s.Number, Practised: s.Start.String(), Timezone: s.Zone, Marks: s.Marks,
		Caregivers: make([]uuid.UUID, len(s.Authors)), Sessions: make([]uuid.UUID, len(s.Subjects)), Tries: make([]Try, len(s.Tries)),
	}
	for i, a := range s.Authors {
		doc.Caregivers[i] = a.ID.UUID
	}
	for i, subject := range s.Subjects {
		doc.Sessions[i] = subject.UUID
	}
	for i := range s.Tries {
		doc.Tries[i] = tryOf(&s.Tries[i])
	}
	return doc
}

func tryOf(t *practice.TryView) Try {
	doc := Try{
		Position: t.Position, Number: t.Number, Medium: t.Medium, SizeMM: t.SizeMM, Outcome: t.Outcome, Ease: t.Ease,
		Snags: t.Snags(), Agreement: t.Agreement, Readings: readingsOf(t), Settlements: pastOf(t),
	}
	if lowest, highest := t.EaseRange(); lowest != practice.NoEase {
		doc.EaseRange = []practice.Ease{lowest, highest}
	}
	if t.Settled != nil {
		settled := settlementOf(*t.Settled)
		doc.Settlement = &settled
	}
	return doc
}

func readingsOf(t *practice.TryView) []Reading {
	docs := make([]Reading, len(t.Readings))
	for i := range t.Readings {
		r := &t.Readings[i]
		docs[i] = Reading{
			Entry: r.Entry.UUID, Caregiver: r.By.ID.UUID, Outcome: r.Outcome, Ease: r.Ease, Medium: r.Medium,
			Snags: r.Snags, Copied: r.Copied,
		}
	}
	return docs
}

func pastOf(t *practice.TryView) []Settlement {
	var docs []Settlement
	for _, s := range t.Past {
		docs = append(docs, settlementOf(s))
	}
	return docs
}

func settlementOf(s practice.Settlement) Settlement {
	return Settlement{Entry: s.Entry.UUID, Outcome: s.Outcome, Ease: s.Ease, Reason: s.Reason, By: AuthorOf(s.By)}
}
