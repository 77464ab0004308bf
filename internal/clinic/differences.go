package clinic

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

// maxNamed is how many things of a kind a difference names; the rest is counted.
const maxNamed = 10

// differences says what of a kept projection is not what a fresh fold gives, one sentence for its row, its nights and its
// reminders. The household's head is at revision head.
func differences(fresh, kept *Projection, head int64) []string {
	var all []string
	for _, d := range []struct {
		of    string
		found []string
	}{
		{"the roster row is not what a fresh fold gives", rowDifferences(fresh, kept)},
		{"the nights are not what a fresh fold gives", nightDifferences(fresh, kept)},
		{"nights are said to have changed at revisions that are not there yet", ahead(kept.Nights, head)},
		{"the reminders are not what a fresh fold gives", reminderDifferences(fresh, kept)},
		{"the concerns are not what a fresh fold gives", concernDifferences(fresh, kept)},
	} {
		if n := len(d.found); n > maxNamed {
			d.found = append(d.found[:maxNamed:maxNamed], fmt.Sprintf("and %d more", n-maxNamed))
		}
		if len(d.found) > 0 {
			all = append(all, d.of+": "+strings.Join(d.found, ", "))
		}
	}
	return all
}

// compared is one member of a projection, and whether it is the same in both.
type compared struct {
	name string
	same bool
}

func namesOfDifferent(members []compared) []string {
	var names []string
	for _, m := range members {
		if !m.same {
			names = append(names, m.name)
		}
	}
	return names
}

// rowDifferences names what differs of the roster row as served, of what orders and filters it, and of until when it holds.
func rowDifferences(a, b *Projection) []string {
	return namesOfDifferent([]compared{
		{"as served", bytes.Equal(a.Row, b.Row)},
		{"status", a.Status == b.Status},
		{"what it was weighed of", len(b.Weighed.Doc) == 0 || a.Weighed.Basis == b.Weighed.Basis},
		{"what was weighed", bytes.Equal(a.Weighed.Doc, b.Weighed.Doc)},
		{"verdict", a.Verdict == b.Verdict && a.Nearness == b.Nearness},
		{"urgency", a.Urgency == b.Urgency},
		{"nights wrong", a.NightsWrong == b.NightsWrong},
		{"nickname", a.Nickname == b.Nickname},
		{"flags", slices.Equal(a.Flags, b.Flags)},
		{"last heard", a.Heard.Equal(b.Heard)},
		{"until when it holds", a.Until.Equal(b.Until) || b.awaitsFold()},
	})
}

// nightDifferences names the nights that differ, are missing or are too many. Those that are no more count for nothing.
func nightDifferences(fresh, kept *Projection) []string {
	var found []string
	prints := map[practice.Night]served.Print{}
	for _, n := range kept.Nights {
		if !n.Gone {
			prints[n.Night] = n.Print
		}
	}
	for _, n := range fresh.Nights {
		mark, there := prints[n.Night]
		switch delete(prints, n.Night); {
		case !there:
			found = append(found, n.Night.String()+" is missing")
		case mark != n.Print && !(kept.awaitsFold() && mark == served.Print{}):
			found = append(found, n.Night.String()+" differs")
		}
	}
	for _, n := range kept.Nights {
		if _, left := prints[n.Night]; left {
			found = append(found, n.Night.String()+" is one too many")
		}
	}
	return found
}

// ahead names the nights that are said to have changed after the household's newest revision: no phone would be told.
func ahead(kept []ProjectedNight, head int64) []string {
	var found []string
	for _, n := range kept {
		if n.ChangedRev > head {
			found = append(found, fmt.Sprintf("%s at %d", n.Night, n.ChangedRev))
		}
	}
	return found
}

// reminderDifferences names the reminders that differ, are missing or are too many, and what differs of when they are due.
func reminderDifferences(fresh, kept *Projection) []string {
	if kept.awaitsReminders() {
		return nil
	}
	var found []string
	left := map[uuid.UUID]ProjectedReminder{}
	for _, r := range kept.Reminders {
		left[r.ID] = r
	}
	for _, r := range fresh.Reminders {
		k, there := left[r.ID]
		delete(left, r.ID)
		if !there {
			found = append(found, r.name()+" is missing")
			continue
		}
		names := namesOfDifferent([]compared{
			{"kind", k.Kind == r.Kind},
			{"night", k.Night == r.Night},
			{"run", k.Run == r.Run},
			{"due " + shown(k.Due) + " and not " + shown(r.Due), k.Due.Equal(r.Due)},
			{"lapses " + shown(k.Lapses) + " and not " + shown(r.Lapses), k.Lapses.Equal(r.Lapses)},
			{"ready " + shown(k.Ready) + " and not " + shown(r.Ready), k.Ready.Equal(r.Ready)},
		})
		if len(names) > 0 {
			found = append(found, r.name()+" differs ("+strings.Join(names, ", ")+")")
		}
	}
	for _, r := range kept.Reminders {
		if _, tooMany := left[r.ID]; tooMany {
			found = append(found, r.name()+" is one too many")
		}
	}
	return append(found, namesOfDifferent([]compared{
		{"next due " + shown(kept.NextDue) + " and not " + shown(fresh.NextDue), fresh.NextDue.Equal(kept.NextDue)},
		{"lapse " + shown(kept.RemindersUntil) + " and not " + shown(fresh.RemindersUntil), fresh.RemindersUntil.Equal(kept.RemindersUntil)},
		{"others from " + shown(kept.RemindersRenew) + " and not " + shown(fresh.RemindersRenew), fresh.RemindersRenew.Equal(kept.RemindersRenew)},
	})...)
}

// concernDifferences names the concerns that differ, are missing or are too many.
func concernDifferences(fresh, kept *Projection) []string {
	if kept.awaitsReminders() {
		return nil
	}
	var found []string
	left := map[uuid.UUID]ProjectedConcern{}
	for _, c := range kept.Concerns {
		left[c.ID] = c
	}
	for _, c := range fresh.Concerns {
		k, there := left[c.ID]
		delete(left, c.ID)
		k.Since, c.Since = k.Since.UTC(), c.Since.UTC()
		switch {
		case !there:
			found = append(found, c.name()+" is missing")
		case k != c:
			found = append(found, c.name()+" differs")
		}
	}
	for _, c := range kept.Concerns {
		if _, tooMany := left[c.ID]; tooMany {
			found = append(found, c.name()+" is one too many")
		}
	}
	return found
}

func (c ProjectedConcern) name() string { return fmt.Sprintf("%s since %s", c.Reason, c.Night) }

// awaitsReminders reports whether a version of the program that kept other reminders has left them to be worked out anew, as the
// migration 0008 notes by the first instant of 1970.
func (p *Projection) awaitsReminders() bool { return p.RemindersRenew.Equal(time.Unix(0, 0)) }

// awaitsFold reports whether a version of the program that kept no prints of nights has left the projection to be folded anew, as the
// migration 0010 notes by the first instant of 1970.
func (p *Projection) awaitsFold() bool { return p.Until.Equal(time.Unix(0, 0)) }

func (r ProjectedReminder) name() string { return fmt.Sprintf("%s of %s", r.Kind, r.Night) }

func shown(t time.Time) string {
	if t.IsZero() {
		return "never"
	}
	return t.UTC().Format("2006-01-02T15:04:05.000Z")
}
