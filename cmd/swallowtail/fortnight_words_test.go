package main

import (
	"cmp"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
	"swallowtail/internal/practice"
)

// The answers of the server in the words of testdata/fortnight/expected.txt.

// expectedSections returns the lines of the expectation below each of its headings, comments left out.
func expectedSections(t *testing.T) map[string][]string {
	t.Helper()
	text, err := os.ReadFile("../../testdata/fortnight/expected.txt")
	require.NoError(t, err)
	sections := map[string][]string{}
	title := ""
	for line := range strings.Lines(string(text)) {
		line = strings.TrimRight(line, "\n")
		switch heading, is := strings.CutPrefix(line, "== "); {
		case is:
			require.NotContains(t, sections, heading)
			title, sections[heading] = heading, []string{}
		case line != "" && !strings.HasPrefix(line, "#"):
			sections[title] = append(sections[title], line)
		}
	}
	return sections
}

// words knows the names of everything that an answer names by id.
type words struct{ names map[string]string }

func result(outcome string, ease int) string {
	switch outcome {
	case "swallowed":
		return fmt.Sprint(ease)
	case "not_swallowed":
		return fmt.Sprint(-ease)
	}
	return "x"
}

func marked(marks []string) string {
	if len(marks) == 0 {
		return ""
	}
	return " [" + strings.Join(marks, " ") + "]"
}

// nights tells nights, each with all that is on it.
func (w words) nights(nights []client.Night) []string {
	var lines []string
	for _, n := range nights {
		lines = append(lines, w.night(n)...)
	}
	return lines
}

func (w words) night(n client.Night) []string {
	head := n.Night + " " + n.Status
	if !n.Counted {
		head += ", not counted"
	}
	for _, p := range practice.Positions() {
		if !slices.Contains(n.Positions, string(p)) {
			head += " without " + string(p)
		}
	}
	lines := []string{head + marked(n.Marks)}
	if len(n.Sittings) > 0 {
		lines = append(lines, strings.TrimSpace("score "+scoresOf(n)))
	}
	for _, s := range n.Sittings {
		lines = append(lines, w.sitting(s)...)
	}
	for _, e := range n.Excuses {
		lines = append(lines, fmt.Sprintf("excused %s by %s", e.Reason, w.names[e.Author.ID]))
	}
	for _, i := range n.Incidents {
		lines = append(lines, "incident "+i.What)
	}
	for i := 1; i < len(lines); i++ {
		lines[i] = "  " + lines[i]
	}
	return lines
}

func scoresOf(n client.Night) string {
	var scores []string
	for _, p := range practice.Positions() {
		if s, scored := n.Score[string(p)]; scored {
			scores = append(scores, string(p)+" "+result(s.Outcome, s.Ease))
		}
	}
	return strings.Join(scores, ", ")
}

func (w words) sitting(s client.Sitting) []string {
	lines := []string{fmt.Sprintf("sitting %d at %s in %s by %s%s", s.Number, s.PractisedAt.Format(time.RFC3339), s.Timezone,
		strings.Join(w.all(s.Caregivers), ", "), marked(s.Marks))}
	if len(s.Caregivers) > 1 {
		for _, t := range s.Tries {
			lines = append(lines, "  "+w.try(t))
		}
		return lines
	}
	var alone []string
	for _, t := range s.Tries {
		alone = append(alone, tryOf(t))
	}
	return append(lines, "  "+strings.Join(alone, ", "))
}

func (w words) all(ids []string) []string {
	var names []string
	for _, id := range ids {
		names = append(names, w.names[id])
	}
	return names
}

// tryOf tells what counts of a try.
func tryOf(t client.NightTry) string {
	text := t.Position
	if t.Number > 1 {
		text += fmt.Sprintf("/%d", t.Number)
	}
	text += " " + result(t.Outcome, t.Ease)
	for _, snag := range t.Snags {
		text += " " + snag
	}
	if t.Medium != "sweet" {
		text += " (" + t.Medium + ")"
	}
	return text
}

func (w words) try(t client.NightTry) string {
	text := tryOf(t) + " " + t.Agreement
	if t.Settlement != nil {
		text += " by " + w.names[t.Settlement.By.ID]
	}
	text += fmt.Sprintf(" %d..%d: ", t.EaseRange[0], t.EaseRange[1])
	return text + w.readings(t.Readings) + w.past(t.PastSettlements)
}

func (w words) readings(readings []client.Reading) string {
	var texts []string
	for _, r := range readings {
		texts = append(texts, w.names[r.Caregiver]+" "+result(r.Outcome, r.Ease))
	}
	slices.Sort(texts)
	return strings.Join(texts, ", ")
}

func (w words) past(settlements []client.Settlement) string {
	text := ""
	for _, s := range settlements {
		text += fmt.Sprintf("; past settlement by %s %s", w.names[s.By.ID], result(s.Outcome, s.Ease))
	}
	return text
}

func countsOf(n client.NightCounts) string {
	return fmt.Sprintf("nights planned %d, elapsed %d, practised %d, complete %d, partial %d, excused %d, attempted %d, "+
		"missed %d, unheard %d, recalled %d", n.Planned, n.Elapsed, n.Practised, n.Complete, n.Partial, n.Excused, n.Attempted,
		n.Missed, n.Unheard, n.Recalled)
}

func streakOf(s client.Streak) string {
	return fmt.Sprintf("streak current %d, longest %d", s.Current, s.Longest)
}

// summary tells what the clinic sees of a learner.
func (w words) summary(s client.Summary) []string {
	lines := []string{"learner " + s.Learner.Nickname + " " + s.Learner.AgeBand, countsOf(s.Nights), streakOf(s.Streak)}
	if s.Preference.JudgedPosition != "" {
		lines = append(lines, "judged "+s.Preference.JudgedPosition+" from "+s.Preference.JudgedFrom)
	}
	lines = append(lines, figuresOf(s.Preference.Positions)...)
	if s.Readiness.Verdict != "" {
		lines = append(lines, "verdict "+s.Readiness.Verdict)
	}
	for _, c := range s.Readiness.Criteria {
		lines = append(lines, criterionOf(c))
	}
	for _, d := range s.Disagreements {
		lines = append(lines, fmt.Sprintf("disagreement %s sitting %d %s/%d: %s%s", d.Night, d.Sitting, d.Position, d.Number,
			w.readings(d.Readings), w.past(d.PastSettlements)))
	}
	lines = append(lines, strings.TrimSpace("flags "+strings.Join(slices.Sorted(slices.Values(s.Flags)), ", ")), snagsOf(s.Snags))
	for _, a := range s.Advice {
		lines = append(lines, "advice "+a.Snag+on(a.Nights))
	}
	if s.Hold != nil {
		lines = append(lines, "on hold")
	}
	return append(lines, "last heard "+s.LastHeardAt.UTC().Format(time.RFC3339))
}

func figuresOf(positions map[string]client.PositionFigures) []string {
	var lines []string
	for _, p := range practice.Positions() {
		f, there := positions[string(p)]
		if !there {
			continue
		}
		line := fmt.Sprintf("position %s tries %d, swallowed %d", p, f.Tries, f.Swallowed)
		if f.Share != nil {
			line += fmt.Sprintf(", share %.4f", *f.Share)
		}
		if f.Ease != nil {
			line += fmt.Sprintf(", ease %.4f", *f.Ease)
		}
		lines = append(lines, line)
	}
	return lines
}

func criterionOf(c client.Criterion) string {
	met := " not met"
	if *c.Met {
		met = " met"
	}
	return "criterion " + c.ID + met + on(c.Nights)
}

// on lists nights by month and day.
func on(nights []string) string {
	var dates []string
	for _, n := range nights {
		dates = append(dates, strings.TrimPrefix(n, "2027-"))
	}
	if len(dates) == 0 {
		return ""
	}
	return " on " + strings.Join(dates, ", ")
}

func snagsOf(snags map[string]int) string {
	var texts []string
	for _, snag := range slices.Sorted(maps.Keys(snags)) {
		texts = append(texts, fmt.Sprintf("%s %d", snag, snags[snag]))
	}
	return strings.TrimSpace("snags " + strings.Join(texts, ", "))
}

// states tells what each night is, and what that amounts to.
func states(nights client.Nights, s client.Summary) []string {
	name := s.Learner.Nickname
	line := name
	for _, n := range nights.Nights {
		line += " " + n.Status
	}
	return []string{line, name + " " + countsOf(s.Nights), name + " " + streakOf(s.Streak)}
}

// overdue tells reminders by due time, then learner and kind, since ids are each server's own.
func (w words) overdue(reminders []client.Reminder) []string {
	lines := []string{}
	for _, r := range reminders {
		lines = append(lines, fmt.Sprintf("%s %s %s %s, run %d", r.DueAt.UTC().Format(time.RFC3339), w.names[r.LearnerID], r.Kind, r.Night, r.Run))
	}
	slices.SortFunc(lines, cmp.Compare[string])
	return lines
}
