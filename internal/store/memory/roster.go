package memory

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"swallowtail/internal/clinic"
)

// order is one of the roster's: the place of a projection in it, and whether its numbers run from the top down.
type order struct {
	place func(p *clinic.Projection) clinic.RosterKey
	down  bool
}

func number(n int64) clinic.RosterKey { return clinic.RosterKey{Number: n} }

func orderOf(name string) (order, error) {
	switch name {
	case "needs_call":
		return order{func(p *clinic.Projection) clinic.RosterKey { return number(int64(p.Urgency)) }, true}, nil
	case "missed":
		return order{func(p *clinic.Projection) clinic.RosterKey { return number(int64(p.NightsWrong)) }, true}, nil
	case "verdict":
		return order{func(p *clinic.Projection) clinic.RosterKey { return number(int64(p.Nearness)) }, true}, nil
	case "last_heard":
		return order{func(p *clinic.Projection) clinic.RosterKey { return number(p.Heard.UnixMilli()) }, false}, nil
	case "nickname":
		return order{func(p *clinic.Projection) clinic.RosterKey {
			return clinic.RosterKey{Text: strings.ToLower(p.Nickname)}
		}, false}, nil
	}
	return order{}, fmt.Errorf("list roster: no order %q", name)
}

func (o order) compare(a, b clinic.RosterKey) int {
	numbers := cmp.Compare(a.Number, b.Number)
	if o.down {
		numbers = -numbers
	}
	return cmp.Or(numbers, cmp.Compare(a.Text, b.Text), compareIDs(a.Learner, b.Learner))
}

// Roster implements clinic.ProjectionView. The text of a key is the nickname without regard to case.
func (v view) Roster(_ context.Context, q clinic.RosterQuery) ([]clinic.RosterRow, error) {
	o, err := orderOf(q.Order)
	if err != nil {
		return nil, err
	}
	all, err := v.projectionsOf(q.Clinic)
	if err != nil {
		return nil, err
	}
	var rows []clinic.RosterRow
	for _, p := range all {
		if !q.Wants(p) {
			continue
		}
		key := o.place(p)
		key.Learner = p.Learner
		if q.After == nil || o.compare(key, *q.After) > 0 {
			rows = append(rows, clinic.RosterRow{Key: key, Row: p.Row})
		}
	}
	slices.SortFunc(rows, func(a, b clinic.RosterRow) int { return o.compare(a.Key, b.Key) })
	return first(rows, q.Limit), nil
}
