package clinic_test

import (
	"context"
	"fmt"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
)

// cohortSize is how many learners a large clinic has.
const cohortSize = 5_000

// BenchmarkCohort asks for the tables of a clinic of 5,000 learners, all of whom have been weighed.
func BenchmarkCohort(b *testing.B) {
	h := newFamily(b)
	_, err := h.Cohort(b.Context(), h.clinician, started)
	require.NoError(b, err)
	require.NoError(b, h.Store.InTx(b.Context(), func(ctx context.Context, tx clinic.Tx) error {
		for i := range cohortSize {
			home := clinic.Household{ID: newID(), Clinic: h.clinic.ID, Created: started}
			if err := tx.AddHousehold(ctx, home); err != nil {
				return err
			}
			l := clinic.Learner{ID: newID(), Household: home.ID, Clinic: h.clinic.ID, Nickname: "Vole", Created: started}
			if err := tx.AddLearner(ctx, l); err != nil {
				return err
			}
			if err := tx.SaveProjection(ctx, weighedProjection(h, l.ID, i), nil); err != nil {
				return err
			}
		}
		return nil
	}))
	b.ReportAllocs()
	for b.Loop() {
		c, err := h.Cohort(b.Context(), h.clinician, started)
		if err != nil || len(c.Plans) != 1 {
			b.Fatal(err, len(c.Plans))
		}
	}
}

// weighedProjection is what may be kept of one of many learners.
func weighedProjection(h *house, learner uuid.UUID, i int) clinic.Projection {
	bands := []string{"4-5", "6-7", "8-11", "12-17", "18+"}
	leaders := []string{"centre", "left", "right", "down", ""}
	return clinic.Projection{
		Learner: learner, Clinic: h.clinic.ID, Folded: started, Status: "running", Row: []byte(`{}`), Verdict: "practising",
		Weighed: clinic.Weighed{Basis: [32]byte{1}, Doc: fmt.Appendf(nil,
			`{"form":1,"verdict":"practising","programmes":[{"plan":%q,"age_band":%q,"practised":%d,"over":%t,"completed":%t,"leader":%q,`+
				`"swallowed_nights":%d,"swallowed":true,"ready_nights":%d,"ready":%t}]}`,
			clinic.BuiltinPlan, bands[i%5], i%15, i%3 > 0, i%15 >= 12, leaders[i%7%5], 1+i%4, 1+i%14, i%14 > 10)},
	}
}
