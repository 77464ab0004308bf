package main

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
)

// TestAFortnightComesOutTheSame plays one fortnight into two fresh servers. On the first the phones call now and then, the
// father's not between the 13th and the 18th; on the second nothing comes in before the last evening, and then backwards.
// Both must come to what was worked out by hand, and to the same document for document.
func TestAFortnightComesOutTheSame(t *testing.T) {
	t.Parallel()
	asItHappened := newFortnight(t)
	asItHappened.play(inStepOnTheWay())
	atOnce := newFortnight(t)
	atOnce.play(backwardsAtTheEnd())
	for _, f := range []*fortnight{asItHappened, atOnce} {
		f.expect()
	}
	assert.Equal(t, asItHappened.documents(), atOnce.documents())
	for _, name := range []string{mother, father, tablet} {
		assert.Equal(t, asItHappened.phones[name].entries(asItHappened), atOnce.phones[name].entries(atOnce), name)
	}
}

// TestAPhoneSeesNightsChangeWhileNothingIsRecorded lets time pass, and a learner be enrolled, between calls that bring no
// entry.
func TestAPhoneSeesNightsChangeWhileNothingIsRecorded(t *testing.T) {
	t.Parallel()
	f := newFortnight(t)
	states := func(phone, learner string) string {
		nights, err := f.phones[phone].device.Nights(f.story.learners[learner])
		require.NoError(t, err)
		var all []string
		for _, n := range nights {
			all = append(all, n.Status)
		}
		return strings.Join(all, " ")
	}
	call := func(wall, phone string) {
		f.clock.moveTo(in2027(t, wall, f.home))
		f.phones[phone].call(f)
	}
	call("03-08 12:00", mother)
	assert.Equal(t, "open"+strings.Repeat(" upcoming", 13), states(mother, robin))
	call("03-09 12:00", mother)
	assert.Equal(t, "unheard open"+strings.Repeat(" upcoming", 12), states(mother, robin), "the father has not called")
	call("03-09 12:01", father)
	call("03-09 12:02", mother)
	assert.Equal(t, "missed open"+strings.Repeat(" upcoming", 12), states(mother, robin))
	f.enrolWren()
	call("03-09 12:03", mother)
	assert.Equal(t, strings.TrimSpace(strings.Repeat(" upcoming", 14)), states(mother, wren), "enrolled since the last call")
}

// TestAnEveningFromAFastClockIsNotRemindedOf hands in an evening from a phone that is two minutes fast, just before the
// reminder time: when it is handed in the evening has not begun yet by the server's clock.
func TestAnEveningFromAFastClockIsNotRemindedOf(t *testing.T) {
	t.Parallel()
	f := newFortnight(t)
	f.clock.moveTo(in2027(t, "03-08 19:28", f.home))
	assert.Equal(t, []string{"2027-03-08T23:30:00Z Robin tonight 2027-03-08, run 0"}, f.overdueAt("2027-03-08T19:31:00-04:00"))
	_, err := f.phones[mother].device.RecordEvening(client.Evening{
		Learner: f.story.learners[robin], PractisedAt: in2027(t, "03-08 19:30", f.home), Timezone: "America/Halifax",
		Tries: []client.Try{{Position: "left", Outcome: "swallowed", Ease: 4}},
	})
	require.NoError(t, err)
	f.phones[mother].call(f)
	assert.Empty(t, f.overdueAt("2027-03-08T19:31:00-04:00"), "looked at from ahead")
	f.clock.moveTo(in2027(t, "03-08 19:31", f.home))
	assert.Empty(t, f.overdueAt(lastLook), "asked at the reminder time")
}

// handClock is a clock that stands until somebody moves it.
type handClock struct {
	mu sync.Mutex
	at time.Time
}

func (c *handClock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *handClock) moveTo(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = at
}

// fortnight is one server and everybody who calls it.
type fortnight struct {
	t         *testing.T
	home      *time.Location
	clock     handClock
	house     *house
	base      string
	scheduler client.API
	signedIn  client.API // the clinician, at the instant below
	since     time.Time
	household string
	story     *story
	phones    map[string]*handheld
	told      words
}

// act is something that happens at an instant, in home's wall time.
type act struct {
	wall string
	do   func(f *fortnight)
}

// newFortnight opens a server on the afternoon of the teaching session, with Robin enrolled for the 8th and three devices.
func newFortnight(t *testing.T) *fortnight {
	t.Helper()
	f := &fortnight{
		t: t, home: zone(t, "America/Halifax"), phones: map[string]*handheld{}, told: words{names: map[string]string{}},
	}
	f.clock.moveTo(in2027(t, "03-05 15:00", f.home))
	f.open()
	desk := f.desk()
	f.household = addHousehold(t, desk, "Two homes")
	f.told.names[f.household] = "household"
	learners := map[string]string{}
	learners[robin] = f.enrol(desk, robin, "2019-05", client.NewEnrolment{
		FirstNight: "2027-03-08", Timezone: "America/Halifax", ReminderTime: "19:30",
	})
	var err error
	learners[wren], err = desk.CreateLearner(t.Context(), f.household, wren, "2015-11")
	require.NoError(t, err)
	f.told.names[learners[wren]] = wren
	f.enrolPhones(desk)
	f.story = tellFortnight(t, learners)
	for id, name := range f.story.names {
		f.told.names[id] = name
	}
	for _, w := range f.story.writings {
		if p, ok := f.phones[w.by]; ok {
			p.unrecorded = append(p.unrecorded, w)
		}
	}
	return f
}

// open starts the server, whose clock is moved by hand, with a clinic.
func (f *fortnight) open() {
	f.t.Helper()
	said := &lockedBuffer{}
	house, err := openHouse(f.t.Context(), filepath.Join(f.t.TempDir(), "practice.db"),
		slog.New(slog.NewTextHandler(said, &slog.HandlerOptions{Level: slog.LevelWarn})), f.clock.now)
	require.NoError(f.t, err)
	f.t.Cleanup(func() { require.NoError(f.t, house.close()) })
	f.house = house
	f.base = startServing(f.t, func(ctx context.Context, s streams) error {
		return house.listen(ctx, "127.0.0.1:0", f.clock.now, func(address string) error {
			_, err := fmt.Fprintf(s.out, "Swallowtail serves at http://%s\n", address)
			return err
		})
	}).base
	now := f.clock.now()
	made, err := house.service.AddClinic(f.t.Context(), clinic.NewClinic{
		Name: "Heron Lane (invented)", Timezone: "America/Halifax", ClinicSettings: clinic.ClinicSettings{SecondFactor: "none"},
	}, now)
	require.NoError(f.t, err)
	member, err := house.service.AddMember(f.t.Context(), clinic.NewMember{
		Clinic: made.ID, Email: clinicEmail, Name: "Clinician", Role: access.RoleClinician, Password: somePassword,
	}, now)
	require.NoError(f.t, err)
	f.told.names[member.ID.String()] = clinician
	token, err := house.service.IssueServiceToken(f.t.Context(), made.ID, access.RoleScheduler, 720*time.Hour, now)
	require.NoError(f.t, err)
	f.scheduler = as(caller(f.base), token)
}

// desk returns what the clinician may call, signed in anew when the clock has moved on.
func (f *fortnight) desk() client.API {
	f.t.Helper()
	if now := f.clock.now(); now != f.since {
		f.signedIn, f.since = signIn(f.t, f.base, clinicEmail), now
	}
	return f.signedIn
}

// enrol adds a learner on a programme.
func (f *fortnight) enrol(desk client.API, nickname, birthMonth string, on client.NewEnrolment) string {
	f.t.Helper()
	learner, enrolment := addLearner(f.t, desk, f.household, nickname, birthMonth, on)
	f.told.names[learner], f.told.names[enrolment] = nickname, nickname+"'s enrolment"
	return learner
}

func (f *fortnight) enrolPhones(desk client.API) {
	f.t.Helper()
	mum := enrolPhone(f.t, desk, f.household, "", "Mum", "her phone")
	dad := enrolPhone(f.t, desk, f.household, "", "Dad", "his phone")
	old := enrolPhone(f.t, desk, f.household, dad.CaregiverID, "Dad", "his old tablet")
	require.Equal(f.t, dad.CaregiverID, old.CaregiverID)
	f.told.names[mum.CaregiverID], f.told.names[dad.CaregiverID] = mother, father
	for name, enrolled := range map[string]client.EnrolledDevice{mother: mum, father: dad, tablet: old} {
		f.told.names[enrolled.DeviceID] = name + "'s device"
		f.phones[name] = newHandheld(f, name, enrolled)
	}
}

// play lets everything happen in its order: what an order of its own does, what the clinic does in any, and in the end
// a round of calls that brings every phone in step.
func (f *fortnight) play(own []act) {
	f.t.Helper()
	acts := append(own, act{"03-15 11:00", (*fortnight).enrolWren})
	for _, w := range f.story.writings {
		if w.by == clinician {
			acts = append(acts, act{w.at.In(f.home).Format("01-02 15:04"), writeAtTheDesk(w.entry)})
		}
	}
	acts = append(acts,
		calls("03-21 20:05", mother), calls("03-21 20:06", father), calls("03-21 20:07", tablet), calls("03-21 20:08", mother),
		act{"03-21 20:10", func(*fortnight) {}})
	slices.SortStableFunc(acts, func(a, b act) int { return strings.Compare(a.wall, b.wall) })
	for _, a := range acts {
		f.clock.moveTo(in2027(f.t, a.wall, f.home))
		a.do(f)
	}
	for name, p := range f.phones {
		require.Empty(f.t, p.unrecorded, name)
		require.Empty(f.t, p.device.Outbox(), name)
	}
}

// enrolWren puts the sibling on a programme, while the phones have been calling for days.
func (f *fortnight) enrolWren() {
	f.t.Helper()
	desk := f.desk()
	answers := map[string]bool{}
	for _, question := range client.ScreeningQuestions() {
		answers[question] = false
	}
	learner := f.story.learners[wren]
	require.NoError(f.t, desk.Screen(f.t.Context(), learner, client.Screening{Answers: answers, Decision: "go"}))
	enrolment, err := desk.Enrol(f.t.Context(), learner, client.NewEnrolment{
		FirstNight: "2027-03-16", Timezone: "America/Halifax", ReminderTime: "19:30", Positions: []string{"centre", "right", "left", "down"},
	})
	require.NoError(f.t, err)
	f.told.names[enrolment.ID] = wren + "'s enrolment"
}

// writeAtTheDesk hands in a clinician's entry.
func writeAtTheDesk(e client.Entry) func(f *fortnight) {
	return func(f *fortnight) {
		added, err := f.desk().AddEntries(f.t.Context(), e.LearnerID, e)
		require.NoError(f.t, err)
		require.Equal(f.t, client.Accepted, added.Results[0].Status, "%v", added.Results[0].Problem)
	}
}

// handheld is a device of the fortnight and what has been written on it, but not yet recorded.
type handheld struct {
	device     *client.Device
	token      *client.Tokens
	unrecorded []writing
}

func newHandheld(f *fortnight, name string, enrolled client.EnrolledDevice) *handheld {
	f.t.Helper()
	now := f.clock.now
	if name == tablet {
		now = func() time.Time { return f.clock.now().Add(-tabletSlow) }
	}
	tokens, err := client.OpenTokens(&client.MemoryTokens{Pair: enrolled.Pair}, caller(f.base).Refresh)
	require.NoError(f.t, err)
	device, err := client.Open(client.Config{
		Writer: enrolled.Writer(), Transport: client.HTTPTransport{Base: f.base, HTTP: caller(f.base).HTTP, Tokens: tokens},
		Disk: client.FileDisk{Path: filepath.Join(f.t.TempDir(), "state.json")}, Now: now, NewID: func() string { return newID().String() },
		PageLimit: 37, // so that a pull takes several pages
	})
	require.NoError(f.t, err)
	return &handheld{device: device, token: tokens}
}

// calls lets a phone record what has been written on it by now, and call the server.
func calls(wall, name string) act {
	return act{wall, func(f *fortnight) {
		p := f.phones[name]
		now := f.clock.now()
		for len(p.unrecorded) > 0 && !p.unrecorded[0].at.After(now) {
			require.NoError(f.t, p.device.Record(p.unrecorded[0].entry))
			p.unrecorded = p.unrecorded[1:]
		}
		p.call(f)
	}}
}

func (p *handheld) call(f *fortnight) {
	f.t.Helper()
	_, err := p.device.Sync(f.t.Context())
	require.NoError(f.t, err)
	require.Empty(f.t, p.device.Problems())
}

// callsBackwards lets a phone hand in all at once what was written on it, the last first, some entries a call: tries come
// before their sessions, edits before what they replace.
func callsBackwards(wall, name string, atATime int) act {
	return act{wall, func(f *fortnight) {
		p := f.phones[name]
		slices.Reverse(p.unrecorded)
		for some := range slices.Chunk(p.unrecorded, atATime) {
			for _, w := range some {
				require.False(f.t, w.at.After(f.clock.now()), "written later")
				require.NoError(f.t, p.device.Record(w.entry))
			}
			p.call(f)
		}
		p.unrecorded = nil
	}}
}

// bearer returns what the phone's caregiver may call.
func (p *handheld) bearer(f *fortnight, do func(phone client.API) error) {
	f.t.Helper()
	require.NoError(f.t, p.token.Do(f.t.Context(), func(access string) error { return do(as(caller(f.base), access)) }))
}

// get returns an answer as it came.
func (f *fortnight) get(a client.API, path string) string {
	f.t.Helper()
	var raw jsonText
	require.NoError(f.t, a.Call(f.t.Context(), http.MethodGet, path, nil, &raw))
	return string(raw)
}

// jsonText takes any JSON as it is.
type jsonText []byte

func (j *jsonText) UnmarshalJSON(text []byte) error {
	*j = append((*j)[:0], text...)
	return nil
}
