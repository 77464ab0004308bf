package main

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"swallowtail/internal/practice"
)

// writingDown is how long after the start of an evening it is written down.
const writingDown = 6 * time.Minute

// calendar turns the days of a family's story into dates: day 0 is the night that runs at home.
type calendar struct {
	home    *time.Location
	tonight practice.Night
}

func calendarAt(home string, now time.Time) (calendar, error) {
	zone, err := practice.LoadZone(home)
	if err != nil {
		return calendar{}, fmt.Errorf("zone %q: %w", home, err)
	}
	return calendar{home: zone, tonight: practice.NightAt(now, practice.DefaultPlan().TurnsAt, zone)}, nil
}

func (c calendar) night(day int) practice.Night {
	return c.tonight + practice.Night(day) //nolint:gosec // a few days
}

// instant returns when the wall clocks of a place, by default home, show a time on a day.
func (c calendar) instant(day int, at, zone string) (time.Time, error) {
	place := c.home
	if zone != "" {
		var err error
		if place, err = practice.LoadZone(zone); err != nil {
			return time.Time{}, fmt.Errorf("zone %q: %w", zone, err)
		}
	}
	wall, err := practice.ParseTimeOfDay(at)
	if err != nil {
		return time.Time{}, err
	}
	return practice.InstantAt(c.night(day), wall, place), nil
}

// scene is one step of a family's story, with its place in time.
type scene struct {
	family *family
	step   *stepScript
	starts time.Time
}

// written returns when the step is put down, and so when the clock must stand to play it.
func (s scene) written() time.Time {
	if s.step.Evening != "" {
		return s.starts.Add(writingDown)
	}
	return s.starts
}

// scenes puts the stories of all families, which are told by the day, into one order. No step may lie ahead of now.
func scenes(families []*family, now time.Time) ([]scene, error) {
	var all []scene
	for _, f := range families {
		for i := range f.script.Story {
			s := scene{family: f, step: &f.script.Story[i]}
			var err error
			if s.starts, err = f.instant(s.step.Day, s.step.At, s.step.Zone); err != nil {
				return nil, fmt.Errorf("%s: %w", s, err)
			}
			if s.written().After(now) {
				return nil, fmt.Errorf("%s: lies in the future", s)
			}
			all = append(all, s)
		}
	}
	slices.SortStableFunc(all, func(a, b scene) int { return cmp.Compare(a.written().UnixMilli(), b.written().UnixMilli()) })
	return all, nil
}

func (s scene) String() string {
	return fmt.Sprintf("%s, day %d at %s", s.family.script.Learner, s.step.Day, s.step.At)
}

// begins returns an instant before everything in the script, when the demo is started at now.
func (s script) begins(now time.Time) time.Time {
	first := 0
	for _, f := range s.families {
		for _, step := range f.Story {
			first = min(first, step.Day)
		}
	}
	return now.AddDate(0, 0, first-2) // a day for the zones, and one to spare
}
