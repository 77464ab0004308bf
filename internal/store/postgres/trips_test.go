package postgres

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
)

// trips counts how often something is sent to the server and its answer waited for, once all statements are prepared.
type trips struct{ count atomic.Int64 }

func (c *trips) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	c.count.Add(1)
	return ctx
}

func (c *trips) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func (c *trips) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	c.count.Add(1)
	return ctx
}

func (c *trips) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}

func (c *trips) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) {}

// slowEnd is a server that takes its time to roll back: until the gate is opened, or nobody waits any more.
type slowEnd struct {
	*trips
	gate  chan struct{}
	ended atomic.Int64
}

func (s *slowEnd) TraceQueryStart(ctx context.Context, conn *pgx.Conn, data pgx.TraceQueryStartData) context.Context {
	if data.SQL == "ROLLBACK" {
		defer s.ended.Add(1)
		select {
		case <-s.gate:
		case <-ctx.Done():
		}
	}
	return s.trips.TraceQueryStart(ctx, conn, data)
}

// TestWhoeverReadsDoesNotWaitForTheEnd reads, and has the answer before the transaction has been ended; who closes the store waits.
func TestWhoeverReadsDoesNotWaitForTheEnd(t *testing.T) {
	t.Parallel()
	end := &slowEnd{trips: &trips{}, gate: make(chan struct{})}
	s := tracedStore(t, end)
	read := func() {
		require.NoError(t, s.Read(t.Context(), func(ctx context.Context, v clinic.View) error {
			_, err := v.Epoch(ctx)
			return err
		}))
	}
	read()
	assert.Zero(t, end.ended.Load())
	read() // over another connection
	assert.Zero(t, end.ended.Load())
	close(end.gate)
	require.NoError(t, s.Close())
	assert.Equal(t, int64(2), end.ended.Load())
	assert.Equal(t, int64(4), end.count.Load(), "two trips each")
}

// countedStore opens a new store whose trips are counted.
func countedStore(t *testing.T) (*Store, *trips) {
	t.Helper()
	counted := &trips{}
	return tracedStore(t, counted), counted
}

// tracedStore opens a new store of whose connections somebody is told.
func tracedStore(t *testing.T, tracer pgx.QueryTracer) *Store {
	t.Helper()
	first := newStore(t)
	config, err := configOf(first.pool.Config().ConnString(), first.options)
	require.NoError(t, err)
	config.ConnConfig.Tracer = tracer
	s, err := storeOver(t.Context(), config, first.options)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, s.Close()) })
	return s
}

// TestWhoAsksTakesOneTrip asks as each call does, before it is looked at: once for a person or a device, once for a program.
func TestWhoAsksTakesOneTrip(t *testing.T) {
	t.Parallel()
	s, counted := countedStore(t)
	c, family, token := aClinic(), uuid.New(), uuid.New()
	require.NoError(t, s.InTx(t.Context(), func(ctx context.Context, tx clinic.Tx) error {
		member := clinic.Member{ID: uuid.New(), Clinic: c.ID, Email: "who@example.org", Role: "lead", Created: started}
		return errors.Join(tx.AddClinic(ctx, c), tx.AddMember(ctx, member),
			tx.AddRefreshToken(ctx, clinic.RefreshToken{Hash: []byte{1}, Family: family, Member: member.ID}),
			tx.AddServiceToken(ctx, clinic.ServiceToken{ID: token, Clinic: c.ID, Role: "scheduler"}))
	}))
	for range 3 {
		before := counted.count.Load()
		f, err := s.TokenFamily(t.Context(), family)
		require.NoError(t, err)
		assert.NotZero(t, f.Member)
		assert.Equal(t, int64(1), counted.count.Load()-before)
		k, err := s.ServiceToken(t.Context(), token)
		require.NoError(t, err)
		assert.Equal(t, token, k.ID)
		assert.Equal(t, int64(2), counted.count.Load()-before)
	}
	assert.Equal(t, int64(1), s.pool.Stat().NewConnsCount(), "one connection, which nothing was left open on")
}

// TestAnEveningTakesOneTrip hands in an evening as an upload does of a household that is known, and looks how often the server was asked:
// whether it is still of the same edition, and whether the phone's session goes on, go along with all that is written, and with the commit.
func TestAnEveningTakesOneTrip(t *testing.T) {
	t.Parallel()
	s, counted := countedStore(t)
	f := newFamily(t, s, newClinic(t, s))
	require.NoError(t, s.InTx(t.Context(), f.evening)) // prepares the statements
	before := counted.count.Load()
	require.NoError(t, s.InTx(t.Context(), f.evening))
	assert.Equal(t, int64(1), counted.count.Load()-before)
}
