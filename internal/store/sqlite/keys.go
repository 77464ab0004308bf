package sqlite

import (
	"context"

	"github.com/google/uuid"
)

// The statements that turn an id into the key by which rows name each other.
var (
	clinicKey     = statement{"find clinic", `SELECT clinic_key FROM clinic WHERE id = ?`}
	memberKey     = statement{"find member", `SELECT member_key FROM member WHERE id = ?`}
	planKey       = statement{"find plan", `SELECT plan_key FROM plan WHERE id = ?`}
	householdKey  = statement{"find household", `SELECT household_key FROM household WHERE id = ?`}
	caregiverKey  = statement{"find caregiver", `SELECT caregiver_key FROM caregiver WHERE id = ?`}
	deviceKey     = statement{"find device", `SELECT device_key FROM device WHERE id = ?`}
	learnerKey    = statement{"find learner", `SELECT learner_key FROM learner WHERE id = ?`}
	householdKeys = statement{"find households", `
		SELECT id, household_key FROM household WHERE id IN (SELECT unhex(value, '-') FROM json_each(?))`}

	caregiverOfHousehold = statement{"find caregiver", `
		SELECT caregiver_key FROM caregiver WHERE id = ? AND household_key = ?`}
	learnerOfHousehold = statement{"find learner", `SELECT learner_key FROM learner WHERE id = ? AND household_key = ?`}
)

// key returns the key of a row, among those of a household where the statement asks for its key; NotFound where there is
// none.
func (w *work) key(ctx context.Context, st statement, id uuid.UUID, household ...any) (int64, error) {
	read := func() (int64, error) { return one(ctx, w, st, value[int64], append([]any{id[:]}, household...)...) }
	switch st {
	case clinicKey:
		return w.known.clinics.or(id, read)
	case householdKey:
		return w.known.households.or(id, read)
	case learnerKey:
		return w.known.learners.or(id, read)
	}
	return read()
}

// keyOrNull returns the key of a row that need not be named: NULL for the zero id.
func (w *work) keyOrNull(ctx context.Context, st statement, id uuid.UUID, household ...any) (any, error) {
	if id == uuid.Nil {
		return nil, nil
	}
	return w.key(ctx, st, id, household...)
}

// householdKeys returns the ids of those households that there are by their keys.
func (w *work) householdKeys(ctx context.Context, ids []uuid.UUID) (map[int64]uuid.UUID, error) {
	named := make(map[int64]uuid.UUID, len(ids))
	var unknown []uuid.UUID
	for _, id := range ids {
		if key, known := w.known.households[id]; known {
			named[key] = id
		} else {
			unknown = append(unknown, id)
		}
	}
	if len(unknown) == 0 {
		return named, nil
	}
	err := w.each(ctx, householdKeys, func(row scanner) error {
		var id uuid.UUID
		var key int64
		err := row.Scan(&id, &key)
		named[key] = id
		return err
	}, asList(&unknown))
	return named, err
}
