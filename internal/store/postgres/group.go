package postgres

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgproto3"
)

const (
	// partOfConnections is what part of the connections groups may take, two at least where there are as many to spare. With fewer groups the
	// cores of PostgreSQL stand idle, with more hardly anybody shares.
	partOfConnections = 8
	// A group takes fewInGroup of those who wait, or half of them if that is more, so that somebody is left for the next one; but no more than
	// mostInGroup, for whom each of them waits.
	fewInGroup  = 6
	mostInGroup = 12
	// usualMember is what a member takes on its way to the server: an evening some five or six thousand octets.
	usualMember = 6 << 10
	// entriesInGroup is how many entries a member may bring, some ten evenings, and callsInGroup how many statements, of which an evening
	// takes about ten. Nobody waits for who brings more.
	entriesInGroup = 64
	callsInGroup   = 32
)

// errAlone is how a group ended for a member of which nothing has been done, and which goes on alone.
var errAlone = errors.New("nothing was done of it in company")

// queue lets transactions of which everything is known before they begin share a trip to the server and a wait for its disk. Each is a
// transaction of its own, committed before the next one begins. Whoever comes while few groups are under way sets out at once, alone;
// whoever comes later, with all who wait, once one of them is back. Nobody in a group waits for a household that another transaction
// holds, nor for more than a moment for a trail: they go on alone, and there they wait.
type queue struct {
	mu      sync.Mutex
	free    int // how many groups may set out
	waiting []*member
}

func newQueue(connections int32) *queue {
	return &queue{free: max(1, min(2, int(connections)/2), int(connections)/partOfConnections)}
}

// member is a transaction that is to be committed, from its beginning to its commit.
type member struct {
	calls []call
	turn  chan turn
}

// soon is what a member runs in place of a statement for which it might keep others waiting.
func soon(st statement) statement {
	switch st {
	case assume:
		return assumeAtOnce
	case trailTurn:
		return trailTurnSoon
	}
	return st
}

// turn is what becomes of a member: it leads a group, or has been taken along and knows how that ended.
type turn struct {
	leads  bool
	others []*member // who come along
	err    error
}

// await waits for a member's turn, as long as the store has patience.
func (q *queue) await(ctx context.Context, m *member, patience time.Duration) turn {
	q.mu.Lock()
	if q.free > 0 {
		q.free--
		q.mu.Unlock()
		return turn{leads: true}
	}
	q.waiting = append(q.waiting, m)
	q.mu.Unlock()
	waiting, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	select {
	case t := <-m.turn:
		return t
	case <-waiting.Done():
	}
	switch {
	case !q.leave(m):
		return <-m.turn // it leads by now, or was taken along
	case ctx.Err() != nil:
		return turn{err: fmt.Errorf("commit: %w", ctx.Err())}
	}
	return turn{err: fmt.Errorf("commit: %w", errUnavailable.Because(errBusy))}
}

// leave takes a member who waits out of the queue, and reports false where it waits no more.
func (q *queue) leave(m *member) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	at := slices.Index(q.waiting, m)
	if at < 0 {
		return false
	}
	q.waiting = slices.Delete(q.waiting, at, at+1)
	return true
}

// back lets the first who waits lead the next group, or else whoever comes next.
func (q *queue) back() {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.waiting) == 0 {
		q.free++
		return
	}
	n := min(len(q.waiting), mostInGroup, max(fewInGroup, len(q.waiting)/2))
	first, others := q.waiting[0], slices.Clone(q.waiting[1:n])
	q.waiting = slices.Delete(q.waiting, 0, n)
	first.turn <- turn{leads: true, others: others} // which has room for it
}

// together commits a transaction, perhaps along with others. It returns errAlone where nothing of it has been done.
func (s *Store) together(ctx context.Context, calls []call) error {
	m := &member{calls: slices.Clone(calls), turn: make(chan turn, 1)}
	for i := range m.calls {
		m.calls[i].statement = soon(m.calls[i].statement)
	}
	t := s.queue.await(ctx, m, s.options.Patience)
	if !t.leads {
		return t.err
	}
	ends := slices.Repeat([]error{errUnavailable}, 1+len(t.others))
	// Deferred, so that a panic passes through and nobody waits for ever.
	defer func() {
		for i, other := range t.others {
			other.turn <- turn{err: ends[i+1]}
		}
		s.queue.back()
	}()
	s.lead(ctx, slices.Concat([]*member{m}, t.others), ends)
	return ends[0]
}

// lead takes members to the server and notes how that ended for each. Where one is refused, it and those after it, of whom nothing was
// done, are to go alone: so nobody fails for another. A group does not end with the context of who leads it; it may take as long
// as a statement.
func (s *Store) lead(ctx context.Context, members []*member, ends []error) {
	if len(members) > 1 {
		var cancel func()
		ctx, cancel = context.WithTimeout(context.WithoutCancel(ctx), slowest*s.options.Patience)
		defer cancel()
	}
	note := func(ends []error, err error) {
		for i := range ends {
			ends[i] = err
		}
	}
	taken, err := s.acquire(ctx)
	if err != nil {
		note(ends, err)
		return
	}
	defer taken.Release()
	conn := taken.Conn()
	defer s.rollBack(ctx, conn)
	committed, err := commitInTurn(ctx, conn, members)
	if err != nil && !conn.IsClosed() {
		note(ends[committed:], errAlone)
		ends = ends[:committed]
		s.rollBack(ctx, conn)
		if err = nil; committed > 0 {
			err = send(ctx, conn, waitForDisk.of())
		}
	}
	if err != nil && len(members) > 1 && !errors.Is(err, ErrDamaged) {
		err = errUnavailable.Because(err) // of nobody is it known how it ended, and whatever ended it is not of their making
	}
	note(ends, err)
}

// commitInTurn commits members one after the other, and waits for the disk, all in one trip. It returns how many are committed; where
// there is an error, perhaps not on the disk.
func commitInTurn(ctx context.Context, conn *pgx.Conn, members []*member) (committed int, err error) {
	batch := &pgx.Batch{}
	for _, m := range members {
		enqueue(batch, m.calls)
	}
	enqueue(batch, []call{waitForDisk.of()})
	conn.PgConn().Frontend().Send(room(len(members) * usualMember))
	results := conn.SendBatch(ctx, batch)
	for _, m := range members {
		if err := takeAll(results, m.calls); err != nil {
			_ = results.Close() // says the same once more
			return committed, err
		}
		committed++
	}
	return committed, worded(waitForDisk, results.Close())
}

// room is a message of no length that has a connection make room for so many octets of those behind it. What a connection wrote into it lets go of
// after each trip, if it was more than a little, and would have it grow anew bit by bit.
type room int

var _ pgproto3.FrontendMessage = room(0)

// Frontend implements pgproto3.FrontendMessage.
func (room) Frontend() {}

// Decode implements pgproto3.Message. Nobody is sent one.
func (room) Decode([]byte) error { return nil }

// Encode implements pgproto3.Message.
func (r room) Encode(dst []byte) ([]byte, error) { return slices.Grow(dst, int(r)), nil }
