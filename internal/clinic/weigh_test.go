package clinic_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

// projection returns what is kept of the learner's fold.
func (h *house) projection() (p clinic.Projection) {
	h.t.Helper()
	require.NoError(h.t, h.Store.Read(h.t.Context(), func(ctx context.Context, view clinic.View) (err error) {
		p, err = view.Projection(ctx, h.learner)
		return err
	}))
	return p
}

// line returns the learner's line of the roster.
func (h *house) line(now time.Time) (line struct {
	Verdict, Leader string
	Reasons         []string
},
) {
	h.t.Helper()
	rows, err := h.Roster(h.t.Context(), h.clinician, clinic.RosterQuery{Order: "needs_call", Limit: 9}, now)
	require.NoError(h.t, err)
	require.Len(h.t, rows, 1)
	require.NoError(h.t, json.Unmarshal(rows[0].Row, &line))
	return line
}

// TestWhatIsWeighedHoldsUntilItsBasisChanges follows a projection: an upload leaves it to be weighed, the first reader weighs
// it, a call that brings nothing leaves it so, and the next entry and the next night do not.
func TestWhatIsWeighedHoldsUntilItsBasisChanges(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	assert.Empty(t, h.projection().Weighed.Doc)
	assert.Equal(t, "not_started", h.line(started).Verdict)
	assert.NotEmpty(t, h.projection().Weighed.Doc)

	h.push(started, h.evening()...)
	p := h.projection()
	assert.Empty(t, p.Weighed.Doc, "nothing is weighed while an upload waits")
	assert.Empty(t, p.Verdict)
	assert.Equal(t, "practising", h.line(started).Verdict)
	p = h.projection()
	assert.NotEmpty(t, p.Weighed.Doc)
	assert.Equal(t, "practising", p.Verdict)

	h.push(started.Add(time.Minute))
	assert.Equal(t, p.Weighed, h.projection().Weighed, "nothing new, so it holds")
	assert.Equal(t, "practising", h.projection().Verdict)
	_, raw := h.entry("choose", map[string]any{"position": "left"})
	_, err := h.AddEntries(t.Context(), h.clinician, h.learner, [][]byte{raw}, started.Add(2*time.Minute))
	require.NoError(t, err)
	assert.Empty(t, h.projection().Weighed.Doc, "a choice may change everything")
	h.line(started.Add(3 * time.Minute))
	before := h.projection()
	assert.NotEmpty(t, before.Weighed.Doc)
	h.push(started.Add(24 * time.Hour))
	assert.NotEqual(t, before.Weighed.Basis, h.projection().Weighed.Basis, "a night has closed")
	assert.Empty(t, h.found())
	h.line(started.Add(25 * time.Hour))
	assert.Empty(t, h.found(), "what is weighed is checked too")
}

// TestWhatIsKeptOfAWeighing compares what a roster says with what a summary says of the same instant.
func TestWhatIsKeptOfAWeighing(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	for day := range 8 {
		now := started.AddDate(0, 0, day)
		h.push(now, h.rated(now, map[string]int{"centre": 2, "right": 3, "left": 5, "up": 1, "down": 3})...)
		line := h.line(now)
		doc, err := h.Summary(t.Context(), h.clinician, h.learner, clinic.Question{}, now)
		require.NoError(t, err)
		var summary struct {
			Preference struct{ Leader string }
			Readiness  struct{ Verdict string }
		}
		require.NoError(t, json.Unmarshal(doc.Doc, &summary))
		assert.Equal(t, summary.Preference.Leader, line.Leader, "day %d", day)
		assert.Equal(t, summary.Readiness.Verdict, line.Verdict, "day %d", day)
	}
	assert.Equal(t, "left", h.line(started.AddDate(0, 0, 7)).Leader)
}

// rated is an evening with a try in each position, as easy as told.
func (h *house) rated(at time.Time, eases map[string]int) [][]byte {
	h.t.Helper()
	session, raw := h.entry("session", map[string]any{
		"practised_at": at.Add(-30 * time.Minute).Format(time.RFC3339), "timezone": "Etc/UTC",
	})
	raws := [][]byte{raw}
	for position, ease := range eases {
		_, raw := h.entry("try", map[string]any{
			"session": session, "position": position, "number": 1, "medium": "sweet", "outcome": "swallowed", "ease": ease,
		})
		raws = append(raws, raw)
	}
	return raws
}

// TestOneBasisOneWeighing draws histories and weighs them at many instants: wherever the basis is the same, so is what the
// weighing makes of it.
func TestOneBasisOneWeighing(t *testing.T) {
	t.Parallel()
	for seed := range uint64(2) {
		random := rand.New(rand.NewPCG(seed, 4))
		h := newFamily(t)
		other := h.enrolPhone()
		known := map[[32]byte]string{}
		again := 0
		var entries [][2]string // id and the session's id of tries that may be taken back
		now := started
		for range 24 {
			now = now.Add(time.Duration(1+random.IntN(30*60)) * time.Minute)
			raws := h.somethingWritten(random, now, &entries)
			by := h.phone
			if random.IntN(3) == 0 {
				by = other
			}
			_, err := h.Sync(t.Context(), by, clinic.SyncRequest{Schema: 1, Sent: now, Limit: clinic.MaxPage, Entries: raws}, now)
			require.NoError(t, err)
			if random.IntN(5) == 0 {
				_, raw := h.entry("choose", map[string]any{"position": []string{"left", "centre"}[random.IntN(2)]})
				_, err := h.AddEntries(t.Context(), h.clinician, h.learner, [][]byte{raw}, now)
				require.NoError(t, err)
			}
			for range 6 {
				w, err := h.WeighedAt(t.Context(), h.learner, now.Add(time.Duration(random.IntN(40*60))*time.Minute))
				require.NoError(t, err)
				if before, is := known[w.Basis]; is {
					again++
					require.Equal(t, before, string(w.Doc), "seed %d", seed)
				}
				known[w.Basis] = string(w.Doc)
			}
		}
		assert.Positive(t, again, "no basis came twice")
		docs := map[string]bool{}
		for _, doc := range known {
			docs[doc] = true
		}
		assert.Greater(t, len(docs), 1, "everything was weighed alike")
	}
}

// somethingWritten is what a family may send: an evening of now or of some days ago, or a try taken back, or nothing.
func (h *house) somethingWritten(random *rand.Rand, now time.Time, entries *[][2]string) [][]byte {
	h.t.Helper()
	switch random.IntN(6) {
	case 0:
		return nil
	case 2:
		if random.IntN(3) == 0 {
			_, raw := h.entry("incident", map[string]any{"what": "pain"})
			return [][]byte{raw}
		}
	case 1:
		if len(*entries) > 0 {
			old := (*entries)[random.IntN(len(*entries))]
			_, raw := h.entry("retract", map[string]any{"reason": "written twice"})
			var members map[string]any
			require.NoError(h.t, json.Unmarshal(raw, &members))
			members["subject"], members["replaces"] = old[0], []string{old[0]}
			raw, err := json.Marshal(members)
			require.NoError(h.t, err)
			return [][]byte{raw}
		}
	}
	at := now.Add(-time.Duration(random.IntN(3)*24) * time.Hour)
	eases := map[string]int{}
	for _, position := range []string{"centre", "right", "left", "up", "down"} {
		eases[position] = 1 + random.IntN(3)
	}
	eases["left"] = 2 + random.IntN(4)
	raws := h.rated(at, eases)
	for _, raw := range raws[1:] {
		var members struct{ ID, Subject string }
		require.NoError(h.t, json.Unmarshal(raw, &members))
		*entries = append(*entries, [2]string{members.ID, members.Subject})
	}
	return raws
}

// keepWeighed lets the house be weighed by the clock of a bubble, which it returns, until stop is called.
func (h *house) keepWeighed() (now func() time.Time, stop func()) {
	began := time.Now()                                              //nolint:forbidigo // the bubble's clock
	now = func() time.Time { return started.Add(time.Since(began)) } //nolint:forbidigo // as above
	ctx, cancel := context.WithCancel(h.t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		h.KeepWeighed(ctx, now)
	}()
	return now, func() {
		cancel()
		<-ended
	}
}

// TestKeepWeighed weighs soon after an upload has been answered, and what time alone changes, without anybody asking.
func TestKeepWeighed(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newFamily(t)
		now, stop := h.keepWeighed()
		time.Sleep(3 * time.Second)
		synctest.Wait()
		assert.Equal(t, "not_started", h.projection().Verdict)

		h.push(now(), h.evening()...)
		assert.Empty(t, h.projection().Weighed.Doc)
		time.Sleep(3 * time.Second)
		synctest.Wait()
		assert.Equal(t, "practising", h.projection().Verdict)

		before := h.projection()
		time.Sleep(11 * time.Hour)
		synctest.Wait()
		after := h.projection()
		assert.NotEqual(t, before.Weighed.Basis, after.Weighed.Basis, "the night has closed")
		assert.NotEmpty(t, after.Weighed.Doc)
		assert.Empty(t, h.found())
		stop()
	})
}

// TestKeepWeighedLetsARushPass weighs nobody while uploads keep coming, but for once a minute.
func TestKeepWeighedLetsARushPass(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newFamily(t)
		now, stop := h.keepWeighed()
		time.Sleep(3 * time.Second)
		synctest.Wait()

		weighed := 0
		for range 40 { // over 40 seconds
			h.push(now(), h.evening()...)
			time.Sleep(time.Second)
			synctest.Wait()
			if len(h.projection().Weighed.Doc) > 0 {
				weighed++
			}
		}
		assert.Zero(t, weighed)
		for range 30 {
			h.push(now(), h.evening()...)
			time.Sleep(time.Second)
			synctest.Wait()
			if len(h.projection().Weighed.Doc) > 0 {
				weighed++
			}
		}
		assert.Equal(t, 1, weighed, "when a minute had passed")
		time.Sleep(3 * time.Second)
		synctest.Wait()
		assert.NotEmpty(t, h.projection().Weighed.Doc, "once it has passed")
		stop()
	})
}

// firstSlow is a store whose first reading takes long.
type firstSlow struct {
	clinic.Store
	first *sync.Once
	long  time.Duration
}

func (s firstSlow) Read(ctx context.Context, fn func(ctx context.Context, view clinic.View) error) error {
	s.first.Do(func() { time.Sleep(s.long) })
	return s.Store.Read(ctx, fn)
}

// TestAStartInTheMiddleOfARushWeighsNobodyYet starts where nobody has been weighed and uploads keep coming, also where what is to be done first
// takes longer than it otherwise is until everybody is weighed.
func TestAStartInTheMiddleOfARushWeighsNobodyYet(t *testing.T) {
	t.Parallel()
	t.Run("at once", func(t *testing.T) { t.Parallel(); startInARush(t, 0) })
	t.Run("slowly", func(t *testing.T) { t.Parallel(); startInARush(t, 70*time.Second) })
}

func startInARush(t *testing.T, firstTakes time.Duration) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		h := newFamily(t)
		h.push(started, h.evening()...)
		h.Store = firstSlow{h.Store, &sync.Once{}, firstTakes}
		now, stop := h.keepWeighed()
		time.Sleep(firstTakes)
		for range 10 {
			time.Sleep(time.Second)
			synctest.Wait()
			assert.Empty(t, h.projection().Weighed.Doc)
			h.push(now(), h.evening()...)
		}
		time.Sleep(3 * time.Second)
		synctest.Wait()
		assert.NotEmpty(t, h.projection().Weighed.Doc, "once it has passed")
		stop()
	})
}

// TestCheckFindsAlteredWeighings alters what is kept of a weighing, and lets it be made anew.
func TestCheckFindsAlteredWeighings(t *testing.T) {
	t.Parallel()
	const row = "the roster row is not what a fresh fold gives: "
	for name, test := range map[string]struct{ statement, found string }{
		"what was weighed": {
			`UPDATE projection SET weighed = CAST(replace(CAST(weighed AS TEXT), 'practising', 'nearing') AS BLOB)`, row + "what was weighed",
		},
		"what can't be read": {`UPDATE projection SET weighed = x'7b'`, row + "what was weighed"},
		"another form":       {`UPDATE projection SET weighed = CAST(replace(CAST(weighed AS TEXT), '"form":1', '"form":0') AS BLOB)`, row + "what was weighed"},
		"its basis":          {`UPDATE projection SET basis = zeroblob(32)`, row + "what it was weighed of"},
		"a verdict":          {`UPDATE projection SET verdict = 'nearing'`, row + "verdict"},
		"its place":          {`UPDATE projection SET nearness = 5`, row + "verdict"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newFamily(t)
			h.push(started, h.evening()...)
			h.line(started)
			require.Empty(t, h.found())
			h.alter(test.statement)
			assert.Equal(t, []string{test.found}, h.found())
			_, err := h.Cohort(t.Context(), h.clinician, started)
			require.NoError(t, err)
			require.NoError(t, h.Rebuild(t.Context(), started.Add(time.Minute)))
			assert.Empty(t, h.found())
			assert.Equal(t, "practising", h.projection().Verdict)
		})
	}
}

// TestADamagedWeighingStopsNobody: it is made anew with the next call.
func TestADamagedWeighingStopsNobody(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.push(started, h.evening()...)
	for _, damage := range []string{`x'7b'`, `CAST('{"form":0}' AS BLOB)`, `CAST('{"form":"one"}' AS BLOB)`} {
		assert.Equal(t, "practising", h.line(started).Verdict)
		h.alter(`UPDATE projection SET weighed = ` + damage)
		h.push(started.Add(time.Minute))
		assert.Empty(t, h.projection().Weighed.Doc, damage)
	}
}

// TestAnotherFormIsWeighedAnew after a start, though nobody hands anything in.
func TestAnotherFormIsWeighedAnew(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newFamily(t)
		h.line(started)
		h.alter(`UPDATE projection SET weighed = CAST(replace(CAST(weighed AS TEXT), '"form":1', '"form":0') AS BLOB), until = NULL`)
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			h.KeepWeighed(ctx, func() time.Time { return started })
		}()
		time.Sleep(3 * time.Second)
		synctest.Wait()
		stop()
		<-ended
		assert.Contains(t, string(h.projection().Weighed.Doc), `"form":1`)
		assert.Empty(t, h.found())
	})
}

// failingCommits is a store whose transactions run, and whose commits fail.
type failingCommits struct {
	clinic.Store
	tried *atomic.Int32
}

func (s failingCommits) InTx(ctx context.Context, fn func(ctx context.Context, tx clinic.Tx) error) error {
	s.tried.Add(1)
	full := fault.New(fault.OutOfSpace, "out-of-space", "The server has run out of space.")
	return s.Store.InTx(ctx, func(ctx context.Context, tx clinic.Tx) error { return errors.Join(fn(ctx, tx), full) })
}

// TestAFullDiskIsTriedOnceAMinute, not as fast as can be.
func TestAFullDiskIsTriedOnceAMinute(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newFamily(t)
		var tried atomic.Int32
		h.Store = failingCommits{h.Store, &tried}
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			h.KeepWeighed(ctx, func() time.Time { return started })
		}()
		time.Sleep(10*time.Minute + time.Second)
		synctest.Wait()
		stop()
		<-ended
		assert.Equal(t, int32(11), tried.Load())
	})
}

// TestARosterAsItIsKeptWaitsForNobody reads it while somebody weighs: where all is as it is to be, and where something has come in since.
func TestARosterAsItIsKeptWaitsForNobody(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.push(started, h.evening()...)
	h.line(started)
	read := func(within time.Duration) error {
		ctx, cancel := context.WithTimeout(t.Context(), within)
		defer cancel()
		_, err := h.Roster(ctx, h.clinician, clinic.RosterQuery{Order: "needs_call", Limit: 9}, started)
		return err
	}
	end := h.HoldWeighing()
	require.NoError(t, read(time.Minute))
	h.push(started, h.evening()...)
	require.ErrorIs(t, read(100*time.Millisecond), context.DeadlineExceeded, "it is to be weighed first")
	end()
	require.NoError(t, read(time.Minute))
}

// TestWeighingManyLearners weighs more than one transaction holds, several of one household among them.
func TestWeighingManyLearners(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	for i := range 30 {
		h.addLearners([2]string{fmt.Sprintf("Vole %d", i), fmt.Sprintf("Stoat %d", i)}, 0)
	}
	rows, err := h.Roster(t.Context(), h.clinician, clinic.RosterQuery{Order: "verdict", Limit: 100}, started)
	require.NoError(t, err)
	require.Len(t, rows, 61)
	for _, row := range rows {
		assert.Contains(t, string(row.Row), `"verdict":"not_started"`)
	}
	require.NoError(t, h.Store.Read(t.Context(), func(ctx context.Context, view clinic.View) error {
		left, err := view.Unweighed(ctx, h.clinic.ID, clinic.Page{Limit: 9})
		assert.Empty(t, left)
		return err
	}))
}

// TestAnEmptyCallLeavesTheBasis, also long after the programme.
func TestAnEmptyCallLeavesTheBasis(t *testing.T) {
	t.Parallel()
	h := newFamily(t)
	h.push(started, h.evening()...)
	late := started.AddDate(0, 0, 30)
	h.push(late)
	h.line(late)
	kept := h.projection().Weighed
	require.NotEmpty(t, kept.Doc)
	for minute := range 3 {
		h.push(late.Add(time.Duration(minute+1) * time.Minute))
		assert.Equal(t, kept, h.projection().Weighed)
	}
}

// TestAnOlderPlanIsServedWhole, with the defaults that the fold takes for what it does not name.
func TestAnOlderPlanIsServedWhole(t *testing.T) {
	t.Parallel()
	var parameters clinic.PlanParameters
	require.NoError(t, json.Unmarshal(clinic.ServedPlan(clinic.Plan{Parameters: []byte(`{"nights":7,"leader_nights":5}`)}).Parameters, &parameters))
	want := clinic.DefaultParameters()
	want.Nights, want.LeaderNights = 7, 5
	assert.Equal(t, want, parameters)
}
