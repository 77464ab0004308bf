package memory

import (
	"context"
	"maps"
	"slices"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// ZonesInUse implements clinic.ReminderView.
func (v view) ZonesInUse(context.Context) ([]string, error) {
	var zones []string
	for _, h := range v.households.rows {
		for i := range h.enrolments {
			zones = append(zones, h.enrolments[i].Timezone)
		}
	}
	slices.Sort(zones)
	return slices.Compact(zones), nil
}

// ZoneRules implements clinic.ReminderView.
func (v view) ZoneRules(context.Context) (map[string][32]byte, error) {
	if v.zoneRules.rows == nil {
		return map[string][32]byte{}, nil
	}
	return maps.Clone(v.zoneRules.rows), nil
}

// LearnersInZone implements clinic.ReminderView.
func (v view) LearnersInZone(_ context.Context, zone string, p clinic.Page) ([]uuid.UUID, error) {
	in := map[uuid.UUID]bool{}
	for _, h := range v.households.rows {
		for i := range h.enrolments {
			if h.enrolments[i].Timezone == zone {
				in[h.enrolments[i].Learner] = true
			}
		}
	}
	return page(slices.Collect(maps.Keys(in)), p), nil
}

// SetZoneRules implements clinic.ReminderTx.
func (t *tx) SetZoneRules(_ context.Context, zone string, rules [32]byte) error {
	t.zoneRules.put(t.mark, zone, rules)
	return nil
}
