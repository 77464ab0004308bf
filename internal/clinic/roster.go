package clinic

import (
	"bytes"
	"cmp"
	"context"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
)

// staleAtOnce is how many learners are refolded in one transaction when their projections hold no longer, so that
// uploads need not wait long.
const staleAtOnce = 50

// Roster returns a page of the clinic's learners. Projections that hold no longer are folded anew first.
func (s *Service) Roster(ctx context.Context, p access.Principal, q RosterQuery, now time.Time) ([]RosterRow, error) {
	q.Clinic = p.ClinicID
	err := s.renewProjections(ctx, p.ClinicID, now)
	if cannotBeKept(err) {
		return s.passingRoster(ctx, q, now)
	}
	if err != nil {
		return nil, err
	}
	var rows []RosterRow
	err = s.Store.Read(ctx, func(ctx context.Context, view View) error {
		var err error
		rows, err = view.Roster(ctx, q)
		return err
	})
	return rows, err
}

// renewProjections folds anew the learners of a clinic whose projections hold no longer, some in each transaction, and
// weighs those who have not been weighed as they are then.
func (s *Service) renewProjections(ctx context.Context, clinic uuid.UUID, now time.Time) error {
	for {
		done, err := s.refoldSome(ctx, now, func(ctx context.Context, view View) ([]uuid.UUID, error) {
			return view.StaleProjections(ctx, clinic, now, staleAtOnce)
		})
		if err != nil {
			return err
		}
		if done {
			return s.weighAll(ctx, clinic, now)
		}
	}
}

// cannotBeKept reports whether what failed is the store's writing. What a reader asks for can be worked out all the same.
func cannotBeKept(err error) bool {
	kind := fault.KindOf(err)
	return err != nil && (kind == fault.OutOfSpace || kind == fault.Unavailable)
}

// passingRoster returns a page of the roster without keeping anything: the rows of learners whose projections hold no
// longer are worked out for this one reading, and take their places among the rows that are kept.
func (s *Service) passingRoster(ctx context.Context, q RosterQuery, now time.Time) ([]RosterRow, error) {
	var rows []RosterRow
	err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
		fresh, err := s.freshProjections(ctx, view, q.Clinic, now)
		if err != nil {
			return err
		}
		for _, p := range fresh {
			if key := q.keyOf(p); q.Wants(&p) && (q.After == nil || q.compare(key, *q.After) > 0) {
				rows = append(rows, RosterRow{Key: key, Row: p.Row})
			}
		}
		kept, err := q.keptRows(ctx, view, fresh)
		rows = append(rows, kept...)
		return err
	})
	slices.SortFunc(rows, func(a, b RosterRow) int { return q.compare(a.Key, b.Key) })
	return rows[:min(q.Limit, len(rows))], err
}

// freshProjections works out anew what holds no longer at an instant, or has not been weighed as it is, by learner.
func (s *Service) freshProjections(ctx context.Context, view View, clinic uuid.UUID, now time.Time) (map[uuid.UUID]Projection, error) {
	stale, err := view.StaleProjections(ctx, clinic, now, math.MaxInt32)
	if err != nil {
		return nil, err
	}
	unweighed, err := view.Unweighed(ctx, clinic, Page{Limit: math.MaxInt32})
	if err != nil {
		return nil, err
	}
	fresh := make(map[uuid.UUID]Projection, len(stale)+len(unweighed))
	for _, id := range append(stale, unweighed...) {
		if _, done := fresh[id]; done {
			continue
		}
		learner, err := view.Learner(ctx, id)
		if err != nil {
			return nil, err
		}
		f, err := s.loadFamily(ctx, view, learner.Household)
		if err != nil {
			return nil, err
		}
		weighed, err := f.weigh(learner, now)
		if err != nil {
			return nil, err
		}
		if fresh[id], err = f.project(learner, now, weighed); err != nil {
			return nil, err
		}
	}
	return fresh, nil
}

// keptRows returns as many rows as a page may hold, leaving out those that hold no longer.
func (q RosterQuery) keptRows(ctx context.Context, view View, stale map[uuid.UUID]Projection) ([]RosterRow, error) {
	var kept []RosterRow
	for len(kept) < q.Limit {
		page, err := view.Roster(ctx, q)
		if err != nil {
			return nil, err
		}
		for _, row := range page {
			if _, is := stale[row.Key.Learner]; !is {
				kept = append(kept, row)
			}
		}
		if len(page) < q.Limit {
			break
		}
		q.After = &page[len(page)-1].Key
	}
	return kept, nil
}

// Wants reports whether a projection passes the filters.
func (q RosterQuery) Wants(p *Projection) bool {
	return (q.Status == "" || q.Status == p.Status) && (q.Flag == "" || slices.Contains(p.Flags, q.Flag)) &&
		(q.Verdict == "" || q.Verdict == p.Verdict) && (q.HeardBefore.IsZero() || p.Heard.Before(q.HeardBefore)) &&
		p.NightsWrong >= q.WrongAtLeast
}

// keyOf returns a projection's place in the order asked for.
func (q RosterQuery) keyOf(p Projection) RosterKey {
	key := RosterKey{Learner: p.Learner}
	switch q.Order {
	case "needs_call":
		key.Number = int64(p.Urgency)
	case "missed":
		key.Number = int64(p.NightsWrong)
	case "verdict":
		key.Number = int64(p.Nearness)
	case "last_heard":
		key.Number = p.Heard.UnixMilli()
	case "nickname":
		key.Text = strings.ToLower(p.Nickname)
	}
	return key
}

// compare orders places as a store does: the longest unheard first, otherwise the highest number.
func (q RosterQuery) compare(a, b RosterKey) int {
	byNumber := cmp.Compare(b.Number, a.Number)
	if q.Order == "last_heard" {
		byNumber = -byNumber
	}
	return cmp.Or(byNumber, cmp.Compare(a.Text, b.Text), bytes.Compare(a.Learner[:], b.Learner[:]))
}

// refoldSome refolds the households of the learners that list returns, and reports whether there were none left.
func (s *Service) refoldSome(ctx context.Context, now time.Time, list func(context.Context, View) ([]uuid.UUID, error)) (bool, error) {
	var learners []uuid.UUID
	err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
		var err error
		learners, err = list(ctx, view)
		return err
	})
	if err != nil || len(learners) == 0 {
		return true, err
	}
	return false, s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error {
		return s.refoldHouseholdsOf(ctx, tx, learners, nil, now)
	})
}

// refoldHouseholdsOf refolds the households of learners, with what has just been weighed of any of them.
func (s *Service) refoldHouseholdsOf(ctx context.Context, tx Tx, learners []uuid.UUID, fresh weighedNow, now time.Time) error {
	folded := map[uuid.UUID]bool{}
	for _, id := range learners {
		learner, err := tx.Learner(ctx, id)
		if err != nil {
			return err
		}
		if folded[learner.Household] {
			continue
		}
		folded[learner.Household] = true
		if _, err := s.fold(ctx, tx, learner.Household, fresh, now); err != nil {
			return err
		}
	}
	return nil
}
