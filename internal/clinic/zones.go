package clinic

import (
	"context"
	"log/slog"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/practice"
)

// renewZones folds anew the learners at home in a zone whose rules are others than those by which what is kept was worked out, as
// after an update of the zone database. The rules are noted once all of them have been, so that a server which stops half-way
// begins again.
func (s *Service) renewZones(ctx context.Context, now time.Time) error {
	var zones []string
	var known map[string][32]byte
	err := s.Store.Read(ctx, func(ctx context.Context, view View) (err error) {
		if zones, err = view.ZonesInUse(ctx); err != nil {
			return err
		}
		known, err = view.ZoneRules(ctx)
		return err
	})
	if err != nil {
		return err
	}
	for _, name := range zones {
		zone, err := practice.LoadZone(name)
		if err != nil { // which keeps no other zone waiting
			s.Log.ErrorContext(ctx, "a time zone can't be read", slog.String("zone", name), slog.String("error", err.Error()))
			continue
		}
		rules := practice.RulesOf(zone)
		if known[name] == rules {
			continue
		}
		if _, before := known[name]; before {
			s.Log.InfoContext(ctx, "the rules of a time zone have changed: its learners are folded anew", slog.String("zone", name))
		}
		if err := s.renewZone(ctx, name, rules, now); err != nil {
			return err
		}
	}
	return nil
}

func (s *Service) renewZone(ctx context.Context, name string, rules [32]byte, now time.Time) error {
	page := Page{Limit: staleAtOnce}
	for {
		done, err := s.refoldSome(ctx, now, func(ctx context.Context, view View) ([]uuid.UUID, error) {
			learners, err := view.LearnersInZone(ctx, name, page)
			if len(learners) > 0 {
				page.After = learners[len(learners)-1]
			}
			return learners, err
		})
		if err != nil {
			return err
		}
		if done {
			return s.Store.InTx(ctx, func(ctx context.Context, tx Tx) error { return tx.SetZoneRules(ctx, name, rules) })
		}
	}
}
