package postgres

import (
	"context"
	"fmt"
	"math"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// rosterFilter is what the orders have in common; a filter that is empty lets everything through.
const rosterFilter = ` FROM projection p WHERE p.clinic = $1` + rosterFilters

const rosterFilters = ` AND ($2::bytea = '' OR status = $2) AND ($3::bytea = '' OR $3 = ANY(flags))
		AND ($7::bytea = '' OR verdict = $7) AND ($8::bigint IS NULL OR heard < $8) AND nights_wrong >= $9`

// unweighedFilter is the same of the unweighed, who in all orders but one are still where they were before, and are looked at beside.
const unweighedFilter = ` FROM unweighed u JOIN projection p USING (household, learner) WHERE u.clinic = $1` + rosterFilters

// The first column is the place's number as the index has it, so negated where the order is from the top down.
var (
	rosterByUrgency  = byPlace("urgency_place", "-urgency")
	rosterByWrong    = byPlace("wrong_place", "-nights_wrong")
	rosterByHeard    = byPlace("heard_place", "heard")
	rosterByNearness = byPlace("nearness_place", "-nearness")
	rosterByNickname = statement{"list roster", `
		SELECT 0::bigint, nickname_order, learner, roster_row` + rosterFilter + ` AND (nickname_order, learner) > ($4::bytea, $5::uuid)
		ORDER BY nickname_order, learner LIMIT $6`}
)

// byPlace lists by a place in an index, and the unweighed by where it will be once they are weighed.
func byPlace(place, of string) statement {
	return statement{"list roster", `
		(SELECT ` + place + ` AS place, ''::bytea, learner, roster_row` + rosterFilter + ` AND weighed IS NOT NULL
			AND (` + place + `, learner) > ($4::bigint, $5::uuid) ORDER BY ` + place + `, learner LIMIT $6)
		UNION ALL
		(SELECT ` + of + `, ''::bytea, learner, roster_row` + unweighedFilter + ` AND (` + of + `, learner) > ($4::bigint, $5::uuid))
		ORDER BY place, learner LIMIT $6`}
}

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
