package postgres

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"swallowtail/internal/clinic"
)

var _ clinic.Hints = (*Store)(nil)

const (
	// hintChannel is what hints are sent over. Each of them is a line: a household and its newest revision.
	hintChannel = "swallowtail_heads"
	// gatherHints is how long hints wait for others, since every notification is a transaction, and of those that notify only one
	// commits at a time.
	gatherHints = 20 * time.Millisecond
	// hintsPerMessage keeps a notification well below the 8,000 bytes that it may have (PostgreSQL 15 manual, NOTIFY).
	hintsPerMessage = 100
	// maxHints bounds how many households wait to be told of; what is beyond is left for others to find by themselves.
	maxHints = 10_000
	// hearAgain is how long to wait before a connection that failed is made anew.
	hearAgain = time.Second
)

// hints are those that have not been sent.
type hints struct {
	mu      sync.Mutex
	heads   map[uuid.UUID]int64
	waiting chan struct{} // holds something while there are any
}

func newHints() *hints { return &hints{heads: map[uuid.UUID]int64{}, waiting: make(chan struct{}, 1)} }

// Send implements clinic.Hints. It is not a part of the transaction that it tells of: PostgreSQL lets only one transaction commit at a
// time of all that notify.
func (s *Store) Send(household uuid.UUID, rev int64) {
	h := s.hints
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.heads) >= maxHints {
		return
	}
	h.heads[household] = max(h.heads[household], rev)
	select {
	case h.waiting <- struct{}{}:
	default:
	}
}

// take returns what waits to be sent, as the texts of notifications.
func (h *hints) take() (messages []string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	var lines []string
	for household, rev := range h.heads {
		lines = append(lines, household.String()+" "+strconv.FormatInt(rev, 10))
	}
	clear(h.heads)
	for len(lines) > 0 {
		n := min(len(lines), hintsPerMessage)
		messages = append(messages, strings.Join(lines[:n], "\n"))
		lines = lines[n:]
	}
	return messages
}

// Exchange implements clinic.Hints. Whatever fails is tried again; what was lost meanwhile is lost.
func (s *Store) Exchange(ctx context.Context, heard func(household uuid.UUID, rev int64)) {
	var both sync.WaitGroup
	both.Go(func() { s.keepAt(ctx, "send hints to other servers", s.sendHints) })
	both.Go(func() {
		s.keepAt(ctx, "hear hints of other servers", func(ctx context.Context) error { return s.hearHints(ctx, heard) })
	})
	both.Wait()
}

// keepAt does something that goes on until it fails, again and again until ctx ends. It says so once when it begins to fail.
func (s *Store) keepAt(ctx context.Context, task string, do func(ctx context.Context) error) {
	last := ""
	for ctx.Err() == nil {
		err := do(ctx)
		if ctx.Err() != nil {
			return
		}
		if said := err.Error(); said != last {
			s.options.Logger.WarnContext(ctx, "can't "+task+", who find out by themselves", "error", said)
			last = said
		}
		select {
		case <-ctx.Done():
		case <-time.After(hearAgain):
		}
	}
}

func (s *Store) sendHints(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-s.hints.waiting:
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(gatherHints):
		}
		if err := s.notify(ctx, s.hints.take()); err != nil {
			return err
		}
	}
}

// Its commit is of nothing that is to last, and so waits for no disk: writing to that is what all commits have to share.
var notifying = statement{"notify", `
	SELECT set_config('synchronous_commit', 'off', true), pg_notify($1, message) FROM unnest($2::text[]) AS message`}

func (s *Store) notify(ctx context.Context, messages []string) error {
	return s.inTx(ctx, func(w *work) error {
		return w.run(ctx, notifying.of(hintChannel, messages), committing.of())
	})
}

// hearHints listens over a connection of its own until it fails.
func (s *Store) hearHints(ctx context.Context, heard func(household uuid.UUID, rev int64)) (err error) {
	config := s.pool.Config().ConnConfig
	config.OnNotification = func(_ *pgconn.PgConn, n *pgconn.Notification) { readHints(n.Payload, heard) }
	conn, err := pgx.ConnectConfig(ctx, config)
	if err != nil {
		return fmt.Errorf("listen: %w", translated(err))
	}
	defer func() { err = errors.Join(err, conn.Close(context.WithoutCancel(ctx))) }()
	if _, err := conn.Exec(ctx, `LISTEN `+hintChannel); err != nil {
		return fmt.Errorf("listen: %w", translated(err))
	}
	for {
		// Handed to the function above as soon as it comes.
		if err := conn.PgConn().WaitForNotification(ctx); err != nil {
			return fmt.Errorf("listen: %w", translated(err))
		}
	}
}

// readHints passes over what it can't read, as of a newer version of this program.
func readHints(message string, heard func(household uuid.UUID, rev int64)) {
	for line := range strings.Lines(message) {
		id, number, _ := strings.Cut(strings.TrimSuffix(line, "\n"), " ")
		household, idErr := uuid.Parse(id)
		rev, revErr := strconv.ParseInt(number, 10, 64)
		if idErr == nil && revErr == nil {
			heard(household, rev)
		}
	}
}
