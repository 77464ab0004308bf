package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// TestAPhoneForgetsANightThatIsNoMore withdraws all there was of a night outside the programme.
func TestAPhoneForgetsANightThatIsNoMore(t *testing.T) {
	t.Parallel()
	f := newFortnight(t)
	dad, mum := f.phones[father], f.phones[mother]
	f.clock.moveTo(in2027(t, "03-06 12:00", f.home))
	written, err := dad.device.RecordEvening(client.Evening{
		Learner: f.story.learners[robin], PractisedAt: in2027(t, "03-05 19:00", f.home), Timezone: "America/Halifax",
		Tries: []client.Try{{Position: "left", Outcome: "swallowed", Ease: 4}},
	})
	require.NoError(t, err)
	dad.call(f)
	mum.call(f)
	_, err = dad.device.Retract(written.Session, "another child's")
	require.NoError(t, err)
	dad.call(f)
	mum.call(f)
	nights, err := f.desk().Nights(t.Context(), f.story.learners[robin], client.As{})
	require.NoError(t, err)
	assert.Empty(t, nights.Earlier)
	f.phonesShow(f.story.learners[robin], nights.Nights, mother, father)
}

// TestAPhoneForgetsNightsAfterAnEnd ends a programme on its third night.
func TestAPhoneForgetsNightsAfterAnEnd(t *testing.T) {
	t.Parallel()
	f := newFortnight(t)
	f.clock.moveTo(in2027(t, "03-10 12:00", f.home))
	f.phones[mother].call(f)
	nights, err := f.desk().Nights(t.Context(), f.story.learners[robin], client.As{})
	require.NoError(t, err)
	_, err = f.desk().SetEnrolmentStatus(t.Context(), nights.EnrolmentID, "ended", "")
	require.NoError(t, err)
	f.phones[mother].call(f)
	nights, err = f.desk().Nights(t.Context(), f.story.learners[robin], client.As{})
	require.NoError(t, err)
	require.Len(t, nights.Nights, 3)
	f.phonesShow(f.story.learners[robin], nights.Nights, mother)
}
