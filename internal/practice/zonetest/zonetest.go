// Package zonetest reads testdata/zones/answers.txt, in which an implementation that shares nothing with package practice
// says when wall times come and when nights close. It is for tests.
package zonetest

import (
	"encoding/base64"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"swallowtail/internal/practice"
)

// Answers is the file.
type Answers struct {
	Source string               // whose answers these are, and of which zone database
	Times  []practice.TimeOfDay // asked about on each date
	Turns  []practice.TimeOfDay // hours at which the day may turn
	Zones  []Zone
}

// Zone is what was said of one zone.
type Zone struct {
	Name     string
	Data     []byte         // the zone file that the answers rest on
	Location *time.Location // made of it
	Runs     []Run          // in order, and without a gap between them
}

// Run is a run of dates with the same answers but for the date: the zone's clock did not jump within it. A jump makes one to
// three runs of a date or two each.
type Run struct {
	First, Last practice.Night
	shown       []time.Duration
	borders     []border
}

// border is told from a date's midnight in UTC, and in nights from it.
type border struct {
	at           time.Duration
	before, from practice.Night
}

// Border is where a night closes.
type Border struct {
	At           time.Time
	Before, From practice.Night // the nights that run until then and from then on
}

// Shown returns the first instant at which the zone's clock shows, on a date of the run, one of Times, by its index, or later.
func (r *Run) Shown(date practice.Night, i int) time.Time { return midnight(date).Add(r.shown[i]) }

// Closes returns where a night of the run closes if the day turns at one of Turns, by its index.
func (r *Run) Closes(night practice.Night, i int) Border {
	b := r.borders[i]
	return Border{At: midnight(night).Add(b.at), Before: night + b.before, From: night + b.from}
}

func midnight(date practice.Night) time.Time { return time.Unix(int64(date)*24*60*60, 0).UTC() }

// First and Last return the ends of the dates that were asked about.
func (z *Zone) First() practice.Night { return z.Runs[0].First }

// Last returns the last date that was asked about.
func (z *Zone) Last() practice.Night { return z.Runs[len(z.Runs)-1].Last }

// On returns the run that a date belongs to. The date must be one that was asked about.
func (z *Zone) On(date practice.Night) *Run {
	i, _ := slices.BinarySearchFunc(z.Runs, date, func(r Run, date practice.Night) int { return int(r.Last) - int(date) })
	return &z.Runs[i]
}

var errForm = errors.New("not the form of the answers")

// Parse reads the text of the file. It returns an error for any line that is not of the form, and where dates of a zone are missing
// between others.
func Parse(text string) (*Answers, error) {
	var a Answers
	for i, line := range strings.Split(strings.TrimSuffix(text, "\n"), "\n") {
		if err := a.take(line); err != nil {
			return nil, fmt.Errorf("line %d: %w", i+1, err)
		}
	}
	for _, zone := range a.Zones {
		if len(zone.Runs) == 0 {
			return nil, fmt.Errorf("%s: %w", zone.Name, errForm)
		}
	}
	return &a, nil
}

func (a *Answers) take(line string) (err error) {
	word, rest, _ := strings.Cut(line, " ")
	switch word {
	case "#":
		a.Source = rest
	case "times":
		a.Times, err = timesOfDay(rest)
	case "turns":
		a.Turns, err = timesOfDay(rest)
	case "zone":
		a.Zones = append(a.Zones, Zone{Name: rest})
	case "file":
		err = a.takeFile(rest)
	default:
		err = a.takeRun(line)
	}
	return err
}

func timesOfDay(text string) ([]practice.TimeOfDay, error) {
	var all []practice.TimeOfDay
	for _, word := range strings.Fields(text) {
		t, err := practice.ParseTimeOfDay(word)
		if err != nil {
			return nil, fmt.Errorf("%w: %w", errForm, err)
		}
		all = append(all, t)
	}
	return all, nil
}

// zone returns the zone that is being read, nil before the first.
func (a *Answers) zone() *Zone {
	if len(a.Zones) == 0 {
		return nil
	}
	return &a.Zones[len(a.Zones)-1]
}

func (a *Answers) takeFile(text string) error {
	zone := a.zone()
	if zone == nil {
		return errForm
	}
	var err error
	if zone.Data, err = base64.StdEncoding.DecodeString(text); err != nil {
		return fmt.Errorf("%w: %w", errForm, err)
	}
	if zone.Location, err = time.LoadLocationFromTZData(zone.Name, zone.Data); err != nil {
		return fmt.Errorf("%w: %w", errForm, err)
	}
	return nil
}

func (a *Answers) takeRun(line string) error {
	zone := a.zone()
	words := strings.Fields(line)
	if zone == nil || zone.Location == nil || len(words) != 2+len(a.Times)+1+len(a.Turns) || words[2+len(a.Times)] != "/" {
		return errForm
	}
	var r Run
	var err error
	if r.First, err = practice.ParseNight(words[0]); err != nil {
		return fmt.Errorf("%w: %w", errForm, err)
	}
	if r.Last, err = practice.ParseNight(words[1]); err != nil {
		return fmt.Errorf("%w: %w", errForm, err)
	}
	if r.Last < r.First || len(zone.Runs) > 0 && r.First != zone.Last()+1 {
		return fmt.Errorf("%w: dates are missing, or come twice", errForm)
	}
	for _, word := range words[2 : 2+len(a.Times)] {
		shown, err := minutes(word)
		if err != nil {
			return err
		}
		r.shown = append(r.shown, shown)
	}
	for _, word := range words[3+len(a.Times):] {
		b, err := parseBorder(word)
		if err != nil {
			return err
		}
		r.borders = append(r.borders, b)
	}
	zone.Runs = append(zone.Runs, r)
	return nil
}

func minutes(text string) (time.Duration, error) {
	count, err := strconv.Atoi(text)
	if err != nil {
		return 0, fmt.Errorf("%w: %w", errForm, err)
	}
	return time.Duration(count) * time.Minute, nil
}

// parseBorder reads when a night closes, and which nights run before and from then on where they are not it and the next.
func parseBorder(text string) (border, error) {
	words := strings.Split(text, ";")
	at, err := minutes(words[0])
	if err != nil || len(words) == 1 {
		return border{at: at, from: 1}, err
	}
	if len(words) != 3 {
		return border{}, errForm
	}
	before, err := strconv.ParseInt(words[1], 10, 8)
	if err != nil {
		return border{}, fmt.Errorf("%w: %w", errForm, err)
	}
	from, err := strconv.ParseInt(words[2], 10, 8)
	if err != nil {
		return border{}, fmt.Errorf("%w: %w", errForm, err)
	}
	return border{at: at, before: practice.Night(before), from: practice.Night(from)}, nil
}
