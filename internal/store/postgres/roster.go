package postgres

import (
	"context"
	"fmt"
	"math"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// rosterFilter is what the orders have in common; a filter that is empty lets everything through.
const rosterFilter = ` FROM projection
	WHERE clinic = $1 AND ($2::bytea = '' OR status = $2) AND ($3::bytea = '' OR $3 = ANY(flags))
		AND ($7::bytea = '' OR verdict = $7) AND ($8::bigint IS NULL OR heard < $8) AND nights_wrong >= $9`

// The first column is the place's number as the index has it, so negated where the order is from the top down.
var (
	rosterByUrgency = statement{"list roster", `
		SELECT -urgency, ''::bytea, learner, roster_row` + rosterFilter + ` AND (-urgency, learner) > ($4::bigint, $5::uuid)
		ORDER BY -urgency, learner LIMIT $6`}
	rosterByWrong = statement{"list roster", `
		SELECT -nights_wrong, ''::bytea, learner, roster_row` + rosterFilter + ` AND (-nights_wrong, learner) > ($4::bigint, $5::uuid)
		ORDER BY -nights_wrong, learner LIMIT $6`}
	rosterByHeard = statement{"list roster", `
		SELECT heard, ''::bytea, learner, roster_row` + rosterFilter + ` AND (heard, learner) > ($4::bigint, $5::uuid)
		ORDER BY heard, learner LIMIT $6`}
	rosterByNearness = statement{"list roster", `
		SELECT -nearness, ''::bytea, learner, roster_row` + rosterFilter + ` AND (-nearness, learner) > ($4::bigint, $5::uuid)
		ORDER BY -nearness, learner LIMIT $6`}
	rosterByNickname = statement{"list roster", `
		SELECT 0::bigint, nickname_order, learner, roster_row` + rosterFilter + ` AND (nickname_order, learner) > ($4::bytea, $5::uuid)
		ORDER BY nickname_order, learner LIMIT $6`}
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
		return text(""), uuid.Nil
	case key == nil:
		return start, uuid.Nil
	case o.text:
		return text(key.Text), key.Learner
	case o.negated:
		return -key.Number, key.Learner
	}
	return key.Number, key.Learner
}

func (o order) scan(row scanner, r *clinic.RosterRow) error {
	err := row.Scan(&r.Key.Number, (*text)(&r.Key.Text), &r.Key.Learner, (*document)(&r.Row))
	if o.negated {
		r.Key.Number = -r.Key.Number
	}
	return err
}

// Roster implements clinic.ProjectionView. The text of a key is the nickname without regard to case.
func (v view) Roster(ctx context.Context, q clinic.RosterQuery) ([]clinic.RosterRow, error) {
	o, err := orderOf(q.Order)
	if err != nil {
		return nil, err
	}
	from, learner := o.after(q.After)
	return ofClinic(ctx, v.work, o.list, o.scan, q.Clinic, text(q.Status), text(q.Flag), from, learner, q.Limit, text(q.Verdict),
		msOrNull(q.HeardBefore), q.WrongAtLeast)
}
