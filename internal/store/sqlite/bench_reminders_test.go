package sqlite

import (
	"context"
	"fmt"
	"net/url"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/reminder"
)

// crowd fills a clinic with families of one learner, one caregiver with a phone and an address, each with a next reminder at one
// of the day's quarters of an hour: every twentieth is due at the instant ?2 and has been for up to 45 minutes, the others will be.
// The ids are drawn at random, as real ones are.
var crowd = []string{
	`INSERT INTO clinic (clinic_key, id, name, timezone, second_factor, created) VALUES (1, zeroblob(16), '', 'Etc/UTC', 'none', 0)`,
	`WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?1)
	INSERT INTO household (household_key, id, clinic_key, label, created) SELECT i, randomblob(16), 1, 'Household ' || i, ?2 FROM n`,
	`INSERT INTO caregiver (caregiver_key, id, household_key, name, consent_version, consented, created)
	SELECT household_key, randomblob(16), household_key, 'Mum', '1', ?2, ?2 FROM household`,
	`INSERT INTO device (device_key, id, household_key, caregiver_key, name, platform, enrolled)
	SELECT household_key, randomblob(16), household_key, caregiver_key, 'Phone', 'android', ?2 FROM caregiver`,
	`UPDATE household SET heard = json_object(CAST(household_key AS TEXT), ?2)`,
	`INSERT INTO address (id, household_key, caregiver_key, channel, sent_to, wanted, created, verified, code_wrong)
	SELECT randomblob(16), household_key, caregiver_key, 'email', 'family' || caregiver_key || '@example.org', '{}', ?2, ?2, 0
	FROM caregiver`,
	`INSERT INTO learner (learner_key, id, household_key, nickname, birth_month, created)
	SELECT household_key, randomblob(16), household_key, 'Kit', '2019-05', ?2 FROM household`,
	`INSERT INTO projection (learner_key, clinic_key, learner_id, folded, until, reminders_until, reminders_renew, status, urgency,
		nights_wrong, heard, nickname, nickname_order, flags, roster_row, weighed)
	SELECT learner_key, 1, id, ?2, ?2 + 36000000, ?2 + 36000000, ?2 + 86400000, 'running', learner_key % 9, learner_key % 7,
		?2 - learner_key % 1000, nickname, 'kit', '[]', zeroblob(400), zeroblob(200) FROM learner`,
	`UPDATE projection SET reminders = json_object(lower(hex(randomblob(16))),
		?2 + 900000 * iif(learner_key % 20 = 0, -(learner_key / 20 % 4), 1 + learner_key % 91))`,
	`WITH drawn AS MATERIALIZED (
		SELECT unhex(r.key) AS id, household_key, l.learner_key, l.id AS learner_id, h.id AS household_id, r.value AS due
		FROM learner l JOIN household h USING (household_key) JOIN projection p USING (learner_key) JOIN json_each(p.reminders) r)
	INSERT INTO reminder (clinic_key, claimed, due, id, household_key, learner_key, kind, lapses, ready, answer)
	SELECT 1, 0, due, id, household_key, learner_key, 'tonight', due + 14400000, due, CAST(id || learner_id || household_id ||
		unhex(format('%016x%016x%016x%016x%016x', due, due + 14400000, ?2, 20000, 0)) || 'tonight' AS BLOB)
	FROM drawn ORDER BY due, id`,
}

// crowded returns a store with a clinic of so many learners. It is filled without a journal and without the indexes, which are
// quicker made at the end, then opened as any store is.
func crowded(b *testing.B, learners int) *Store {
	b.Helper()
	path := filepath.Join(b.TempDir(), "store.db")
	s, err := Open(b.Context(), path, testOptions(b))
	require.NoError(b, err)
	require.NoError(b, s.Migrate(b.Context()))
	require.NoError(b, s.Close())
	p, err := openPool(s.address(url.Values{
		"_journal_mode": {"OFF"}, "_synchronous": {"OFF"}, "_foreign_keys": {"off"}, "_pragma": {"cache_size(-1000000)"},
	}), 1)
	require.NoError(b, err)
	var drop, create string
	require.NoError(b, p.db.QueryRowContext(b.Context(), `
		SELECT group_concat('DROP INDEX ' || name, ';'), group_concat(sql, ';') FROM sqlite_schema
		WHERE type = 'index' AND sql IS NOT NULL`).Scan(&drop, &create))
	_, err = p.db.ExecContext(b.Context(), drop)
	require.NoError(b, err)
	for _, text := range crowd {
		_, err := p.db.ExecContext(b.Context(), text, learners, ms(started))
		require.NoError(b, err)
	}
	_, err = p.db.ExecContext(b.Context(), create)
	require.NoError(b, err)
	require.NoError(b, p.close())
	return openAt(b, path)
}

// reading reads from clinics of so many learners.
func reading(b *testing.B, read func(ctx context.Context, v clinic.View) error) {
	b.Helper()
	for _, learners := range []int{10_000, 100_000, 1_000_000} {
		b.Run(fmt.Sprintf("learners=%d", learners), func(b *testing.B) {
			s := crowded(b, learners)
			b.ReportAllocs()
			for b.Loop() {
				require.NoError(b, s.Read(b.Context(), read))
			}
		})
	}
}

// BenchmarkDueReminders reads the first 500 reminders that are due in a clinic.
func BenchmarkDueReminders(b *testing.B) {
	reading(b, func(ctx context.Context, v clinic.View) error {
		due, err := v.DueReminders(ctx, uuid.Nil, started, nil, 500)
		require.Len(b, due, 500)
		return err
	})
}

// BenchmarkStaleReminders looks for those of whom others may be due than are kept, in a clinic in which there are none: at an instant at
// which what is kept of everybody's fold holds no longer, but the reminders do.
func BenchmarkStaleReminders(b *testing.B) {
	reading(b, func(ctx context.Context, v clinic.View) error {
		ids, err := v.StaleReminders(ctx, uuid.Nil, started.Add(20*time.Hour), clinic.Page{Limit: clinic.MaxPage})
		require.Empty(b, ids)
		return err
	})
}

// BenchmarkClaim500 does to the store what a claim of 500 reminders does, in one durable transaction. In the smaller clinic the same
// 500 are claimed again and again, each time when the lease has run out; in the larger one it is others each time.
func BenchmarkClaim500(b *testing.B) {
	for _, learners := range []int{10_000, 1_000_000} {
		b.Run(fmt.Sprintf("learners=%d", learners), func(b *testing.B) {
			s := crowded(b, learners)
			now := started
			claim := func() {
				require.NoError(b, s.InTx(b.Context(), func(ctx context.Context, tx clinic.Tx) error {
					return claim500(ctx, tx, now)
				}))
				now = now.Add(time.Second)
			}
			claim() // so that the statements have been prepared
			b.ReportAllocs()
			for b.Loop() {
				claim()
			}
		})
	}
}

// claim500 claims 500 reminders for a second.
func claim500(ctx context.Context, tx clinic.Tx, now time.Time) error {
	ready, err := tx.ReadyReminders(ctx, uuid.Nil, now, []string{"tonight", "missed"}, 500)
	if err != nil {
		return err
	}
	households, ids := make([]uuid.UUID, len(ready)), make([]uuid.UUID, len(ready))
	for i := range ready {
		households[i], ids[i] = ready[i].Household, ready[i].ID
	}
	known, err := tx.DeliveriesByID(ctx, ids)
	if err != nil {
		return err
	}
	recipients, err := tx.Recipients(ctx, households)
	if err != nil {
		return err
	}
	deliveries := make([]clinic.Delivery, len(ready))
	for i := range ready {
		d, r := &deliveries[i], &ready[i]
		d.ID, d.Kind, d.Night, d.Due, d.Lapses = r.ID, reminder.Kind(r.Kind), r.Night, r.Due, r.Lapses
		if before, had := known[r.ID]; had {
			*d = before
		}
		d.Clinic, d.Household, d.Learner = uuid.Nil, r.Household, r.Learner
		d.Delivery = d.ClaimedBy(r.Learner, time.Second, now)
	}
	if len(recipients) != 500 {
		return fmt.Errorf("%d of 500 have recipients", len(recipients))
	}
	return tx.SaveDeliveries(ctx, deliveries)
}
