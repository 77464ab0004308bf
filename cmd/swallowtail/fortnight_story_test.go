package main

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// The people of the fortnight, by the names that the expectation uses.
const (
	mother    = "mother"
	father    = "father"
	tablet    = "tablet" // the father's old one, whose clock is wrong
	clinician = "clinician"
	robin     = "Robin"
	wren      = "Wren"
)

// privateNote is not written to be shared.
const privateNote = "for the clinic alone"

// tabletSlow is how far the tablet's clock lags.
const tabletSlow = 730*24*time.Hour + 3*time.Hour + 20*time.Minute

// writing is one entry, who wrote it down and when that really was.
type writing struct {
	by    string
	at    time.Time
	entry client.Entry
}

// story is everything that was written in the fortnight. Ids of entries follow from their names, so that they are the same
// on every server; the learners' ids are each server's own.
type story struct {
	t        *testing.T
	learners map[string]string
	writings []writing         // by when they were written
	names    map[string]string // of entries, by id
}

// author is somebody at a phone, or at the clinic's desk.
type author struct {
	*story
	name string
	zone *time.Location // of the phone, which is that of the place
	slow time.Duration  // how far its clock lags
}

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	require.NoError(t, err)
	return z
}

// in2027 reads "03-08 19:40" as the wall clock of a zone shows it.
func in2027(t *testing.T, wall string, z *time.Location) time.Time {
	t.Helper()
	at, err := time.ParseInLocation("2006-01-02 15:04", "2027-"+wall, z)
	require.NoError(t, err)
	return at
}

var entryNames = uuid.MustParse("7d9a4c1e-3b52-4f0e-9d60-2a8f5e1c7b44")

// idOf returns the id of an entry by its name, such as mother/03-08/left.
func idOf(name string) string { return uuid.NewSHA1(entryNames, []byte(name)).String() }

// pen writes entries of the given names, one after the other, at an instant as the author's clock shows it.
func (a author) pen(at time.Time, names ...string) client.Pen {
	next := 0
	return client.Pen{
		Now: func() time.Time { return a.shown(at) },
		NewID: func() string {
			id := idOf(names[next])
			require.NotContains(a.t, a.names, id, "two entries named %s", names[next])
			a.names[id] = names[next]
			next++
			return id
		},
	}
}

// shown is what the author's clock shows at an instant.
func (a author) shown(at time.Time) time.Time { return at.Add(-a.slow).In(a.zone) }

func (a author) keep(at time.Time, entries ...client.Entry) {
	for _, e := range entries {
		a.writings = append(a.writings, writing{by: a.name, at: at, entry: e})
	}
}

// writingTime is how long after its beginning an evening is written down.
const writingTime = 12 * time.Minute

// evening writes down an evening just after it. Its name is the author's and the date, mother/03-08.
func (a author) evening(learner, wall, tries string) {
	at := in2027(a.t, wall, a.zone)
	a.eveningWritten(learner, at, at.Add(writingTime), tries, "")
}

// eveningWritten writes down an evening at some other time.
func (a author) eveningWritten(learner string, at, written time.Time, tries, note string) {
	session := fmt.Sprintf("%s/%s", a.name, at.Format("01-02"))
	if learner != robin {
		session += "/" + learner
	}
	read, names := readTries(a.t, session, tries)
	got, err := a.pen(written, append([]string{session}, names...)...).Evening(client.Evening{
		Learner: a.learners[learner], PractisedAt: a.shown(at), Timezone: a.zone.String(), Note: note, Tries: read,
	})
	require.NoError(a.t, err)
	a.keep(written, got.Entries...)
}

// readTries reads "centre 3, right -2 water, left x, up 4 (water)": how easy each try was, with a minus where it was not
// swallowed, an x where it was refused; then what got in the way, or in brackets what it was if not a sweet.
func readTries(t *testing.T, session, text string) (tries []client.Try, names []string) {
	t.Helper()
	number := map[string]int{}
	for one := range strings.SplitSeq(text, ", ") {
		words := strings.Fields(one)
		try := client.Try{Position: words[0]}
		try.Outcome, try.Ease = readResult(t, words[1])
		for _, word := range words[2:] {
			if medium, ok := strings.CutPrefix(word, "("); ok {
				try.Medium = strings.TrimSuffix(medium, ")")
			} else {
				try.Snags = append(try.Snags, word)
			}
		}
		name := session + "/" + try.Position
		if number[try.Position]++; number[try.Position] > 1 {
			name += "/" + strconv.Itoa(number[try.Position])
		}
		tries, names = append(tries, try), append(names, name)
	}
	return tries, names
}

func readResult(t *testing.T, word string) (outcome string, ease int) {
	t.Helper()
	if word == "x" {
		return "refused", 0
	}
	ease, err := strconv.Atoi(word)
	require.NoError(t, err)
	if ease < 0 {
		return "not_swallowed", -ease
	}
	return "swallowed", ease
}

// write writes down something new.
func (a author) write(learner, wall, name string, body client.Body) {
	at := in2027(a.t, wall, a.zone)
	e, err := a.pen(at, a.name+"/"+name).New(a.learners[learner], body)
	require.NoError(a.t, err)
	a.keep(at, e)
}

// replace writes down what stands in place of an earlier entry of the same author.
func (a author) replace(learner, wall, earlier, name string, body client.Body) {
	at := in2027(a.t, wall, a.zone)
	old := idOf(a.name + "/" + earlier)
	e, err := a.pen(at, a.name+"/"+name).Later(a.learners[learner], old, []string{old}, body)
	require.NoError(a.t, err)
	a.keep(at, e)
}

// settle writes down what is to stand of a try that both parents rated.
func (a author) settle(wall, try string, ease int, reason string) {
	a.write(robin, wall, try+"/settled", client.SettleBody{
		Judged: []string{idOf(mother + "/" + try), idOf(father + "/" + try)}, Outcome: "swallowed", Ease: ease, Reason: reason,
	})
}

// tellFortnight returns the fortnight. testdata/fortnight/expected.txt says, night by night, what it must come to.
//
// Robin's mother lives in Halifax, which is home; the father in Toronto, an hour behind. The parent without Robin watches
// over a video call and writes down too. Clocks go forward on the 14th. The mother's and the father's evenings are told in
// the wall time of their own home.
func tellFortnight(t *testing.T, learners map[string]string) *story {
	t.Helper()
	s := &story{t: t, learners: learners, names: map[string]string{}}
	halifax, toronto := zone(t, "America/Halifax"), zone(t, "America/Toronto")
	mum := author{story: s, name: mother, zone: halifax}
	dad := author{story: s, name: father, zone: toronto}
	visiting := author{story: s, name: father, zone: halifax}
	old := author{story: s, name: tablet, zone: toronto, slow: tabletSlow}
	desk := author{story: s, name: clinician, zone: halifax}
	s.firstWeek(mum, dad)
	s.secondWeek(mum, dad, visiting, old)
	s.atTheClinic(desk)
	s.sibling(mum, dad)
	slices.SortStableFunc(s.writings, func(a, b writing) int { return a.at.Compare(b.at) })
	return s
}

func (s *story) firstWeek(mum, dad author) {
	teaching := in2027(s.t, "03-05 16:00", mum.zone)
	mum.eveningWritten(robin, teaching, teaching.Add(writingTime), "centre 5 (water), centre 3", "")

	first := in2027(s.t, "03-08 19:40", mum.zone)
	mum.eveningWritten(robin, first, first.Add(writingTime), "centre 3, right 2, left 3, up -1 water, down 2", privateNote)

	mum.evening(robin, "03-09 19:35", "centre 4, right 3, left 3, up 2, down 2")
	dad.evening(robin, "03-09 18:50", "centre 4, right 2, left 4, up 2, down 3")

	mum.evening(robin, "03-10 19:40", "centre 4, right 3, left -2, up 3, down 3")
	dad.evening(robin, "03-10 18:45", "centre 4, right 3, left 4, up 1, down 3")
	mum.settle("03-13 09:00", "03-10/left", 3, "It went down after all, with a second sip.")

	mum.evening(robin, "03-11 19:30", "centre 3, right 3, left 4, up 2, down 3")
	dad.evening(robin, "03-11 18:32", "centre 5, right 3, left 4, up 2, down 4")
	dad.settle("03-13 10:00", "03-11/centre", 4, "We met in the middle.")
	mum.replace(robin, "03-13 20:30", "03-11/centre", "03-11/centre/edited", client.TryBody{
		Session: idOf("mother/03-11"), Position: "centre", Number: 1, Medium: "sweet", Outcome: "swallowed", Ease: 2,
	})

	mum.evening(robin, "03-12 19:40", "centre 4, right 4, left 4, up 3, down 3")
	mum.replace(robin, "03-12 21:00", "03-12/down", "03-12/down/withdrawn", client.RetractBody{Reason: "We stopped before it."})
	dad.evening(robin, "03-12 18:45", "centre 3, right 4, left 1, up 3, down 3")
	dad.replace(robin, "03-13 09:30", "03-12", "03-12/withdrawn", client.RetractBody{Reason: "That was another child's sheet."})

	dad.write(robin, "03-12 20:30", "03-13/excuse", client.ExcuseBody{Night: "2027-03-13", Reason: "travel"})
	mum.evening(robin, "03-13 20:05", "centre 5, right 4, left 4, up 3 water, down 4")

	dad.evening(robin, "03-14 18:30", "centre 4, right 3, left 5, up 2, down 3")
}

func (s *story) secondWeek(mum, dad, visiting, old author) {
	// Nobody writes anything of the 15th.
	old.evening(robin, "03-16 18:40", "centre 4, right 4, left 5, down 3")
	mum.evening(robin, "03-16 19:45", "centre 3, right 4, left 4, down 4")

	mum.eveningWritten(robin, in2027(s.t, "03-17 19:40", mum.zone), in2027(s.t, "03-20 10:00", mum.zone),
		"centre 3, right 3, left 4, down 3", "")

	mum.evening(robin, "03-18 17:00", "centre 4, left 5")
	visiting.evening(robin, "03-18 17:45", "centre 2, right 4, left 4, down 4")
	mum.write(robin, "03-18 18:30", "03-18/distinct", client.LinkBody{
		Sessions: [2]string{idOf("mother/03-18"), idOf("father/03-18")}, Same: false,
	})

	mum.evening(robin, "03-19 19:40", "centre 4, right -1 gag, left x")
	table := idOf("mother/03-19")
	mum.write(robin, "03-19 19:53", "03-19/incident", client.IncidentBody{Session: &table, What: "coughing_fit"})

	mum.evening(robin, "03-20 19:40", "centre 5, right 4, left 5, down 4, centre 5")
	dad.evening(robin, "03-20 18:41", "centre 5, right 4, left 3, down 4")
	dad.settle("03-21 16:00", "03-20/left", 5, "I think so now.")
}

func (s *story) atTheClinic(desk author) {
	desk.write(robin, "03-05 15:50", "choice", client.ChooseBody{Position: "centre"})
	desk.write(robin, "03-15 10:00", "without-up", client.PositionsBody{Off: []string{"up"}, From: "2027-03-16"})
	desk.write(robin, "03-20 12:00", "cleared", client.ClearBody{
		Incidents: []string{idOf("mother/03-19/incident")}, Note: "Seen today. Smaller sips.",
	})
	desk.settle("03-21 15:00", "03-20/left", 4, "Both were heard.")
}

// sibling is Wren's few evenings: Wren does without head up from the start.
func (s *story) sibling(mum, dad author) {
	dad.evening(wren, "03-16 18:10", "centre 4 (water), right x")
	mum.write(wren, "03-17 18:00", "03-17/excuse", client.ExcuseBody{Night: "2027-03-17", Reason: "ill"})
}
