package sqlite

import (
	"context"
	"fmt"
	"math"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// rosterFilter is what the orders have in common; a filter that is empty lets everything through.
const rosterFilter = `
	WHERE clinic_key = ?1 AND (?2 = '' OR status = ?2)
		AND (?3 = '' OR EXISTS (SELECT 1 FROM json_each(flags) WHERE value = ?3))
		AND (?7 = '' OR verdict = ?7) AND (?8 IS NULL OR heard < ?8) AND nights_wrong >= ?9`

// unweighedRows are found by their own index, which SQLite is told: of the others that begin with a clinic each looks as good to it.
const unweighedRows = `projection INDEXED BY projection_unweighed`

// The first column is the place as the index has it, so a negated number where the order is from the top down.
var (
	rosterByUrgency = statement{"list roster", `
		SELECT urgency_down, learner_id, roster_row FROM projection` + rosterFilter + ` AND (urgency_down, learner_id) > (?4, ?5)
		ORDER BY urgency_down, learner_id LIMIT ?6`}
	rosterByWrong = statement{"list roster", `
		SELECT wrong_down, learner_id, roster_row FROM projection` + rosterFilter + ` AND (wrong_down, learner_id) > (?4, ?5)
		ORDER BY wrong_down, learner_id LIMIT ?6`}
	// In these two the unweighed are still where they were before, and are looked at beside.
	rosterByHeard = statement{"list roster", `
		SELECT heard_place, learner_id, roster_row FROM projection` + rosterFilter + ` AND weighed IS NOT NULL AND (heard_place, learner_id) > (?4, ?5)
		UNION ALL
		SELECT heard, learner_id, roster_row FROM ` + unweighedRows + rosterFilter + ` AND weighed IS NULL AND (heard, learner_id) > (?4, ?5)
		ORDER BY 1, 2 LIMIT ?6`}
	rosterByNearness = statement{"list roster", `
		SELECT nearness_place, learner_id, roster_row FROM projection` + rosterFilter + ` AND weighed IS NOT NULL AND (nearness_place, learner_id) > (?4, ?5)
		UNION ALL
		SELECT -nearness, learner_id, roster_row FROM ` + unweighedRows + rosterFilter + ` AND weighed IS NULL AND (-nearness, learner_id) > (?4, ?5)
		ORDER BY 1, 2 LIMIT ?6`}
	rosterByNickname = statement{"list roster", `
		SELECT nickname_order, learner_id, roster_row FROM projection` + rosterFilter + ` AND (nickname_order, learner_id) > (?4, ?5)
		ORDER BY nickname_order, learner_id LIMIT ?6`}
)

// start is before every number that orders anything.
const start int64 = math.MinInt64

// order is one of the roster's: how it is asked for, and whether its numbers are negated.
type order struct {
	list    statement
	negated bool
	text    bool
}

func orderOf(name string) (order, error) {
	switch name {
	case "needs_call":
		return order{list: rosterByUrgency, negated: true}, nil
	case "missed":
		return order{list: rosterByWrong, negated: true}, nil
	case "verdict":
		return order{list: rosterByNearness, negated: true}, nil
	case "last_heard":
		return order{list: rosterByHeard}, nil
	case "nickname":
		return order{list: rosterByNickname, text: true}, nil
	}
	return order{}, fmt.Errorf("list roster: no order %q", name)
}

// after returns the place from which to go on, as the index has it.
func (o order) after(key *clinic.RosterKey) (place any, learner uuid.UUID) {
	switch {
	case key == nil && o.text:
		return "", uuid.Nil
	case key == nil:
		return start, uuid.Nil
	case o.text:
		return key.Text, key.Learner
	case o.negated:
		return -key.Number, key.Learner
	}
	return key.Number, key.Learner
}

func (o order) scan(row scanner, r *clinic.RosterRow) error {
	var place any = &r.Key.Number
	if o.text {
		place = &r.Key.Text
	}
	err := row.Scan(place, &r.Key.Learner, (*document)(&r.Row))
	if o.negated {
		r.Key.Number = -r.Key.Number
	}
	return err
}

// usualPage is how many rows of the roster there is room for from the start.
const usualPage = 128

// Roster implements clinic.ProjectionView. The text of a key is the nickname without regard to case.
func (v view) Roster(ctx context.Context, q clinic.RosterQuery) ([]clinic.RosterRow, error) {
	o, err := orderOf(q.Order)
	if err != nil {
		return nil, err
	}
	key, err := v.key(ctx, clinicKey, q.Clinic)
	if err != nil {
		return nil, err
	}
	place, learner := o.after(q.After)
	rows := make([]clinic.RosterRow, 0, min(q.Limit, usualPage))
	return appendAll(ctx, v.work, rows, o.list, o.scan, key, q.Status, q.Flag, place, learner[:], q.Limit, q.Verdict, msOrNull(q.HeardBefore),
		q.WrongAtLeast)
}
