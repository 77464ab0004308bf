package scheduler

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"time"

	"swallowtail/internal/channel"
)

// Config is what a scheduler works with.
type Config struct {
	Desk     Desk
	Channels []channel.Channel
	Log      *slog.Logger
	Now      func() time.Time // for how long something took, and nothing else
	// Watch is told of each reminder, by its kind, and of what became of it; it may be nil.
	Watch func(kind string, outcome Outcome)

	Limit   int           // how many reminders are claimed at once
	Lease   time.Duration // for how long
	Workers int           // how many are sent at once
	// Reports is how often a report is made, or the go-ahead asked for, before it is left to the lease; Pause is how long to wait after
	// the first failure, and each further wait is twice as long.
	Reports int
	Pause   time.Duration
	// Grace is how long what has been begun may go on once the scheduler is to stop.
	Grace time.Duration
}

// Usual returns what is usual; Desk, Channels, Log and Now remain to be set.
func Usual() Config {
	return Config{Limit: 50, Lease: 2 * time.Minute, Workers: 4, Reports: 5, Pause: 500 * time.Millisecond, Grace: 20 * time.Second}
}

// Scheduler sends the reminders that are due.
type Scheduler struct {
	Config
	channels map[string]channel.Channel
}

// New returns a scheduler.
func New(c Config) *Scheduler {
	s := &Scheduler{Config: c, channels: map[string]channel.Channel{}}
	for _, ch := range c.Channels {
		s.channels[ch.Name()] = ch
	}
	return s
}

// Tally counts reminders by what became of them. Those that turned out not to be this scheduler's to send count as gone.
type Tally struct{ Claimed, Sent, Failed, Skipped, Unclear, Gone int }

// Once sends all that is due, and returns once everything that it began has been seen to. When ctx ends it begins nothing more:
// what it holds by then is another's as soon as the lease runs out.
func (s *Scheduler) Once(ctx context.Context) (Tally, error) {
	var total Tally
	for ctx.Err() == nil {
		taken := s.Now()
		claimed, err := s.Desk.Claim(ctx, s.Limit, s.Lease)
		if err != nil {
			return total, err
		}
		total.Claimed += len(claimed)
		s.sendAll(ctx, claimed, taken, &total)
		if len(claimed) < s.Limit {
			return total, nil
		}
	}
	return total, nil
}

// Run sends what is due, and looks again after every pause until ctx ends. A desk that can't be reached is tried again then.
func (s *Scheduler) Run(ctx context.Context, pause time.Duration, round func(Tally, error)) {
	for ctx.Err() == nil {
		tally, err := s.Once(ctx)
		if ctx.Err() == nil || err == nil {
			round(tally, err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
	}
}

// sendAll sends what was claimed, some at a time.
func (s *Scheduler) sendAll(ctx context.Context, claimed []Claimed, taken time.Time, total *Tally) {
	var mu sync.Mutex
	var working sync.WaitGroup
	next := make(chan *Claimed)
	for range max(1, min(s.Workers, len(claimed))) {
		working.Go(func() {
			for c := range next {
				outcome, ours := s.send(ctx, c, taken)
				mu.Lock()
				total.add(outcome, ours)
				mu.Unlock()
			}
		})
	}
	for i := range claimed {
		next <- &claimed[i]
	}
	close(next)
	working.Wait()
}

func (t *Tally) add(outcome Outcome, ours bool) {
	switch {
	case !ours:
		t.Gone++
	case outcome == Sent:
		t.Sent++
	case outcome == Failed:
		t.Failed++
	case outcome == Skipped:
		t.Skipped++
	case outcome == Unclear:
		t.Unclear++
	}
}

// send sends one reminder and reports on it. It returns false where the reminder is not ours to send, or nothing is known of it.
func (s *Scheduler) send(ctx context.Context, c *Claimed, taken time.Time) (Outcome, bool) {
	if ctx.Err() != nil || s.Now().Sub(taken) >= s.Lease {
		return "", false // another's, or soon
	}
	// What has been begun is ended, and told of, even where the scheduler is to stop meanwhile; but not for ever.
	ctx, ended := s.lasting(ctx)
	defer ended()
	report, ours := s.deliver(ctx, c)
	if !ours {
		return "", false
	}
	if err := s.report(ctx, c, report); err != nil {
		s.Log.WarnContext(ctx, "can't report what became of a reminder", slog.String("reminder", c.ID.String()),
			slog.String("outcome", string(report.Outcome)), slog.String("error", err.Error()))
		return report.Outcome, false
	}
	if s.Watch != nil {
		s.Watch(c.Kind, report.Outcome)
	}
	return report.Outcome, true
}

// lasting returns a context that ends some time after ctx does.
func (s *Scheduler) lasting(ctx context.Context) (context.Context, func()) {
	longer, cancel := context.WithCancel(context.WithoutCancel(ctx))
	stop := context.AfterFunc(ctx, func() { time.AfterFunc(s.Grace, cancel) })
	return longer, func() {
		stop()
		cancel()
	}
}

// deliver asks for the go-ahead and sends to each destination.
func (s *Scheduler) deliver(ctx context.Context, c *Claimed) (Report, bool) {
	if len(c.Destinations) == 0 {
		return Report{Outcome: Skipped, Detail: "no address to send it to"}, true
	}
	repeatable := true
	for _, d := range c.Destinations {
		ch, known := s.channels[d.Channel]
		repeatable = repeatable && known && ch.Recognises()
	}
	ahead, err := s.goAhead(ctx, c, repeatable)
	switch {
	case errors.Is(err, ErrGone):
		return Report{}, false
	case err != nil: // it may have been given, but nothing has been sent
		s.Log.WarnContext(ctx, "can't get the go-ahead for a reminder", slog.String("reminder", c.ID.String()), slog.String("error", err.Error()))
		return Report{Outcome: Failed, Detail: "no answer to the question whether to send it"}, true
	}
	var r Report
	for _, d := range c.Destinations {
		if slices.Contains(ahead.Destinations, d.ID) {
			r.Parts = append(r.Parts, s.sendTo(ctx, d, ahead.By))
		}
	}
	r.Outcome, r.Detail = summed(r.Parts)
	return r, true
}

// goAhead asks for the go-ahead, again where the answer is lost.
func (s *Scheduler) goAhead(ctx context.Context, c *Claimed, repeatable bool) (ahead GoAhead, err error) {
	err = s.persist(ctx, func() error {
		ahead, err = s.Desk.GoAhead(ctx, c, repeatable)
		return err
	})
	return ahead, err
}

// sendTo sends to one destination, unless it is too late to begin.
func (s *Scheduler) sendTo(ctx context.Context, d Destination, by time.Time) Part {
	part := Part{Destination: d.ID, Channel: d.Channel, Outcome: Failed}
	ch, known := s.channels[d.Channel]
	switch {
	case !known:
		part.Outcome, part.Detail = Skipped, "this scheduler has no such channel"
		return part
	case !s.Now().Before(by):
		part.Detail = "not begun in time"
		return part
	}
	err := ch.Send(ctx, channel.Message{
		Key: d.Key, To: d.To, Subject: d.Subject, Text: d.Text, Unsubscribe: d.Unsubscribe,
	})
	switch {
	case err == nil:
		part.Outcome = Sent
	case errors.Is(err, channel.ErrUnclear):
		part.Outcome = Unclear
	case errors.Is(err, channel.ErrRefused):
		part.Permanent = true
	}
	if err != nil {
		part.Detail = shortened(err.Error())
	}
	return part
}

// maxDetail is how many characters of a detail are told.
const maxDetail = 200

func shortened(text string) string {
	runes := []rune(text)
	return string(runes[:min(len(runes), maxDetail)])
}

// summed returns what became of a reminder all in all: the most that is still to be seen to.
func summed(parts []Part) (Outcome, string) {
	for _, outcome := range []Outcome{Failed, Unclear, Sent} {
		for _, p := range parts {
			if p.Outcome == outcome {
				return outcome, p.Detail
			}
		}
	}
	if len(parts) == 0 {
		return Skipped, "no address left to send it to"
	}
	return Skipped, parts[0].Detail
}

// report reports, again where the desk can't be reached.
func (s *Scheduler) report(ctx context.Context, c *Claimed, r Report) error {
	return s.persist(ctx, func() error { return s.Desk.Report(ctx, c, r) })
}

// persist calls the desk until it answers, some times at most.
func (s *Scheduler) persist(ctx context.Context, call func() error) error {
	pause := s.Pause
	for tries := 1; ; tries++ {
		err := call()
		if err == nil || errors.Is(err, ErrGone) || tries >= s.Reports || ctx.Err() != nil {
			return err
		}
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
		pause *= 2
	}
}
