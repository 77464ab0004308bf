package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// inStepOnTheWay is how the phones call when there is a signal now and then. The evening of the 14th comes in four days
// late.
func inStepOnTheWay() []act {
	return []act{
		calls("03-05 16:30", mother), calls("03-05 17:00", father),
		calls("03-09 08:00", mother), calls("03-10 07:30", father), calls("03-12 08:00", mother), calls("03-12 22:30", father),
		calls("03-13 08:30", mother), calls("03-13 12:00", father), calls("03-14 21:00", mother), calls("03-16 09:00", mother),
		{"03-18 19:00", func(f *fortnight) { f.robinIs("unheard", client.Streak{Longest: 6}) }},
		calls("03-18 19:30", father),
		// The father hands in tonight's evening too: that is the one in a row.
		{"03-18 19:31", func(f *fortnight) { f.robinIs("complete", client.Streak{Current: 1, Longest: 7}) }},
		calls("03-18 21:00", mother), calls("03-19 12:00", tablet),
		{"03-19 19:00", func(f *fortnight) { f.holdIs(false) }},
		calls("03-19 20:30", mother),
		{"03-19 20:31", func(f *fortnight) { f.holdIs(true) }},
		calls("03-20 10:30", mother),
		{"03-20 11:59", func(f *fortnight) { f.holdIs(true) }},
		{"03-20 12:01", func(f *fortnight) { f.holdIs(false) }},
		calls("03-20 20:30", father), calls("03-21 09:00", mother),
	}
}

// backwardsAtTheEnd is how they call when there was no signal before the last evening.
func backwardsAtTheEnd() []act {
	return []act{
		callsBackwards("03-21 18:40", tablet, 2), callsBackwards("03-21 18:45", father, 7), callsBackwards("03-21 19:05", mother, 11),
	}
}

// robinIs checks the night of the 14th and the streak as the clinic sees them now.
func (f *fortnight) robinIs(state string, streak client.Streak) {
	f.t.Helper()
	desk := f.desk()
	nights, err := desk.Nights(f.t.Context(), f.story.learners[robin], client.As{})
	require.NoError(f.t, err)
	require.Equal(f.t, "2027-03-14", nights.Nights[6].Night)
	assert.Equal(f.t, state, nights.Nights[6].Status)
	summary, err := desk.Summary(f.t.Context(), f.story.learners[robin], client.As{})
	require.NoError(f.t, err)
	assert.Equal(f.t, streak, summary.Streak)
}

// holdIs checks whether the learner is on hold, as the clinic and the family see it.
func (f *fortnight) holdIs(held bool) {
	f.t.Helper()
	clinics, err := f.desk().Summary(f.t.Context(), f.story.learners[robin], client.As{})
	require.NoError(f.t, err)
	assert.Equal(f.t, held, clinics.Hold != nil)
	assert.Equal(f.t, held, clinics.Readiness.Verdict == "hold")
	assert.Equal(f.t, held, slices.Contains(clinics.Flags, "on_hold"))
	family := f.familySees(father, robin)
	assert.Equal(f.t, held, family.Hold != nil && family.Hold.WhatToDo != "")
}

// lastLook is when the fortnight is looked at, and the other instants from which.
const (
	lastLook = "2027-03-21T20:10:00-03:00"
	ahead    = "2027-03-22T19:35:00-03:00"
	midway   = "2027-03-15T12:00:00-03:00"
)

// expect holds all that can be seen of the fortnight against what was worked out by hand.
func (f *fortnight) expect() {
	f.t.Helper()
	got := map[string][]string{"entries": f.entryCounts()}
	desk := f.desk()
	for name, learner := range f.story.learners {
		nights, err := desk.Nights(f.t.Context(), learner, client.As{})
		require.NoError(f.t, err)
		summary, err := desk.Summary(f.t.Context(), learner, client.As{})
		require.NoError(f.t, err)
		got[name+"'s nights at "+lastLook] = f.told.nights(slices.Concat(nights.Earlier, nights.Nights))
		got[name+"'s summary at "+lastLook] = f.told.summary(summary)
		f.phonesShow(learner, slices.Concat(nights.Earlier, nights.Nights), mother, father, tablet)
	}
	got["Robin's family summary at "+lastLook] = f.familySummary()
	for _, at := range []string{ahead, midway} {
		for _, name := range []string{robin, wren} {
			got["states at "+at] = append(got["states at "+at], f.statesAt(desk, name, at)...)
		}
	}
	for _, at := range []string{lastLook, "2027-03-21T19:29:00-03:00", "2027-03-21T21:00:00-03:00", ahead, "2027-03-19T20:00:00-03:00"} {
		got["overdue at "+at] = f.overdueAt(at)
	}
	f.phonesHoldAll()
	checked, err := f.house.service.Check(f.t.Context())
	require.NoError(f.t, err)
	assert.Empty(f.t, checked.Differences)
	want := expectedSections(f.t)
	assert.ElementsMatch(f.t, slices.Collect(maps.Keys(want)), slices.Collect(maps.Keys(got)))
	for _, title := range slices.Sorted(maps.Keys(want)) {
		assert.Equal(f.t, strings.Join(want[title], "\n"), strings.Join(got[title], "\n"), title)
	}
}

func instant(text string) time.Time {
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err) // the instants are written above
	}
	return at
}

func (f *fortnight) statesAt(desk client.API, name, at string) []string {
	f.t.Helper()
	nights, err := desk.Nights(f.t.Context(), f.story.learners[name], client.As{Of: instant(at)})
	require.NoError(f.t, err)
	summary, err := desk.Summary(f.t.Context(), f.story.learners[name], client.As{Of: instant(at)})
	require.NoError(f.t, err)
	return states(nights, summary)
}

// overdueAt asks the scheduler's question: for now without saying so, since that is how it is asked every few minutes.
func (f *fortnight) overdueAt(at string) []string {
	f.t.Helper()
	asOf := instant(at)
	if at == lastLook {
		asOf = time.Time{}
	}
	var all []client.Reminder
	page := client.Page{Limit: 2}
	for range 10 {
		got, err := f.scheduler.Overdue(f.t.Context(), asOf, page)
		require.NoError(f.t, err)
		all = append(all, got.Overdue...)
		if page.Cursor = got.Cursor; page.Cursor == "" {
			break
		}
	}
	assert.True(f.t, slices.IsSortedFunc(all, func(a, b client.Reminder) int {
		if c := a.DueAt.Compare(b.DueAt); c != 0 {
			return c
		}
		return strings.Compare(a.ID, b.ID)
	}), "in order of due_at, then id")
	return f.told.overdue(all)
}

// familySummary tells what the family sees beside the nights, of which there is nothing of readiness.
func (f *fortnight) familySummary() []string {
	f.t.Helper()
	family := f.familySees(mother, robin)
	var members map[string]any
	require.NoError(f.t, json.Unmarshal(family.Raw, &members))
	names := strings.Join(slices.Sorted(maps.Keys(members)), ", ")
	return []string{"members " + names, countsOf(family.Nights), streakOf(family.Streak)}
}

// familySees returns a learner's summary as a phone gets it.
func (f *fortnight) familySees(phone, learner string) (family client.Summary) {
	f.t.Helper()
	f.phones[phone].bearer(f, func(a client.API) (err error) {
		family, err = a.Summary(f.t.Context(), f.story.learners[learner], client.As{})
		return err
	})
	return family
}

// phonesShow checks that phones show the very nights that the server has.
func (f *fortnight) phonesShow(learner string, nights []client.Night, phones ...string) {
	f.t.Helper()
	for _, name := range phones {
		own, err := f.phones[name].device.Nights(learner)
		require.NoError(f.t, err)
		assert.Equal(f.t, f.told.nights(nights), f.told.nights(own), "%s's nights on the %s's device", f.told.names[learner], name)
		assert.Equal(f.t, nights, own, "%s's nights on the %s's device", f.told.names[learner], name)
	}
}

// phonesHoldAll checks that every phone has every entry, without the note that its author meant for the clinic alone.
func (f *fortnight) phonesHoldAll() {
	f.t.Helper()
	var written []string
	for _, w := range f.story.writings {
		written = append(written, w.entry.ID)
	}
	for name, p := range f.phones {
		var own []string
		for _, k := range p.device.Entries() {
			own = append(own, k.Entry.ID)
			if k.Entry.ID == idOf("mother/03-08") {
				assert.Equal(f.t, name == mother, strings.Contains(string(k.Entry.Body), privateNote), name)
			}
		}
		assert.ElementsMatch(f.t, written, own, name)
	}
}

// entryCounts counts the entries by whose device they are from and kind, after a look at each: all of them are accepted,
// as they were written, with the clock offset of the device.
func (f *fortnight) entryCounts() []string {
	f.t.Helper()
	counts := map[string]int{}
	desk := f.desk()
	written := map[string]writing{}
	for _, w := range f.story.writings {
		written[w.entry.ID] = w
	}
	total := 0
	for _, learner := range f.story.learners {
		for _, e := range everyEntry(f.t, desk, learner) {
			w := written[e.ID]
			total++
			counts[w.by+" "+e.Kind]++
			assert.Equal(f.t, client.Accepted, e.Status, f.told.names[e.ID])
			assert.Equal(f.t, string(w.entry.Body), string(e.Body), f.told.names[e.ID])
			if w.by != clinician {
				assert.Equal(f.t, w.by+"'s device", f.told.names[e.Device])
				assert.Equal(f.t, w.by == tablet, e.Stamp.ClockOffsetMS == tabletSlow.Milliseconds(), "%d", e.Stamp.ClockOffsetMS)
			}
		}
	}
	var lines []string
	for _, by := range []string{mother, father, tablet, clinician} {
		for _, what := range slices.Sorted(maps.Keys(counts)) {
			if strings.HasPrefix(what, by+" ") {
				lines = append(lines, fmt.Sprintf("%s %d", what, counts[what]))
			}
		}
	}
	return append(lines, fmt.Sprintf("total %d", total))
}

// entries returns what the phone knows of every entry, by name: all of it but what is each server's own, which is the
// order of arrival and its instants.
func (p *handheld) entries(f *fortnight) []string {
	var lines []string
	for _, k := range p.device.Entries() {
		k.Rev, k.Entry.Stamp.ReceivedAt, k.Entry.Stamp.Seal = 0, "", ""
		text, err := json.Marshal(k, json.Deterministic(true))
		require.NoError(f.t, err)
		lines = append(lines, f.named(string(text)))
	}
	slices.Sort(lines)
	return lines
}

// named puts names in the place of ids.
func (f *fortnight) named(text string) string {
	var pairs []string
	for id, name := range f.told.names {
		pairs = append(pairs, id, name)
	}
	return strings.NewReplacer(pairs...).Replace(text)
}

// documents returns what the server answers about the fortnight, document for document, with names in the place of ids.
func (f *fortnight) documents() map[string]string {
	f.t.Helper()
	documents := map[string]string{}
	desk := f.desk()
	keep := func(who string, a client.API, path string) {
		documents[who+" "+f.named(path)] = f.named(f.get(a, path))
	}
	for name, learner := range f.story.learners {
		for _, query := range []string{"", "?as_of=" + ahead, "?as_of=" + midway} {
			keep("clinic", desk, "/v1/learners/"+learner+"/nights"+query)
			keep("clinic", desk, "/v1/learners/"+learner+"/summary"+query)
		}
		documents["family "+name] = f.named(string(f.familySees(father, name).Raw))
	}
	keep("clinic", desk, "/v1/roster?order=nickname")
	return documents
}
