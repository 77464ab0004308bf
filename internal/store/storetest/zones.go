package storetest

import (
	"context"
	"errors"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"

	"swallowtail/internal/clinic"
)

func zonesInUse(ctx context.Context, v clinic.View) ([]string, error) { return v.ZonesInUse(ctx) }

func zoneRules(ctx context.Context, v clinic.View) (map[string][32]byte, error) {
	return v.ZoneRules(ctx)
}

func zones(b *bundle) {
	assert.Empty(b, read(b, zonesInUse))
	assert.Equal(b, map[string][32]byte{}, read(b, zoneRules))
	w, other := newWorld(b, 1), newWorld(b, 2)
	ids := w.addLearners(b, 6)
	enrol := func(n int, learner, plan uuid.UUID, zone string) {
		b.Helper()
		e := sampleEnrolment(n, learner, plan)
		e.Timezone = zone
		b.write(func(ctx context.Context, tx clinic.Tx) error { return tx.AddEnrolment(ctx, e) })
	}
	for i, learner := range ids[:5] {
		enrol(i, learner, w.plan, []string{"Pacific/Apia", "Asia/Kathmandu"}[i%2])
	}
	enrol(8, ids[0], w.plan, "Asia/Kathmandu") // moved
	enrol(9, ids[2], w.plan, "Pacific/Apia")   // once more
	enrol(10, other.learner, other.plan, "Pacific/Apia")
	assert.Equal(b, []string{"Asia/Kathmandu", "Pacific/Apia"}, read(b, zonesInUse))
	want := map[string][]uuid.UUID{
		"Pacific/Apia": {other.learner, ids[0], ids[2], ids[4]}, "Asia/Kathmandu": {ids[0], ids[1], ids[3]}, "Pacific/Api": nil,
	}
	for zone, learners := range want {
		for limit := 1; limit <= len(learners)+1; limit++ {
			assert.Equal(b, learners, paged(b, limit, func(id uuid.UUID) uuid.UUID { return id },
				func(ctx context.Context, v clinic.View, page clinic.Page) ([]uuid.UUID, error) {
					return v.LearnersInZone(ctx, zone, page)
				}), "%s in pages of %d", zone, limit)
		}
	}

	rules := map[string][32]byte{"Pacific/Apia": {1, 31: 2}, "Etc/UTC": {}}
	for range 2 {
		b.write(func(ctx context.Context, tx clinic.Tx) error {
			return errors.Join(tx.SetZoneRules(ctx, "Pacific/Apia", rules["Pacific/Apia"]), tx.SetZoneRules(ctx, "Etc/UTC", rules["Etc/UTC"]))
		})
		assert.Equal(b, rules, read(b, zoneRules))
		rules["Etc/UTC"] = [32]byte{9}
	}
}
