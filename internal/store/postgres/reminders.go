package postgres

import (
	"bytes"
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	remindersOfLearner   = statement{"list reminders", selectReminder + ` WHERE household = $1 AND learner = $2 ORDER BY due, id`}
	remindersOfHousehold = statement{"list reminders", selectReminder + ` WHERE household = $1 ORDER BY due, id`}
	removeReminders      = statement{"remove reminders", `DELETE FROM reminder WHERE household = $1 AND learner = $2`}
	insertReminders      = statement{"save reminders", `
		INSERT INTO reminder (household, learner, clinic, heard, id, kind, night, due, lapses, run, ready)
		SELECT $1, $2, $3, $4, n.* FROM unnest($5::uuid[], $6::text[], $7::integer[], $8::bigint[], $9::bigint[], $10::bigint[],
			$11::bigint[]) AS n`}
	reminderContact = statement{"note contact with reminders", `
		UPDATE reminder SET heard = $3 WHERE household = $1 AND learner = $2`}

	dueReminders = statement{"list due reminders", selectReminder + `
		WHERE clinic = $1 AND due <= $2 AND (due, id) > ($3::bigint, $4::uuid) AND lapses > $2 ORDER BY due, id LIMIT $5`}
	readyReminders = statement{"list ready reminders", selectReminder + whereReady + ` ORDER BY ready, id LIMIT $4`}
	readyAmong     = statement{"list ready reminders", selectReminder + whereReady + ` AND household = ANY($5) ORDER BY ready, id LIMIT $4`}
	// Who was folded later than the instant asked for is looked for where they are in the order of that, and beside it among the unweighed.
	staleReminders = statement{"list stale reminders", `
		SELECT learner FROM projection WHERE clinic = $1 AND renew_place <= $2 AND reminders_renew <= $2 AND learner > $3
		UNION SELECT learner FROM projection WHERE clinic = $1 AND folded_place > $2 AND folded > $2 AND learner > $3
		UNION SELECT u.learner FROM unweighed u JOIN projection p USING (household, learner)
			WHERE u.clinic = $1 AND p.folded > $2 AND u.learner > $3
		ORDER BY learner LIMIT $4`}
	lapsedReminders = statement{"list lapsed reminders", `
		SELECT learner FROM projection WHERE clinic = $1 AND stale_place <= $2 AND reminders_until <= $2
		ORDER BY stale_place, learner LIMIT $3`}
)

const selectReminder = `SELECT id, kind, night, due, lapses, run, ready, learner, household, heard FROM reminder`

const whereReady = ` WHERE clinic = $1 AND ready <= $2 AND due <= $2 AND lapses > $2 AND kind = ANY($3)`

func scanReminder(row scanner, r *clinic.DueReminder) error {
	return row.Scan(&r.ID, &r.Kind, &r.Night, (*instant)(&r.Due), (*instant)(&r.Lapses), &r.Run, (*instant)(&r.Ready),
		&r.Learner, &r.Household, (*instant)(&r.Heard))
}

func projectedOf(reminders []clinic.DueReminder) (projected []clinic.ProjectedReminder) {
	for i := range reminders {
		projected = append(projected, reminders[i].ProjectedReminder)
	}
	return projected
}

// after is a place in an order of instants, then ids, as the indexes have it.
func after(place *clinic.DueKey) (at int64, id uuid.UUID) {
	if place == nil {
		return start, uuid.Nil
	}
	return ms(place.Due), place.ID
}

// DueReminders implements clinic.ProjectionView.
func (v view) DueReminders(
	ctx context.Context, of uuid.UUID, at time.Time, from *clinic.DueKey, limit int,
) ([]clinic.DueReminder, error) {
	due, id := after(from)
	return ofClinic(ctx, v.work, dueReminders, scanReminder, of, ms(at), due, id, limit)
}

// ReadyReminders implements clinic.ProjectionView. In a transaction that may write, whoever else asks for the same clinic waits until
// it has ended, and other writers are kept from the households of what is returned. What is no longer ready once that is so is left
// out: there may be more than what is returned, even where that is less than the limit.
func (v view) ReadyReminders(
	ctx context.Context, of uuid.UUID, at time.Time, kinds []string, limit int,
) ([]clinic.DueReminder, error) {
	kinds = slices.Concat([]string{}, kinds)
	if !v.writes {
		return ofClinic(ctx, v.work, readyReminders, scanReminder, of, ms(at), kinds, limit)
	}
	if err := v.run(ctx, claimTurn.of(turnOf(toClaim, of))); err != nil {
		return nil, err
	}
	found, err := ofClinic(ctx, v.work, readyReminders, scanReminder, of, ms(at), kinds, limit)
	if err != nil || len(found) == 0 {
		return found, err
	}
	households := make([]uuid.UUID, len(found))
	for i := range found {
		households[i] = found[i].Household
	}
	if err := v.hold(ctx, households); err != nil {
		return nil, err
	}
	return all(ctx, v.work, readyAmong, scanReminder, of, ms(at), kinds, limit, households)
}

// RemindersOf implements clinic.ProjectionView.
func (v view) RemindersOf(ctx context.Context, learner uuid.UUID) ([]clinic.ProjectedReminder, error) {
	at, err := v.learner(ctx, learner)
	if err != nil {
		return nil, err
	}
	found, err := listOf(ctx, v.work, remindersOfLearner, scanReminder, at.household, learner)
	return projectedOf(found), err
}

// StaleReminders implements clinic.ProjectionView.
func (v view) StaleReminders(
	ctx context.Context, of uuid.UUID, at time.Time, page clinic.Page,
) ([]uuid.UUID, error) {
	return ofClinic(ctx, v.work, staleReminders, value[uuid.UUID], of, ms(at), page.After, page.Limit)
}

// LapsedReminders implements clinic.ProjectionView.
func (v view) LapsedReminders(ctx context.Context, of uuid.UUID, at time.Time, limit int) ([]uuid.UUID, error) {
	return ofClinic(ctx, v.work, lapsedReminders, value[uuid.UUID], of, ms(at), limit)
}

// reminderCalls replaces a learner's reminders, where they are others than before.
func reminderCalls(at place, p *clinic.Projection, before []clinic.DueReminder) []call {
	wanted := remindersToKeep(at, p)
	if slices.Equal(before, wanted) {
		return nil
	}
	if slices.EqualFunc(before, wanted, sameButHeard) {
		return []call{reminderContact.of(at.household, p.Learner, ms(p.Heard))}
	}
	n := len(wanted)
	ids, kinds, nights, due, lapses := make([]uuid.UUID, n), make([]string, n), make([]int32, n), make([]int64, n), make([]int64, n)
	runs, ready := make([]int64, n), make([]*int64, n)
	for i := range wanted {
		r := &wanted[i]
		ids[i], kinds[i], nights[i], due[i], lapses[i] = r.ID, r.Kind, int32(r.Night), ms(r.Due), ms(r.Lapses)
		runs[i], ready[i] = int64(r.Run), msOrNull(r.Ready)
	}
	return []call{
		removeReminders.of(at.household, p.Learner),
		insertReminders.of(at.household, p.Learner, p.Clinic, ms(p.Heard), ids, kinds, nights, due, lapses, runs, ready),
	}
}

func sameButHeard(a, b clinic.DueReminder) bool {
	return a.ProjectedReminder == b.ProjectedReminder && a.Learner == b.Learner && a.Household == b.Household
}

// remindersToKeep returns the reminders of a projection as they will come back.
func remindersToKeep(at place, p *clinic.Projection) []clinic.DueReminder {
	reminders := make([]clinic.DueReminder, len(p.Reminders))
	for i, r := range p.Reminders {
		r.Due, r.Lapses, r.Ready = kept(r.Due), kept(r.Lapses), kept(r.Ready)
		reminders[i] = clinic.DueReminder{ProjectedReminder: r, Learner: p.Learner, Household: at.household, Heard: kept(p.Heard)}
	}
	slices.SortFunc(reminders, func(a, b clinic.DueReminder) int {
		return cmp.Or(a.Due.Compare(b.Due), bytes.Compare(a.ID[:], b.ID[:]))
	})
	return reminders
}
