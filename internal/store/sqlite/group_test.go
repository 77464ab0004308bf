package sqlite

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

type writer func(ctx context.Context, tx clinic.Tx) error

// together carries writers out of whom all come, in this order, while the first writes, and returns what they were answered.
func together(t *testing.T, s *Store, writers ...writer) []error {
	t.Helper()
	answers := make([]error, len(writers))
	var all sync.WaitGroup
	answers[0] = s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		for i, fn := range writers[1:] {
			all.Go(func() {
				defer func() {
					if said, ok := recover().(string); ok {
						answers[i+1] = errors.New(said)
					}
				}()
				answers[i+1] = s.InTx(t.Context(), fn)
			})
			waiting(t, s, i+1)
		}
		return writers[0](ctx, tx)
	})
	all.Wait()
	return answers
}

// waiting waits until so many wait for their turn.
func waiting(t *testing.T, s *Store, count int) {
	t.Helper()
	require.Eventually(t, func() bool {
		s.queue.mu.Lock()
		defer s.queue.mu.Unlock()
		return len(s.queue.waiting) == count
	}, 10*time.Second, 100*time.Microsecond)
}

func small() clinic.Clinic { return clinic.Clinic{ID: uuid.New(), Created: started} }

func adds(ctx context.Context, tx clinic.Tx) error { return tx.AddClinic(ctx, small()) }

// runs adds a clinic after so many statements.
func runs(ctx context.Context, tx clinic.Tx, statements int) error {
	for range statements {
		if _, err := tx.Epoch(ctx); err != nil {
			return err
		}
	}
	return adds(ctx, tx)
}

// logged is what the write-ahead log holds: its frames, each a page, and the commits among them. The format is in "WAL-mode File
// Format" of SQLite's documentation: a header of 32 bytes, then frames with one of 24 of which the second word is not 0 for a commit.
func logged(t testing.TB, s *Store) (frames, commits int) {
	t.Helper()
	log, err := os.ReadFile(s.path + "-wal")
	require.NoError(t, err)
	const header, frameHeader = 32, 24
	if len(log) < header {
		return 0, 0
	}
	size := frameHeader + int(binary.BigEndian.Uint32(log[8:]))
	for at := header; at+size <= len(log); at += size {
		frames++
		if binary.BigEndian.Uint32(log[at+4:]) != 0 {
			commits++
		}
	}
	return frames, commits
}

func TestThoseWhoComeTogetherShareACommit(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	_, before := logged(t, s)
	writers := make([]writer, mostInGroup+5)
	for i := range writers {
		writers[i] = adds
	}
	require.NoError(t, errors.Join(together(t, s, writers...)...))
	assert.Equal(t, len(writers), clinicsIn(t, s))
	_, after := logged(t, s)
	assert.Equal(t, 2, after-before, "as many as may share one, and the rest")
}

// TestALongWriterEndsTheGroup lets one come between two who wrote little.
func TestALongWriterEndsTheGroup(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	long := func(ctx context.Context, tx clinic.Tx) error {
		return runs(ctx, tx, statementsInGroup)
	}
	before := commitsIn(t, s)
	require.NoError(t, errors.Join(together(t, s, adds, long, adds)...))
	assert.Equal(t, 2, commitsIn(t, s)-before)
}

// TestAGroupGoesOnWhileCommitsTakeLonger lets another come after a long writer, at different times after the group began.
func TestAGroupGoesOnWhileCommitsTakeLonger(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		says        string
		took        [2]time.Duration // the commits before
		worked      time.Duration
		wantCommits int
	}{
		{"a slow disk", [2]time.Duration{30 * time.Millisecond, 20 * time.Millisecond}, 39 * time.Millisecond, 1},
		{"a slow disk, for as long as that is worth", [2]time.Duration{30 * time.Millisecond, 20 * time.Millisecond}, 40 * time.Millisecond, 2},
		{"a commit that took long for once", [2]time.Duration{time.Second, time.Millisecond}, 39 * time.Millisecond, 2},
		{"the one before it", [2]time.Duration{time.Millisecond, time.Second}, 39 * time.Millisecond, 2},
	} {
		s := newStore(t)
		s.commits = c.took
		now := started
		s.options.Now = func() time.Time { return now }
		long := func(ctx context.Context, tx clinic.Tx) error {
			now = now.Add(c.worked)
			return runs(ctx, tx, statementsInGroup)
		}
		before := commitsIn(t, s)
		require.NoError(t, errors.Join(together(t, s, adds, long, adds)...))
		assert.Equal(t, c.wantCommits, commitsIn(t, s)-before, c.says)
	}
}

// TestHowLongCommitsTook notes it of the last two.
func TestHowLongCommitsTook(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	now := started
	s.options.Now = func() time.Time {
		now = now.Add(time.Duration(now.Second()+1) * time.Second) // each look comes later after the one before
		return now
	}
	require.NoError(t, s.InTx(t.Context(), adds)) // begins at 1 s; its commit takes from 3 to 7
	assert.Equal(t, [2]time.Duration{4 * time.Second, 0}, s.commits)
	now = started
	require.NoError(t, s.InTx(t.Context(), adds))
	assert.Equal(t, [2]time.Duration{4 * time.Second, 4 * time.Second}, s.commits)
	refused := errors.New("the caller's own")
	require.ErrorIs(t, s.InTx(t.Context(), func(context.Context, clinic.Tx) error { return refused }), refused)
	assert.Equal(t, [2]time.Duration{4 * time.Second, 4 * time.Second}, s.commits, "nothing was committed")
}

// TestWhoWaitedWithTheRefused is refused too, and need not wait as long once more.
func TestWhoWaitedWithTheRefused(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	g, err := s.queue.await(t.Context())
	require.NoError(t, err)
	g.refused = errUnavailable
	err = s.write(t.Context(), g, adds)
	require.ErrorIs(t, err, errUnavailable)
	assert.Zero(t, clinicsIn(t, s))
	require.NoError(t, s.InTx(t.Context(), adds), "who comes afterwards asks anew")
}

// TestATransactionIsOverWhenItIsOver uses one after its end, when its connection may be another's.
func TestATransactionIsOverWhenItIsOver(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	var kept []clinic.View
	var keptTx clinic.Tx
	require.NoError(t, s.InTx(t.Context(), func(_ context.Context, tx clinic.Tx) error {
		kept, keptTx = append(kept, tx), tx
		return nil
	}))
	require.NoError(t, s.Read(t.Context(), func(_ context.Context, v clinic.View) error {
		kept = append(kept, v)
		return nil
	}))
	for _, v := range kept {
		_, err := v.Epoch(t.Context())
		require.ErrorIs(t, err, sql.ErrTxDone)
	}
	require.ErrorIs(t, adds(t.Context(), keptTx), sql.ErrTxDone)
	assert.Zero(t, clinicsIn(t, s))
}

// TestABadWriterHarmsNobody lets writers fail in every way between others.
func TestABadWriterHarmsNobody(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	taken := small()
	require.NoError(t, addOne(t.Context(), s, taken))
	reason := errors.New("the caller's own")
	fails := map[string]writer{
		"the caller's own": func(ctx context.Context, tx clinic.Tx) error {
			return errors.Join(tx.AddClinic(ctx, small()), reason)
		},
		"the caller's panic": func(ctx context.Context, tx clinic.Tx) error {
			require.NoError(t, tx.AddClinic(ctx, small()))
			panic("the caller's panic")
		},
		"context canceled": func(ctx context.Context, tx clinic.Tx) error {
			ctx, cancel := context.WithCancel(ctx)
			require.NoError(t, tx.AddClinic(ctx, small()))
			cancel()
			return tx.AddClinic(ctx, small())
		},
		"It exists already.": func(ctx context.Context, tx clinic.Tx) error {
			return errors.Join(tx.AddClinic(ctx, small()), tx.AddClinic(ctx, taken))
		},
		"unable to open database file": func(ctx context.Context, w clinic.Tx) error { // the driver's own word for it
			inside, ok := w.(*tx)
			require.True(t, ok)
			inside.broken = errors.New("unable to open database file")
			return nil
		},
	}
	for says, fn := range fails {
		before, clinics := commitsIn(t, s), clinicsIn(t, s)
		answers := together(t, s, adds, fn, adds, fn, adds)
		require.NoError(t, errors.Join(answers[0], answers[2], answers[4]), says)
		require.ErrorContains(t, answers[1], says)
		require.ErrorContains(t, answers[3], says)
		assert.Equal(t, clinics+3, clinicsIn(t, s), says)
		assert.Equal(t, 1, commitsIn(t, s)-before, says)
	}
}

func commitsIn(t *testing.T, s *Store) int {
	t.Helper()
	_, commits := logged(t, s)
	return commits
}

// TestWhoBeganIsRolledBackAlone lets the first of several fail, for whom the transaction was begun.
func TestWhoBeganIsRolledBackAlone(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	reason := errors.New("the caller's own")
	var other error
	var done sync.WaitGroup
	err := s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		require.NoError(t, adds(ctx, tx))
		done.Go(func() { other = s.InTx(t.Context(), adds) })
		waiting(t, s, 1)
		return reason
	})
	done.Wait()
	assert.Same(t, reason, err, "returned unchanged")
	require.NoError(t, other)
	assert.Equal(t, 1, clinicsIn(t, s))
}

// endsIt ends the transaction that others are in, as SQLite itself does on some errors.
func endsIt(ctx context.Context, w clinic.Tx) error {
	inside, _ := w.(*tx)
	_, err := inside.work.tx.conn.ExecContext(ctx, `ROLLBACK`)
	return errors.Join(err, errUnavailable)
}

func TestATransactionThatEndedByItself(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	answers := together(t, s, adds, adds, endsIt, adds)
	for _, err := range answers[:3] {
		assert.Equal(t, fault.Unavailable, fault.KindOf(err), "those before it wrote in what is lost, and are told so")
	}
	require.NoError(t, answers[3], "who comes after it writes in another")
	assert.Equal(t, 1, clinicsIn(t, s))
}

// TestACommitThatFails fails for all that share it, also for one that was refused by what the others wrote.
func TestACommitThatFails(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	c := small()
	orphan := func(ctx context.Context, w clinic.Tx) error {
		inside, _ := w.(*tx)
		_, err := inside.work.tx.conn.ExecContext(ctx, `PRAGMA defer_foreign_keys = on;
			INSERT INTO household (id, clinic_key, label, created) VALUES (zeroblob(16), 77, '', 0)`)
		return err
	}
	same := func(ctx context.Context, tx clinic.Tx) error { return tx.AddClinic(ctx, c) }
	for i, err := range together(t, s, adds, same, orphan, same, adds) {
		require.ErrorContains(t, err, "FOREIGN KEY constraint failed", "writer %d", i)
	}
	assert.Zero(t, clinicsIn(t, s))
}

// TestWhoGivesUpWaiting writes nothing, and keeps nobody from it.
func TestWhoGivesUpWaiting(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	ctx, giveUp := context.WithCancel(t.Context())
	var impatient, patient error
	var all sync.WaitGroup
	require.NoError(t, s.InTx(t.Context(), func(inside context.Context, tx clinic.Tx) error {
		all.Go(func() { impatient = s.InTx(ctx, adds) })
		waiting(t, s, 1)
		all.Go(func() { patient = s.InTx(t.Context(), adds) })
		waiting(t, s, 2)
		giveUp()
		waiting(t, s, 1)
		return adds(inside, tx)
	}))
	all.Wait()
	require.ErrorIs(t, impatient, context.Canceled)
	require.NoError(t, patient)
	assert.Equal(t, 2, clinicsIn(t, s))
}

// TestWhoGivesUpWriting is rolled back alone.
func TestWhoGivesUpWriting(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	ctx, giveUp := context.WithCancel(t.Context())
	var impatient, patient error
	var all sync.WaitGroup
	require.NoError(t, s.InTx(t.Context(), func(inside context.Context, tx clinic.Tx) error {
		all.Go(func() {
			impatient = s.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error {
				defer giveUp()
				return adds(ctx, tx)
			})
		})
		waiting(t, s, 1)
		all.Go(func() { patient = s.InTx(t.Context(), adds) })
		waiting(t, s, 2)
		return adds(inside, tx)
	}))
	all.Wait()
	require.ErrorIs(t, impatient, context.Canceled)
	require.NoError(t, patient)
	assert.Equal(t, 2, clinicsIn(t, s))
}

// TestManyWritersAtOnce lets many write who come, fail and give up as they like, and looks for each that was told it was kept.
func TestManyWritersAtOnce(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	var mu sync.Mutex
	var kept []uuid.UUID
	var all sync.WaitGroup
	for i := range 40 {
		all.Go(func() {
			for j := range 10 {
				c := small()
				ctx, cancel := context.WithTimeout(t.Context(), time.Duration(1+(i*j)%7)*time.Millisecond)
				err := s.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error {
					if err := tx.AddClinic(ctx, c); err != nil || (i+j)%3 > 0 {
						return err
					}
					return errUnavailable
				})
				cancel()
				if err == nil {
					mu.Lock()
					kept = append(kept, c.ID)
					mu.Unlock()
				}
			}
		})
	}
	all.Wait()
	require.NotEmpty(t, kept)
	assert.Equal(t, len(kept), clinicsIn(t, s))
	require.NoError(t, s.Read(t.Context(), func(ctx context.Context, v clinic.View) error {
		for _, id := range kept {
			if _, err := v.Clinic(ctx, id); err != nil {
				return err
			}
		}
		return nil
	}))
}
