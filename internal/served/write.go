package served

import (
	"maps"
	"slices"

	"swallowtail/internal/practice"
)

// The documents that write themselves, for every upload brings them forth: nights and roster lines.

// WriteJSON implements [Writer].
func (n Night) WriteJSON(p *Pen) {
	p.Open('{')
	p.Name("learner_id").ID(n.Learner)
	p.Name("night").Text(n.Night)
	p.Name("status").Text(string(n.Status))
	p.Name("recalled").Truth(n.Recalled)
	Texts(p.Name("marks"), n.Marks)
	p.Name("counted").Truth(n.Counted)
	p.Name("enrolment_id").IDOrNull(n.Enrolment)
	Texts(p.Name("positions"), n.Positions)
	Each(p.Name("sittings"), n.Sittings, (*Sitting).write)
	writeScore(p.Name("score"), n.Score)
	Each(p.Name("excuses"), n.Excuses, (*Excuse).write)
	Each(p.Name("incidents"), n.Incidents, (*NightIncident).write)
	p.Close('}')
}

// writeScore writes what counts of each position, by name.
func writeScore(p *Pen, score map[practice.Position]Score) {
	positions := slices.AppendSeq(make([]practice.Position, 0, 5), maps.Keys(score))
	slices.Sort(positions)
	p.Open('{')
	for _, position := range positions {
		s := score[position]
		p.Name(string(position)).Open('{')
		p.Name("outcome").Text(string(s.Outcome))
		p.ease(s.Ease)
		p.Close('}')
	}
	p.Close('}')
}

// ease writes an ease as a member, where there is one.
func (p *Pen) ease(ease practice.Ease) {
	if ease != practice.NoEase {
		p.Name("ease").Whole(int64(ease))
	}
}

func (e *Excuse) write(p *Pen) {
	p.Open('{')
	p.Name("reason").Text(string(e.Reason))
	e.Author.Write(p.Name("author"))
	p.Close('}')
}

// Write writes an author.
func (a *Author) Write(p *Pen) {
	p.Open('{')
	p.Name("role").Text(a.Role)
	p.Name("id").ID(a.ID)
	p.Close('}')
}

func (i *NightIncident) write(p *Pen) {
	p.Open('{')
	p.Name("entry").ID(i.Entry)
	p.Name("what").Text(string(i.What))
	p.Close('}')
}

func (s *Sitting) write(p *Pen) {
	p.Open('{')
	p.Name("number").Whole(int64(s.Number))
	p.Name("practised_at").Text(s.Practised)
	p.Name("timezone").Text(s.Timezone)
	p.Name("caregivers").IDs(s.Caregivers)
	Texts(p.Name("marks"), s.Marks)
	p.Name("sessions").IDs(s.Sessions)
	Each(p.Name("tries"), s.Tries, (*Try).write)
	p.Close('}')
}

func (t *Try) write(p *Pen) {
	p.Open('{')
	p.Name("position").Text(string(t.Position))
	p.Name("number").Whole(int64(t.Number))
	p.Name("medium").Text(string(t.Medium))
	if t.SizeMM != 0 {
		p.Name("size_mm").Number(t.SizeMM)
	}
	p.Name("outcome").Text(string(t.Outcome))
	p.ease(t.Ease)
	Texts(p.Name("snags"), t.Snags)
	p.Name("agreement").Text(string(t.Agreement))
	if len(t.EaseRange) > 0 {
		p.Name("ease_range").Open('[')
		for _, ease := range t.EaseRange {
			p.Whole(int64(ease))
		}
		p.Close(']')
	}
	Each(p.Name("readings"), t.Readings, (*Reading).write)
	if t.Settlement != nil {
		t.Settlement.write(p.Name("settlement"))
	}
	if len(t.Settlements) > 0 {
		Each(p.Name("past_settlements"), t.Settlements, (*Settlement).write)
	}
	p.Close('}')
}

func (r *Reading) write(p *Pen) {
	p.Open('{')
	p.Name("entry").ID(r.Entry)
	p.Name("caregiver").ID(r.Caregiver)
	p.Name("outcome").Text(string(r.Outcome))
	p.ease(r.Ease)
	p.Name("medium").Text(string(r.Medium))
	Texts(p.Name("snags"), r.Snags)
	p.Name("copied").Truth(r.Copied)
	p.Close('}')
}

func (s *Settlement) write(p *Pen) {
	p.Open('{')
	p.Name("entry").ID(s.Entry)
	p.Name("outcome").Text(string(s.Outcome))
	p.ease(s.Ease)
	p.Name("reason").Text(s.Reason)
	s.By.Write(p.Name("by"))
	p.Close('}')
}

// WriteJSON implements [Writer].
func (l RosterLine) WriteJSON(p *Pen) {
	p.Open('{')
	l.Learner.write(p.Name("learner"))
	p.Name("household_id").ID(l.Household)
	if l.Enrolment != nil {
		p.Name("enrolment_id").ID(*l.Enrolment)
	}
	if l.Status != "" {
		p.Name("enrolment_status").Text(l.Status)
	}
	l.Nights.write(p.Name("nights"))
	p.Name("streak").Open('{')
	p.Name("current").Whole(int64(l.Streak.Current))
	p.Name("longest").Whole(int64(l.Streak.Longest))
	p.Close('}')
	if l.Leader != "" {
		p.Name("leader").Text(string(l.Leader))
	}
	if l.Verdict != "" {
		p.Name("verdict").Text(string(l.Verdict))
	}
	Texts(p.Name("reasons"), l.Reasons)
	p.Name("hold").Truth(l.Hold)
	p.Name("open_disagreements").Whole(int64(l.Disagreements))
	Texts(p.Name("flags"), l.Flags)
	p.Name("last_heard_at").TextOrNull(l.LastHeard)
	p.Close('}')
}

func (c *LearnerCard) write(p *Pen) {
	p.Open('{')
	p.Name("id").ID(c.ID)
	p.Name("nickname").Text(c.Nickname)
	p.Name("age_band").TextOrNull(c.AgeBand)
	p.Close('}')
}

func (c *Counts) write(p *Pen) {
	p.Open('{')
	p.Name("planned").Whole(int64(c.Planned))
	p.Name("elapsed").Whole(int64(c.Elapsed))
	p.Name("practised").Whole(int64(c.Practised))
	p.Name("complete").Whole(int64(c.Complete))
	p.Name("partial").Whole(int64(c.Partial))
	p.Name("excused").Whole(int64(c.Excused))
	p.Name("attempted").Whole(int64(c.Attempted))
	p.Name("missed").Whole(int64(c.Missed))
	p.Name("unheard").Whole(int64(c.Unheard))
	p.Name("recalled").Whole(int64(c.Recalled))
	p.Close('}')
}
