package main

import (
	"context"
	"strings"
	"sync/atomic"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

const barePostgresSchema = `
CREATE TABLE session (
	key bigint PRIMARY KEY, learner uuid NOT NULL, recorded text NOT NULL, practised bigint NOT NULL, zone text NOT NULL
);
CREATE TABLE try (
	session bigint NOT NULL, nth int NOT NULL, position text NOT NULL, number int NOT NULL, medium text NOT NULL,
	size double precision NOT NULL, outcome text NOT NULL, ease int NOT NULL, snags text NOT NULL,
	PRIMARY KEY (session, nth)
);
CREATE TABLE entry (id uuid PRIMARY KEY, session bigint NOT NULL, nth int NOT NULL);`

// barePostgres stores evenings in PostgreSQL, each in a transaction of its own that is one pipelined batch: one round trip.
type barePostgres struct {
	pool *pgxpool.Pool
	next atomic.Int64 // the key of the last session
}

func openBarePostgres(ctx context.Context, address string) (store func(context.Context, bareSession) error, err error) {
	config, err := pgxpool.ParseConfig(address)
	if err != nil {
		return nil, err
	}
	config.MaxConns = 16
	config.ConnConfig.RuntimeParams["synchronous_commit"] = "on"
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, err
	}
	if _, err := pool.Exec(ctx, barePostgresSchema); err != nil {
		return nil, err
	}
	return (&barePostgres{pool: pool}).store, nil
}

// store sends an evening's rows as arrays, so that each table takes one statement however many there are.
func (b *barePostgres) store(ctx context.Context, s bareSession) error {
	key := b.next.Add(1)
	ids, nths := [][16]byte{s.id}, []int32{0}
	var positions, media, outcomes, snags []string
	var numbers, eases []int32
	var sizes []float64
	for i := range s.tries {
		t := &s.tries[i].said
		ids, nths = append(ids, s.tries[i].id), append(nths, int32(i)+1)
		positions, media, outcomes = append(positions, t.Position), append(media, t.Medium), append(outcomes, t.Outcome)
		numbers, eases = append(numbers, int32(t.Number)), append(eases, int32(t.Ease))
		sizes, snags = append(sizes, t.SizeMM), append(snags, strings.Join(t.Snags, " "))
	}
	var batch pgx.Batch
	batch.Queue("INSERT INTO session VALUES ($1, $2, $3, $4, $5)", key, [16]byte(s.learner), s.recorded, s.at, s.zone)
	batch.Queue(`INSERT INTO try SELECT $1, u.* FROM unnest($2::int[], $3::text[], $4::int[], $5::text[], $6::float8[], $7::text[],
		$8::int[], $9::text[]) AS u`, key, nths[1:], positions, numbers, media, sizes, outcomes, eases, snags)
	batch.Queue("INSERT INTO entry SELECT u.id, $2, u.nth FROM unnest($1::uuid[], $3::int[]) AS u (id, nth)", ids, key, nths)
	return b.pool.SendBatch(ctx, &batch).Close() // one transaction, since nothing in it begins another
}
