package served

import (
	"swallowtail/internal/judgement"
	"swallowtail/internal/practice"
	"swallowtail/internal/stats"
)

// confidence is that of the intervals that are served.
const confidence = 0.95

// skillingsMack names the test of whether positions differ.
const skillingsMack = "skillings_mack_tie_corrected"

func preferenceOf(j *judgement.Judgement, p *judgement.Preference) Preference {
	doc := Preference{
		Says: p.Sentence(), Leader: p.Leader, RunnerUp: p.RunnerUp, MarginOverCentre: p.MarginOverCentre,
		FirstWeek: p.FirstWeek, SecondWeek: p.SecondWeek, Positions: map[practice.Position]ClinicFigures{},
	}
	if len(p.Ranked) > 0 {
		doc.Test = &Test{
			Name: skillingsMack, Nights: p.Differ.Blocks, Statistic: p.Differ.Statistic, Freedom: p.Differ.Freedom,
			P: p.Differ.P, Exact: p.Exact, Comparable: p.Differ.Comparable,
		}
	}
	for position, figures := range figuresOf(j) {
		f := ClinicFigures{Figures: figures}
		if f.Tries > 0 {
			interval := stats.Wilson(f.Swallowed, f.Tries, confidence)
			f.Interval = &[2]float64{interval.Low, interval.High}
		}
		doc.Positions[position] = f
	}
	for _, s := range p.Positions {
		f := doc.Positions[s.Position]
		f.RankedNights, f.MeanRank, f.Best = s.Nights, &s.Rank, &s.Best
		doc.Positions[s.Position] = f
		if s.Position == p.Leader {
			doc.Best = &s.Best
		}
	}
	return doc
}

func agreementOf(a stats.Agreement) Agreement {
	doc := Agreement{Pairs: a.Pairs}
	if a.Pairs > 0 {
		equal, near := float64(a.Equal)/float64(a.Pairs), float64(a.WithinOne)/float64(a.Pairs)
		doc.Percent, doc.WithinOne = &equal, &near
	}
	if a.Defined {
		doc.Alpha = &a.Alpha
	}
	return doc
}

func progressOf(p *judgement.Progress) Progress {
	doc := Progress{Positions: map[practice.Position]Trend{}, Towards: towards(p.All.S)}
	for _, t := range p.Positions {
		doc.Positions[t.Position] = Trend{Nights: t.N, S: t.S, P: t.P, Exact: t.Exact, Slope: t.Slope}
	}
	if p.All.Varies {
		doc.P = &p.All.P
	}
	return doc
}

// towards says in a word whether more got easier than harder.
func towards(s int) string {
	switch {
	case s > 0:
		return "easier"
	case s < 0:
		return "harder"
	}
	return "neither"
}
