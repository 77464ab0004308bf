package postgres

import (
	"context"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

var (
	// From one name to the next, so that it costs as many steps as there are zones and not as there are enrolments.
	zonesInUse = statement{"list zones in use", `
		WITH RECURSIVE named (zone) AS (
			(SELECT timezone FROM enrolment ORDER BY timezone LIMIT 1)
			UNION ALL SELECT (SELECT e.timezone FROM enrolment e WHERE e.timezone > named.zone ORDER BY e.timezone LIMIT 1) FROM named
				WHERE named.zone IS NOT NULL)
		SELECT zone FROM named WHERE zone IS NOT NULL ORDER BY zone`}
	zoneRules    = statement{"list rules of zones", `SELECT zone, rules FROM zone_rules`}
	setZoneRules = statement{"note rules of zone", `
		INSERT INTO zone_rules (zone, rules) VALUES ($1, $2) ON CONFLICT (zone) DO UPDATE SET rules = excluded.rules`}
	learnersInZone = statement{"list learners in zone", `
		SELECT DISTINCT learner FROM enrolment WHERE timezone = $1 AND learner > $2 ORDER BY learner LIMIT $3`}
)

// ZonesInUse implements clinic.ReminderView.
func (v view) ZonesInUse(ctx context.Context) ([]string, error) {
	return all(ctx, v.work, zonesInUse, value[string])
}

// ZoneRules implements clinic.ReminderView.
func (v view) ZoneRules(ctx context.Context) (map[string][32]byte, error) {
	known := map[string][32]byte{}
	err := v.run(ctx, call{statement: zoneRules, read: func(row scanner) error {
		var zone string
		var rules hash
		err := row.Scan(&zone, &rules)
		known[zone] = rules
		return err
	}})
	return known, err
}

// LearnersInZone implements clinic.ReminderView.
func (v view) LearnersInZone(ctx context.Context, zone string, page clinic.Page) ([]uuid.UUID, error) {
	return all(ctx, v.work, learnersInZone, value[uuid.UUID], zone, page.After, page.Limit)
}

// SetZoneRules implements clinic.ReminderTx.
func (t *tx) SetZoneRules(ctx context.Context, zone string, rules [32]byte) error {
	return t.execOne(ctx, setZoneRules, zone, rules[:])
}
