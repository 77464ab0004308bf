package sqlite

import (
	"bytes"
	"cmp"
	"context"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/practice"
)

var (
	// What is kept of a learner's fold says where the reminders are.
	remindersOfLearner = statement{"list reminders", `
		SELECT ` + joinedRows + `, NULL
		FROM projection p CROSS JOIN json_each(p.reminders) AS named CROSS JOIN reminder r ON ` + placeNamed + `
		WHERE p.learner_key = ?`}
	removeReminder  = statement{"remove reminder", `DELETE FROM reminder` + wherePlace}
	insertReminders = statement{"save reminders", `
		INSERT OR REPLACE INTO reminder (clinic_key, claimed, due, id, household_key, learner_key, kind, lapses, ready, answer)`}
	reminderContact = statement{"note contact with reminder", `
		UPDATE reminder SET answer = CAST(substr(answer, 1, 64) || ?5 || substr(answer, 73) AS BLOB)` + wherePlace}

	// Those whom nobody has claimed and those whom somebody has are in the same order, each by themselves: a page is among the
	// first of both.
	dueReminders = statement{"list due reminders", `
		SELECT ` + joinedRows + `, NULL FROM (
			SELECT answer, ready FROM reminder
			WHERE clinic_key = ?1 AND claimed = 0 AND due <= ?2 AND (due, id) > (?3, ?4) AND lapses > ?2
			ORDER BY due, id LIMIT ?5) AS named
		UNION ALL SELECT ` + joinedRows + `, NULL FROM (
			SELECT answer, ready FROM reminder
			WHERE clinic_key = ?1 AND claimed = 1 AND due <= ?2 AND (due, id) > (?3, ?4) AND lapses > ?2
			ORDER BY due, id LIMIT ?5) AS named`}
	// Whom nobody has claimed is ready when it is due.
	readyReminders = statement{"list ready reminders", `
		SELECT ` + joinedRows + `, CAST(group_concat(household_key, ' ') AS BLOB) FROM (
			SELECT answer, ready, household_key FROM reminder
			WHERE clinic_key = ?1 AND claimed = 0 AND due <= ?2 AND lapses > ?2 AND kind IN (SELECT value FROM json_each(?3))
			ORDER BY due, id LIMIT ?4) AS named
		UNION ALL SELECT ` + joinedRows + `, CAST(group_concat(household_key, ' ') AS BLOB) FROM (
			SELECT answer, ready, household_key FROM reminder
			WHERE clinic_key = ?1 AND claimed = 1 AND ready <= ?2 AND due <= ?2 AND lapses > ?2
				AND kind IN (SELECT value FROM json_each(?3))
			ORDER BY ready, id LIMIT ?4) AS named`}
	staleReminders = statement{"list stale reminders", `
		SELECT learner_id FROM projection WHERE clinic_key = ?1 AND renew_place <= ?2 AND reminders_renew <= ?2 AND learner_id > ?3
		UNION SELECT learner_id FROM projection WHERE clinic_key = ?1 AND heard_place > ?2 AND folded > ?2 AND learner_id > ?3
		UNION SELECT learner_id FROM projection
			WHERE clinic_key = ?1 AND weighed IS NULL AND heard > ?2 AND folded > ?2 AND learner_id > ?3
		UNION SELECT learner_id FROM projection WHERE clinic_key = ?1 AND refolded > ?2 AND folded > ?2 AND learner_id > ?3
		ORDER BY learner_id LIMIT ?4`}
	lapsedReminders = statement{"list lapsed reminders", `
		SELECT learner_id FROM projection WHERE clinic_key = ?1 AND stale <= ?2 AND reminders_until <= ?2 LIMIT ?3`}
)

// joinedRows is a page as two values, each with an item for each row: what goes from SQLite to Go row by row takes three times as
// long.
const joinedRows = `CAST(group_concat(answer, x'0a') AS BLOB), CAST(group_concat(coalesce(ready, ''), ' ') AS BLOB)`

// The place of a reminder: as its values are bound, and as what is kept of its learner's fold names it.
const (
	wherePlace = ` WHERE clinic_key = ?1 AND claimed = ?2 AND due = ?3 AND id = ?4`
	placeNamed = `r.clinic_key = p.clinic_key AND r.claimed IN (0, 1) AND r.due = named.value AND r.id = unhex(named.key)`
)

// answerSize is the length of an answer up to its kind: three ids and five numbers.
const answerSize = 3*16 + 5*8

// answerOf is what is answered of a reminder, as it is kept. No kind has the end of a line in it.
func answerOf(r *clinic.DueReminder) []byte {
	answer := slices.Concat(r.ID[:], r.Learner[:], r.Household[:])
	for _, n := range [...]int64{ms(r.Due), ms(r.Lapses), ms(r.Heard), int64(r.Night), int64(r.Run)} {
		answer = append(answer, number(n)...)
	}
	return append(answer, r.Kind...)
}

// number is how an answer keeps a number.
func number(n int64) []byte { return binary.BigEndian.AppendUint64(nil, uint64(n)) } //nolint:gosec // and as signed again

// keptReminders reads what a query for reminders has put together. It notes the keys of their households, where the query has them.
func (w *work) keptReminders(ctx context.Context, st statement, args ...any) ([]clinic.DueReminder, error) {
	var found []clinic.DueReminder
	err := w.each(ctx, st, func(row scanner) error {
		var answers, ready, households sql.RawBytes
		if err := row.Scan(&answers, &ready, &households); err != nil {
			return err
		}
		found = slices.Grow(found, len(answers)/answerSize)
		for len(answers) > 0 {
			r, err := readReminder(cut(&answers, answerSize, '\n'), cut(&ready, 0, ' '))
			if err != nil {
				return err
			}
			found = append(found, r)
			if len(households) == 0 {
				continue
			}
			household, err := readNumber(cut(&households, 0, ' '))
			if err != nil {
				return err
			}
			w.known.households.note(r.Household, household)
		}
		return nil
	}, args...)
	return found, err
}

// cut takes the first item from a list. It ends at the first separator that is not within its first so many bytes.
func cut(list *sql.RawBytes, within int, separator byte) []byte {
	within = min(within, len(*list))
	rest, others, _ := bytes.Cut((*list)[within:], []byte{separator})
	item := (*list)[:within+len(rest)]
	*list = others
	return item
}

// readReminder reads an answer, and from when its reminder may be claimed.
func readReminder(answer, ready []byte) (r clinic.DueReminder, err error) {
	if len(answer) < answerSize {
		return r, fmt.Errorf("read reminder from %d bytes", len(answer))
	}
	number := func(i int) int64 { return int64(binary.BigEndian.Uint64(answer[48+8*i:])) } //nolint:gosec // as it was before
	at := func(i int) time.Time { return time.UnixMilli(number(i)).UTC() }
	copy(r.ID[:], answer)
	copy(r.Learner[:], answer[16:])
	copy(r.Household[:], answer[32:])
	r.Due, r.Lapses, r.Heard = at(0), at(1), at(2)
	r.Night, r.Run, r.Kind = practice.Night(number(3)), int(number(4)), string(answer[answerSize:]) //nolint:gosec // nights fit
	if len(ready) == 0 {
		return r, nil
	}
	since, err := readNumber(ready)
	r.Ready = time.UnixMilli(since).UTC()
	return r, err
}

func readNumber(from []byte) (int64, error) { return strconv.ParseInt(string(from), 10, 64) }

// By these a page is sorted. It comes so, as a rule; SQLite promises no order for what it puts together.

func byDue(a, b clinic.DueReminder) int {
	return cmp.Or(a.Due.Compare(b.Due), bytes.Compare(a.ID[:], b.ID[:]))
}

func byReady(a, b clinic.DueReminder) int {
	return cmp.Or(a.Ready.Compare(b.Ready), bytes.Compare(a.ID[:], b.ID[:]))
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
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	due, id := after(from)
	found, err := v.keptReminders(ctx, dueReminders, key, ms(at), due, id[:], limit)
	slices.SortFunc(found, byDue)
	return found[:min(limit, len(found))], err
}

// ReadyReminders implements clinic.ProjectionView.
func (v view) ReadyReminders(
	ctx context.Context, of uuid.UUID, at time.Time, kinds []string, limit int,
) ([]clinic.DueReminder, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	found, err := v.keptReminders(ctx, readyReminders, key, ms(at), asList(&kinds), limit)
	slices.SortFunc(found, byReady)
	return found[:min(limit, len(found))], err
}

// RemindersOf implements clinic.ProjectionView.
func (v view) RemindersOf(ctx context.Context, learner uuid.UUID) ([]clinic.ProjectedReminder, error) {
	key, err := v.key(ctx, learnerKey, learner)
	if err != nil {
		return nil, err
	}
	return v.remindersOf(ctx, key)
}

func (w *work) allRemindersOf(ctx context.Context, learner int64) ([]clinic.DueReminder, error) {
	return w.known.reminders.or(learner, func() ([]clinic.DueReminder, error) {
		found, err := w.keptReminders(ctx, remindersOfLearner, learner)
		slices.SortFunc(found, byDue)
		return found, err
	})
}

func (w *work) remindersOf(ctx context.Context, learner int64) ([]clinic.ProjectedReminder, error) {
	found, err := w.allRemindersOf(ctx, learner)
	var reminders []clinic.ProjectedReminder
	for _, r := range found {
		reminders = append(reminders, r.ProjectedReminder)
	}
	return reminders, err
}

// StaleReminders implements clinic.ProjectionView.
func (v view) StaleReminders(
	ctx context.Context, of uuid.UUID, at time.Time, page clinic.Page,
) ([]uuid.UUID, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, staleReminders, value[uuid.UUID], key, ms(at), page.After[:], page.Limit)
}

// LapsedReminders implements clinic.ProjectionView.
func (v view) LapsedReminders(ctx context.Context, of uuid.UUID, at time.Time, limit int) ([]uuid.UUID, error) {
	key, err := v.key(ctx, clinicKey, of)
	if err != nil {
		return nil, err
	}
	return all(ctx, v.work, lapsedReminders, value[uuid.UUID], key, ms(at), limit)
}

// saveReminders replaces a learner's reminders, where they are others than before. What is kept of the fold names those before until
// it is saved.
func (t *tx) saveReminders(ctx context.Context, keys projectionKeys, p *clinic.Projection) error {
	before, err := t.allRemindersOf(ctx, keys.learner)
	if err != nil {
		return err
	}
	delete(t.known.reminders, keys.learner)
	wanted := remindersToKeep(keys, p)
	if slices.Equal(before, wanted) {
		return nil
	}
	if slices.EqualFunc(before, wanted, sameButHeard) {
		return t.eachPlace(ctx, reminderContact, keys.clinic, before, number(ms(p.Heard)))
	}
	if err := t.eachPlace(ctx, removeReminder, keys.clinic, before); err != nil {
		return err
	}
	rows := make([][]any, len(wanted))
	for i := range wanted {
		r := &wanted[i]
		rows[i] = append(placeOf(keys.clinic, r), keys.household, keys.learner, r.Kind, ms(r.Lapses), msOrNull(r.Ready), answerOf(r))
	}
	return t.writeMany(ctx, insertReminders, "", rows)
}

// eachPlace runs a statement for the place of each reminder.
func (t *tx) eachPlace(ctx context.Context, st statement, of int64, reminders []clinic.DueReminder, others ...any) error {
	for i := range reminders {
		if err := t.execOne(ctx, st, append(placeOf(of, &reminders[i]), others...)...); err != nil {
			return err
		}
	}
	return nil
}

// placeOf returns where a clinic's reminder is kept.
func placeOf(of int64, r *clinic.DueReminder) []any {
	return []any{of, !r.Ready.Equal(r.Due), ms(r.Due), r.ID[:]}
}

// dueOf says when reminders are due, by their ids, as what is kept of their learner's fold has it.
func dueOf(reminders []clinic.ProjectedReminder) (string, error) {
	due := make(map[string]int64, len(reminders))
	for i := range reminders {
		due[hex.EncodeToString(reminders[i].ID[:])] = ms(reminders[i].Due)
	}
	encoded, err := json.Marshal(due)
	if err != nil {
		return "", fmt.Errorf("say when reminders are due: %w", err)
	}
	return string(encoded), nil
}

func sameButHeard(a, b clinic.DueReminder) bool {
	return a.ProjectedReminder == b.ProjectedReminder && a.Learner == b.Learner && a.Household == b.Household
}

// remindersToKeep returns the reminders of a projection as they will come back.
func remindersToKeep(keys projectionKeys, p *clinic.Projection) []clinic.DueReminder {
	reminders := make([]clinic.DueReminder, len(p.Reminders))
	for i, r := range p.Reminders {
		r.Due, r.Lapses, r.Ready = kept(r.Due), kept(r.Lapses), kept(r.Ready)
		reminders[i] = clinic.DueReminder{ProjectedReminder: r, Learner: p.Learner, Household: keys.householdID, Heard: kept(p.Heard)}
	}
	slices.SortFunc(reminders, byDue)
	return reminders
}
