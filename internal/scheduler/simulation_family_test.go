package scheduler_test

import (
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
)

// family is a family, and what the server has been told of it, kept apart from what the server makes of it.
type family struct {
	world     *world
	zone      *time.Location
	household uuid.UUID
	learner   uuid.UUID
	enrolment uuid.UUID
	phones    []access.Principal
	addresses []uuid.UUID
	channel   string
	first     time.Time     // the first night's date
	reminder  time.Duration // after midnight

	known    map[int]time.Time // by night, counted from the first: since when the server knows of something on it
	stopped  time.Time         // since when nobody is to be reminded; zero while they are
	unsteady map[int]bool      // by night: what was to be reminded changed in the middle of its reminder time

	delivered map[string]int       // by key: how often a message reached an address
	dates     map[string]uuid.UUID // by address and date: which reminder reached it
	sentOf    map[int]bool         // by night: whether its reminder reached anybody
	expected  map[int]bool         // by night: whether it should have, worked out here
}

// at is an instant on a night, so long after its midnight.
func (f *family) at(night int, after time.Duration) time.Time {
	d := f.first.AddDate(0, 0, night)
	return time.Date(d.Year(), d.Month(), d.Day(), int(after.Hours()), int(after.Minutes())%60, 0, 0, f.zone)
}

// plan decides what the family will do.
func (f *family) plan() {
	f.unsteady, f.expected = map[int]bool{}, map[int]bool{}
	rng := f.world.rng
	eager := 0.2 + 0.7*rng.Float64() // how likely they practise on an evening
	for night := range nights {
		f.world.coming.add(f.at(night, f.reminder), func() { f.expect(night) })
		f.world.coming.add(f.at(night, 21*time.Hour), func() { f.settle(night) })
		switch p := rng.Float64(); {
		case p < eager:
			practised := f.at(night, 16*time.Hour+time.Duration(rng.IntN(360))*time.Minute) // from 16:00 to 22:00
			upload := practised.Add(10 * time.Minute)
			if rng.Float64() < 0.15 { // no signal until some other day
				upload = upload.Add(time.Duration(rng.IntN(72)) * time.Hour)
			}
			f.world.coming.add(upload, func() { f.practised(night, practised) })
		case p < eager+0.03:
			f.world.coming.add(f.at(night, time.Duration(8+rng.IntN(12))*time.Hour), func() { f.excuse(night) })
		}
	}
	if rng.Float64() < 0.25 {
		f.world.coming.add(f.at(rng.IntN(nights), time.Duration(rng.IntN(24*60))*time.Minute), func() {
			if f.stopped.IsZero() {
				f.stop()
			}
		})
	}
}

// practised hands in an evening: a session with one sweet.
func (f *family) practised(night int, at time.Time) {
	session, raw := f.entry("session", at, map[string]any{"practised_at": at.In(f.zone).Format(time.RFC3339), "timezone": f.zone.String()})
	_, try := f.entry("try", at, map[string]any{
		"session": session, "position": "left", "number": 1, "medium": "sweet", "outcome": "swallowed", "ease": 4,
	})
	f.push(raw, try)
	f.learns(night)
}

func (f *family) excuse(night int) {
	_, raw := f.entry("excuse", f.world.now, map[string]any{"night": f.first.AddDate(0, 0, night).Format(time.DateOnly), "reason": "ill"})
	f.push(raw)
	f.learns(night)
}

// push hands entries in by any of the family's phones.
func (f *family) push(raws ...[]byte) {
	w := f.world
	phone := f.phones[w.rng.IntN(len(f.phones))]
	answer, err := w.Sync(w.t.Context(), phone, clinic.SyncRequest{Schema: 1, Sent: w.now, Limit: 1, Entries: raws}, w.now)
	require.NoError(w.t, err)
	for _, r := range answer.Results {
		require.Contains(w.t, []string{"accepted", "set_aside"}, string(r.Status))
	}
	w.counts.uploads++
}

// learns notes that the server knows of something on a night.
func (f *family) learns(night int) {
	if _, before := f.known[night]; !before {
		f.known[night] = f.world.now
	}
	f.shaken()
}

// shaken notes that what is to be reminded has changed: of an evening whose reminder time this is, or of the next, nothing is
// expected then.
func (f *family) shaken() {
	local := f.world.now.In(f.zone)
	f.unsteady[int(date(local).Sub(f.first).Hours()/24)] = true
}

// stop has the family reminded no more, in one of the ways there are.
func (f *family) stop() {
	w := f.world
	ctx := w.t.Context()
	switch w.rng.IntN(4) {
	case 0:
		_, raw := f.entry("incident", w.now, map[string]any{"session": nil, "what": "choking", "note": ""})
		f.push(raw)
	case 1:
		_, err := w.SetEnrolmentStatus(ctx, w.clinician, f.enrolment, []string{clinic.Paused, clinic.Ended}[w.rng.IntN(2)], "", w.now)
		require.NoError(w.t, err)
	case 2:
		for _, phone := range f.phones {
			_, err := w.WithdrawConsent(ctx, phone, phone.CaregiverID, w.now)
			require.NoError(w.t, err)
		}
	case 3:
		for i, phone := range f.phones {
			require.NoError(w.t, w.RemoveReminderAddress(ctx, phone, f.addresses[i], w.now))
		}
	}
	f.stopped = w.now
	f.shaken()
}

// acts is the family doing something at this very moment: it practises, or is to be reminded no more.
func (f *family) acts(night int) {
	if f.world.rng.IntN(4) == 0 && f.stopped.IsZero() {
		f.stop()
		return
	}
	f.practised(night, f.world.now)
}

// enough is how long a reminder time must be before quiet hours for what failed to have been tried again often enough.
const enough = time.Hour

// expect works out at the reminder time of a night whether it is to be reminded of, by rules written down here once more.
func (f *family) expect(night int) {
	run := 0
	for before := night - 1; before >= 0 && f.known[before].IsZero(); before-- {
		run++
	}
	silentOnes := map[int]bool{0: true, 1: true, 2: true, 3: true, 5: true, 9: true, 17: true}
	f.expected[night] = f.reminder+enough <= 21*time.Hour && f.known[night].IsZero() && f.stopped.IsZero() && silentOnes[run]
	f.unsteady[night] = false
}

// settle looks, when quiet hours begin, whether what should have been sent has been. Where anything changed between the two, either
// is right.
func (f *family) settle(night int) {
	w := f.world
	if !f.expected[night] || f.unsteady[night] || f.sentOf[night] {
		return
	}
	f.world.coming.add(w.now.Add(4*time.Hour), func() { f.explain(night) })
}

// explain looks for what became of a reminder that reached nobody. A doubt is possible where the channel can't tell; and what
// failed for good is on the clinic's list.
func (f *family) explain(night int) {
	w := f.world
	state, known := w.stateOf(f, night)
	switch {
	case f.sentOf[night]:
	case known && state == "unclear" && f.channel == "email":
		w.counts.doubts++
	case known && state == "given_up":
		w.counts.givenUp++
	default:
		w.counts.neverSent++
		w.t.Errorf("night %d of %s (%s, %s, reminder at %s): never sent, %q", night, f.learner, f.zone, f.channel, clockOf(f.reminder), state)
	}
}
