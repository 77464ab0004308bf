package sqlite

import (
	"cmp"
	"context"
	"slices"
	"sync"
	"time"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// How many writers may share a transaction, and after how many statements it ends: so long does the first of them wait for the last.
// An evening takes about fourteen. With many more in one transaction all who call are answered at once, come again at once and wait for
// each other, and whoever has just missed one waits for two. On a slow disk fewer commits matter more than that: a transaction goes on for
// commitsWorth of what a commit takes there.
const (
	mostInGroup       = 64
	statementsInGroup = 300
	commitsWorth      = 2
)

// queue lets writers take turns. Whoever comes while another writes is let into the same transaction of the database: the slow
// part of a commit, waiting for the disk, is then done once for all of them. Whoever comes alone commits at once.
type queue struct {
	mu      sync.Mutex
	taken   bool
	waiting []chan *group
}

// await waits for the caller's turn and returns the group to write in.
func (q *queue) await(ctx context.Context) (*group, error) {
	q.mu.Lock()
	if !q.taken {
		q.taken = true
		q.mu.Unlock()
		return newGroup(), nil
	}
	turn := make(chan *group, 1)
	q.waiting = append(q.waiting, turn)
	q.mu.Unlock()
	select {
	case g := <-turn:
		return g, nil
	case <-ctx.Done():
	}
	if q.leave(turn) {
		return nil, ctx.Err()
	}
	return <-turn, nil // it was the caller's turn already, so the caller is to move on
}

// leave takes somebody who waits out of the queue, and reports false where it is their turn by now.
func (q *queue) leave(turn chan *group) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	at := slices.Index(q.waiting, turn)
	if at < 0 {
		return false
	}
	q.waiting = slices.Delete(q.waiting, at, at+1)
	return true
}

// pass gives the first who waits a turn in a group, and reports false where nobody waits.
func (q *queue) pass(g *group) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.waiting) == 0 {
		return false
	}
	q.callFirst(g)
	return true
}

// end lets the first who waits begin another group, or else whoever comes next.
func (q *queue) end() {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.taken = len(q.waiting) > 0; q.taken {
		q.callFirst(newGroup())
	}
}

func (q *queue) callFirst(g *group) {
	q.waiting[0] <- g // which has room for it
	q.waiting = slices.Delete(q.waiting, 0, 1)
}

// group is the writers who share a transaction of the database, which they go through one after the other. Each sees what those
// before it have written, as though it had been committed. None is told that it is done before all of it is on the disk; where
// that fails, it fails for each.
type group struct {
	tx         *transaction // nil until one has begun to write
	members    int
	good       int       // how many of them are to be committed
	statements int       // that they have run
	began      time.Time // when the first of them did
	refused    error     // why no transaction could be begun, once that has been waited for
	broken     error     // after which nothing can be written in the transaction
	renew      bool      // the connection can't write
	done       chan struct{}
	err        error // of the commit, once done
}

func newGroup() *group { return &group{done: make(chan struct{})} }

// savepoints are where members begin who are not the first.
var (
	savepoint        = statement{"begin transaction", `SAVEPOINT member`}
	releaseSavepoint = statement{"end transaction", `RELEASE member`}
	undoToSavepoint  = statement{"roll back transaction", `ROLLBACK TO member`}
)

// errNotTogether answers a writer whose neighbour has ended the transaction that they shared.
var errNotTogether = fault.New(fault.Unavailable, "unavailable", "The server could not keep this just now: send it again.")

// write carries fn out as a member of a group and moves on, also in a panic.
func (s *Store) write(ctx context.Context, g *group, fn func(ctx context.Context, tx clinic.Tx) error) error {
	defer s.moveOn(ctx, g)
	err := cmp.Or(ctx.Err(), g.refused) // whoever has waited with the one who was refused has waited long enough
	if err == nil {
		err = s.asMember(ctx, g, fn)
	}
	g.renew = g.renew || isReadOnly(err)
	return err
}

func (s *Store) asMember(ctx context.Context, g *group, fn func(ctx context.Context, tx clinic.Tx) error) error {
	w, err := s.workIn(ctx, g)
	if err != nil {
		return err
	}
	g.members++
	good := false
	// Deferred, so that a panic passes through and leaves nothing behind.
	defer func() {
		if !good {
			s.undo(ctx, g, w)
		}
		g.statements += w.ran
		w.ended = true
	}()
	if err := fn(ctx, &tx{view{w}}); err != nil {
		return err
	}
	if w.broken != nil {
		return w.broken
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if !w.first {
		if _, err := w.exec(ctx, releaseSavepoint); err != nil {
			return err
		}
	}
	good = true
	g.good++
	return nil
}

// workIn returns a member's own part of a group's transaction, which it begins where there is none. The first member is alone in it
// until it is done, and needs no savepoint.
func (s *Store) workIn(ctx context.Context, g *group) (*work, error) {
	if g.tx == nil {
		// Others may come to write in it, so it does not end with whoever began it.
		w, err := s.writer.begin(context.WithoutCancel(ctx), false)
		if err != nil {
			g.refused = err
			return nil, err
		}
		w.first = true
		g.tx, g.began = w.tx, s.options.Now()
		return w, nil
	}
	w := newWork(g.tx)
	if _, err := w.exec(ctx, savepoint); err != nil {
		g.broken = err
		return nil, err
	}
	return w, nil
}

// undo takes back what a member wrote, and nothing of the others. The group is broken where that can't be done, as when SQLite has
// rolled all of it back by itself.
func (s *Store) undo(ctx context.Context, g *group, w *work) {
	if w.first {
		s.rollBack(ctx, w)
		g.tx = nil
		return
	}
	ctx = context.WithoutCancel(ctx) // it may have ended, and the others are not to suffer for that
	undoing := newWork(g.tx)
	for _, st := range []statement{undoToSavepoint, releaseSavepoint} {
		if _, err := undoing.exec(ctx, st); err != nil {
			if g.broken = w.broken; g.broken == nil {
				g.broken = err
			}
			return
		}
	}
}

// moveOn lets the next member write, or ends the group.
func (s *Store) moveOn(ctx context.Context, g *group) {
	if s.hasRoom(g) && s.queue.pass(g) {
		return
	}
	g.err = s.finish(ctx, g)
	if g.renew || isReadOnly(g.err) {
		// The disk may be writable by now, or soon: only a connection that is opened then can tell.
		s.writer.renew()
	}
	close(g.done)
	s.queue.end()
}

// hasRoom reports whether another may write in a group.
func (s *Store) hasRoom(g *group) bool {
	if g.broken != nil || g.members >= mostInGroup {
		return false
	}
	// A commit takes long now and then on a quick disk too, hardly two in a row.
	return g.statements < statementsInGroup || s.options.Now().Sub(g.began) < commitsWorth*min(s.commits[0], s.commits[1])
}

func (s *Store) finish(ctx context.Context, g *group) error {
	if g.tx == nil {
		return nil
	}
	w := &work{tx: g.tx, broken: g.broken}
	defer s.rollBack(ctx, w)
	switch {
	case fault.KindOf(g.broken) == fault.OutOfSpace:
		return g.broken
	case g.broken != nil:
		return errNotTogether.Because(g.broken)
	case g.good == 0:
		return nil
	}
	began := s.options.Now()
	err := commit(w)
	s.commits = [2]time.Duration{s.options.Now().Sub(began), s.commits[0]}
	return err
}
