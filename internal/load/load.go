package load

import (
	"context"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"

	"swallowtail/api/client"
)

// Config is whom to play, and against what.
type Config struct {
	Base string // such as http://127.0.0.1:8080
	// Others are further servers on the same database. Each line has a server that it calls first, and turns to the next where it
	// gets no answer.
	Others      []string
	Families    []Family
	First       time.Time // midnight, at home, before the families' first evening; its location has an IANA name
	Connections int       // at least 1
	Compress    bool      // whether bodies are compressed, both ways
	// Duration is how long each scenario lasts at most: then no further call is begun.
	Duration time.Duration
	Now      func() time.Time
	NewID    func() uuid.UUID // makes the ids of entries
	Seed     uint64           // of what is invented
}

// Load is families with their devices, and what has been acknowledged to each.
type Load struct {
	Config
	phones []*phone
	writer *writer
	told   atomic.Int64
}

// New returns families who have handed in nothing yet.
func New(c Config) (*Load, error) {
	phones, err := newPhones(c.Families, client.API{Base: c.Base})
	if err != nil {
		return nil, err
	}
	random := rand.New(rand.NewPCG(c.Seed, 0)) //nolint:gosec // G404: what is invented is to be repeatable, not secret
	return &Load{Config: c, phones: phones, writer: &writer{newID: c.NewID, random: random, first: c.First}}, nil
}

// Acknowledged returns how many evenings have been acknowledged so far. It may be asked while a scenario is played.
func (l *Load) Acknowledged() int { return int(l.told.Load()) }

// lines returns n lines, which call the servers in turn.
func (l *Load) lines(n int) []*line {
	lines := make([]*line, n)
	for i := range lines {
		lines[i] = l.newLine()
		lines[i].server = i
	}
	return lines
}

// together has every line do its part at once, and measures that. No call is begun once ctx has ended or the duration is over.
func (l *Load) together(ctx context.Context, name string, lines []*line, part func(ctx context.Context, nth int, on *line)) Measured {
	ctx, cancel := context.WithTimeout(ctx, l.Duration)
	defer cancel()
	m := Measured{Name: name}
	began := l.Now()
	var all sync.WaitGroup
	for nth, on := range lines {
		all.Go(func() { part(ctx, nth, on) })
	}
	all.Wait()
	m.Took = l.Now().Sub(began)
	m.gather(lines, began)
	for _, on := range lines {
		on.end()
	}
	return m
}

// share gives the nth of several lines its share of what is to be done, every so manyth, until that is done or ctx ends.
func share[T any](ctx context.Context, all []T, nth, lines int, do func(T)) {
	for i := nth; i < len(all) && ctx.Err() == nil; i += lines {
		do(all[i])
	}
}

// FirstEvening has the families hand in the next evening of their programmes, at most so many of them: as they are who have not called
// since the server was started.
func (l *Load) FirstEvening(ctx context.Context, uploads int) (Measured, error) {
	return l.evenings(ctx, "first evening", min(uploads, len(l.phones)))
}

// Evening has the families hand in the evenings of their programmes that are left, one in each call, one family after another: every
// family's next before anybody's second next. It ends with the last evening, or after so many uploads.
func (l *Load) Evening(ctx context.Context, uploads int) (Measured, error) {
	return l.evenings(ctx, "evening", uploads)
}

func (l *Load) evenings(ctx context.Context, name string, uploads int) (Measured, error) {
	lines := l.lines(min(l.Connections, len(l.phones)))
	parts, err := l.writeEvenings(uploads, len(lines))
	if err != nil {
		return Measured{}, err
	}
	return l.together(ctx, name, lines, func(ctx context.Context, nth int, on *line) {
		share(ctx, parts[nth], 0, 1, func(u upload) { on.handIn(ctx, &u) })
	}), nil
}

// writeEvenings writes what lines are to hand in, each always for the same families, so that a phone makes one call at a time.
func (l *Load) writeEvenings(uploads, lines int) ([][]upload, error) {
	parts := make([][]upload, lines)
	for i := range min(uploads, Evenings*len(l.phones)) {
		family := i % len(l.phones)
		p := l.phones[family]
		nth := p.told + i/len(l.phones)
		if nth >= Evenings {
			continue
		}
		u, err := l.writer.evenings(p, nth, 1)
		if err != nil {
			return nil, err
		}
		parts[family%lines] = append(parts[family%lines], u)
	}
	return parts, nil
}

// Complete has every family hand in, in one call, what is left of its programme.
func (l *Load) Complete(ctx context.Context) (Measured, error) {
	var left []upload
	for _, p := range l.phones {
		if p.told == Evenings {
			continue
		}
		u, err := l.writer.evenings(p, p.told, Evenings-p.told)
		if err != nil {
			return Measured{}, err
		}
		left = append(left, u)
	}
	lines := l.lines(min(l.Connections, len(l.phones)))
	return l.together(ctx, "what was left of the programmes", lines, func(ctx context.Context, nth int, on *line) {
		share(ctx, left, nth, len(lines), func(u upload) { on.handIn(ctx, &u) })
	}), nil
}

// FirstSync has every family's record pulled from its beginning, as by a new phone.
func (l *Load) FirstSync(ctx context.Context) Measured {
	lines := l.lines(min(l.Connections, len(l.phones)))
	return l.together(ctx, "first sync", lines, func(ctx context.Context, nth int, on *line) {
		share(ctx, l.phones, nth, len(lines), func(p *phone) { _, _ = on.pull(ctx, p) }) // a failure is counted
	})
}

// Verified says of what was acknowledged whether it is there.
type Verified struct {
	Families     int // whose whole record was read
	Unread       int // whose record could not be read
	Acknowledged int // entries
	Missing      int // entries acknowledged and not in the record
}

// Verify pulls the record of every family that was acknowledged anything, and looks for each entry.
func (l *Load) Verify(ctx context.Context) Verified {
	var told []*phone
	for _, p := range l.phones {
		if len(p.acknowledged) > 0 {
			told = append(told, p)
		}
	}
	var mu sync.Mutex
	var v Verified
	lines := l.lines(min(l.Connections, max(len(told), 1)))
	l.together(ctx, "verify", lines, func(ctx context.Context, nth int, on *line) {
		share(ctx, told, nth, len(lines), func(p *phone) {
			ids, err := on.pull(ctx, p)
			if err != nil {
				return
			}
			mu.Lock()
			defer mu.Unlock()
			v.Families++
			v.Acknowledged += len(p.acknowledged)
			v.Missing += missing(p.acknowledged, ids)
		})
	})
	v.Unread = len(told) - v.Families
	return v
}

// missing returns how many of the wanted ids are not among those there are.
func missing(wanted, there []uuid.UUID) int {
	has := make(map[uuid.UUID]bool, len(there))
	for _, id := range there {
		has[id] = true
	}
	n := 0
	for _, id := range wanted {
		if !has[id] {
			n++
		}
	}
	return n
}
