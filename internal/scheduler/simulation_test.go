package scheduler_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/channel"
	"swallowtail/internal/clinic"
	"swallowtail/internal/reminder"
	"swallowtail/internal/scheduler"
)

// How likely each mishap is, at each step of each scheduler.
const (
	crashes     = 0.02 // so every seventh reminder or so brings one down
	loseAnswer  = 0.02
	sleeps      = 0.02
	channelBusy = 0.04
	familyActs  = 0.03 // just before the go-ahead for its reminder; a third as often just after it
)

var (
	errCrashed = errors.New("the scheduler has crashed")
	errLost    = errors.New("the answer was lost")
)

// player is a scheduler on a clock of its own, and the desk and channels as it sees them.
type player struct {
	*scheduler.Scheduler
	world   *world
	skew    time.Duration
	drift   float64
	busy    bool
	crashed bool
	back    time.Time // when it is started again
}

func (w *world) newPlayer() *player {
	p := &player{
		world: w, skew: time.Duration(w.rng.IntN(7200)-3600) * time.Second, drift: 0.99 + 0.02*w.rng.Float64(),
	}
	config := scheduler.Usual()
	config.Desk, config.Now, config.Log = p, p.clock, slog.New(slog.DiscardHandler)
	config.Channels = []channel.Channel{&wire{player: p, name: "email"}, &wire{player: p, name: "pager", recognises: true}}
	config.Workers, config.Pause, config.Limit = 1, 0, 20
	p.Scheduler = scheduler.New(config)
	return p
}

// clock is wrong by up to an hour, and a hundredth too fast or too slow.
func (p *player) clock() time.Time {
	return began.Add(p.skew + time.Duration(p.drift*float64(p.world.now.Sub(began))))
}

// mishap is what befalls a scheduler between two steps: a crash, or sleep while the others go on and families practise.
func (p *player) mishap() error { return p.mishapOf(200 * time.Second) }

func (p *player) mishapOf(sleep time.Duration) error {
	w := p.world
	switch luck := w.rng.Float64(); {
	case p.crashed:
	case luck < crashes*w.grief:
		p.crashed, p.back = true, w.now.Add(time.Duration(w.rng.IntN(600))*time.Second)
		w.counts.crashes++
	case luck < (crashes+sleeps)*w.grief:
		w.counts.sleeps++
		w.pass(time.Duration(w.rng.Int64N(int64(sleep))))
		if sleep > reminder.SendWithin { // long enough for others to do something
			w.someoneElse(p)
		}
	}
	if p.crashed {
		return errCrashed
	}
	return nil
}

// lost tells whether an answer gets lost.
func (p *player) lost() bool {
	if p.world.rng.Float64() >= loseAnswer {
		return false
	}
	p.world.counts.lostAnswers++
	return true
}

// step does something at the desk, among mishaps.
func step[T any](p *player, do func() (T, error)) (T, error) {
	var none T
	if err := p.mishap(); err != nil {
		return none, err
	}
	answer, err := do()
	switch {
	case errors.Is(err, reminder.ErrNotHeld), errors.Is(err, reminder.ErrNotDue):
		return none, scheduler.ErrGone
	case err != nil:
		p.world.t.Errorf("the desk answers: %v", err)
		return none, err
	case p.lost():
		return none, errLost
	}
	if err := p.mishap(); err != nil {
		return none, err
	}
	return answer, nil
}

// Claim implements scheduler.Desk.
func (p *player) Claim(ctx context.Context, limit int, lease time.Duration) ([]scheduler.Claimed, error) {
	w := p.world
	claimed, err := step(p, func() ([]clinic.ClaimedReminder, error) {
		return w.ClaimReminders(ctx, w.robot, clinic.ClaimWish{Kinds: []string{"tonight", "missed"}, Limit: limit, Lease: lease}, w.now)
	})
	all := make([]scheduler.Claimed, len(claimed))
	for i, c := range claimed {
		w.claims[c.ID] = c
		all[i] = scheduler.Claimed{ID: c.ID, Claim: c.Claim, Kind: c.Kind}
		for _, d := range c.Destinations {
			all[i].Destinations = append(all[i].Destinations, scheduler.Destination{
				ID: d.ID, Channel: d.Channel, To: d.To, Key: d.Key, Subject: d.Message.Subject, Text: d.Message.Text, Unsubscribe: d.Unsubscribe,
			})
		}
	}
	return all, err
}

// GoAhead implements scheduler.Desk.
func (p *player) GoAhead(ctx context.Context, c *scheduler.Claimed, repeatable bool) (scheduler.GoAhead, error) {
	w := p.world
	w.acts(c.ID, familyActs)
	asked := p.clock()
	g, err := step(p, func() (clinic.GoAhead, error) {
		g, err := w.GiveGoAhead(ctx, w.robot, c.ID, clinic.GoAheadAsk{Claim: c.Claim, Repeatable: repeatable}, w.now)
		if err == nil {
			w.ahead[c.ID] = w.now
		}
		return g, err
	})
	return scheduler.GoAhead{By: asked.Add(g.Within), Destinations: g.Destinations}, err
}

// Report implements scheduler.Desk.
func (p *player) Report(ctx context.Context, c *scheduler.Claimed, r scheduler.Report) error {
	w := p.world
	report := reminder.Report{Outcome: reminder.Outcome(r.Outcome), Detail: r.Detail}
	for _, part := range r.Parts {
		report.Parts = append(report.Parts, reminder.Try{
			Destination: part.Destination, Channel: part.Channel, Outcome: reminder.Outcome(part.Outcome), Permanent: part.Permanent, Detail: part.Detail,
		})
	}
	_, err := step(p, func() (clinic.Delivery, error) {
		return w.ReportReminder(ctx, w.robot, c.ID, c.Claim, report, w.now)
	})
	return err
}

// wire is a channel, to families whose addresses it knows.
type wire struct {
	player     *player
	name       string
	recognises bool
}

func (c *wire) Name() string     { return c.name }
func (c *wire) Recognises() bool { return c.recognises }

// Send implements channel.Channel. A message may arrive although its sender never hears so.
func (c *wire) Send(_ context.Context, m channel.Message) error {
	w := c.player.world
	if err := c.player.mishapOf(reminder.SendWithin - 2*time.Second); err != nil { // what a channel takes to take something
		return errors.Join(channel.ErrLater, err)
	}
	if w.rng.Float64() < channelBusy {
		return channel.ErrLater
	}
	w.acts(uuid.MustParse(m.Key[:36]), familyActs/3)
	w.arrive(c, m)
	if err := c.player.mishap(); err != nil || c.player.lost() {
		return errors.Join(channel.ErrUnclear, err)
	}
	return nil
}

// acts lets the family that a reminder is about do something, now and then.
func (w *world) acts(id uuid.UUID, luck float64) {
	if w.rng.Float64() >= luck {
		return
	}
	claim := w.claims[id]
	f := w.of[claim.Learner]
	w.pass(time.Second) // so that it is known later than what was before
	f.acts(f.numberOf(w.now.In(f.zone).Format(time.DateOnly)))
}

// arrive is a message reaching an address: here everything is checked.
func (w *world) arrive(c *wire, m channel.Message) {
	id := uuid.MustParse(m.Key[:36])
	claim := w.claims[id]
	f := w.of[claim.Learner]
	if c.recognises && f.delivered[m.Key] > 0 {
		return
	}
	w.counts.delivered++
	wrong := func(count *int, what string) {
		*count++
		w.t.Errorf("%s: %s %s of %s (%s), at %s", what, claim.Kind, claim.Night, f.learner, f.zone, w.now.In(f.zone))
	}
	if f.delivered[m.Key]++; f.delivered[m.Key] > 1 {
		wrong(&w.counts.twice, "sent twice")
	}
	local := w.now.In(f.zone)
	if local.Hour() >= 21 || local.Hour() < 8 {
		wrong(&w.counts.atNight, "sent at night")
	}
	day := fmt.Sprint(m.To, date(local))
	if before, is := f.dates[day]; is && before != id {
		wrong(&w.counts.twoADay, "the second of a day")
	}
	f.dates[day] = id
	night := f.numberOf(claim.Night.String())
	known, practised := f.known[night]
	ahead := w.ahead[id]
	switch {
	case practised && !known.After(ahead):
		wrong(&w.counts.afterPractice, "after practice was known")
	case practised, !f.stopped.IsZero() && f.stopped.After(ahead):
		w.counts.raced++ // between the go-ahead and its arrival, some seconds
	}
	if !f.stopped.IsZero() && !f.stopped.After(ahead) {
		wrong(&w.counts.afterStop, "after it was stopped")
	}
	if claim.Kind == "tonight" {
		f.sentOf[night] = true
	}
}

// numberOf returns which night a date is, counted from the first.
func (f *family) numberOf(night string) int {
	d, err := time.Parse(time.DateOnly, night)
	require.NoError(f.world.t, err)
	return int(d.Sub(f.first).Hours() / 24)
}

// stateOf returns how the server says a night's reminder stands.
func (w *world) stateOf(f *family, night int) (string, bool) {
	var deliveries []clinic.Delivery
	err := w.Store.Read(w.t.Context(), func(ctx context.Context, view clinic.View) (err error) {
		deliveries, err = view.Deliveries(ctx, f.household)
		return err
	})
	require.NoError(w.t, err)
	for _, d := range deliveries {
		if d.Kind == reminder.Tonight && f.numberOf(d.Night.String()) == night {
			return string(d.At(w.now).State), true
		}
	}
	return "", false
}

// someoneElse lets another scheduler work while one sleeps.
func (w *world) someoneElse(than *player) {
	for _, p := range w.players {
		if p != than && !p.busy {
			p.turn()
			return
		}
	}
}

// turn lets a scheduler send what is due, if it is alive.
func (p *player) turn() {
	w := p.world
	if p.crashed && w.now.Before(p.back) {
		return
	}
	p.busy, p.crashed = true, false
	defer func() { p.busy = false }()
	_, err := p.Once(w.t.Context())
	if err != nil && !errors.Is(err, errCrashed) && !errors.Is(err, errLost) {
		w.t.Errorf("once: %v", err)
	}
}

func (w *world) run() {
	for range schedulers {
		w.players = append(w.players, w.newPlayer())
	}
	end := began.Add((nights + 4) * 24 * time.Hour)
	for w.now.Before(end) {
		w.pass(tick)
		for _, p := range w.players {
			p.turn()
		}
	}
}

// TestEveningsWithSchedulersThatComeToGrief plays families all around the world and three schedulers that crash, sleep, lose answers
// and have wrong clocks. With SWALLOWTAIL_TEST_FAMILIES there are so many families, and SQLite keeps what is known of them.
func TestEveningsWithSchedulersThatComeToGrief(t *testing.T) {
	t.Parallel()
	families, store := 60, inMemory
	if raceDetector {
		families = 12
	}
	if text := os.Getenv("SWALLOWTAIL_TEST_FAMILIES"); text != "" {
		var err error
		families, err = strconv.Atoi(text)
		require.NoError(t, err)
		store = inSQLite
	}
	w := newWorld(t, store, 20270301, families)
	if families > 500 {
		w.grief = 0.15 // or three schedulers could not keep up with them, however well they worked
	}
	w.run()
	t.Logf("%d families, %d nights: %+v", families, nights, w.counts)
	c := w.counts
	assert.Zero(t, [...]int{c.twice, c.neverSent, c.atNight, c.afterPractice, c.afterStop, c.twoADay})
	assert.Greater(t, c.delivered, families*nights/5, "so that there was something to go wrong")
	assert.NotZero(t, c.crashes*c.lostAnswers*c.sleeps*c.doubts*c.raced, "and it did")
	report, err := w.Check(t.Context())
	require.NoError(t, err)
	assert.Empty(t, report.Differences)
}
