package clinic

import (
	"fmt"
	"sync"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
)

// entriesOf returns entries as a household holds them, each a try of the given ease.
func entriesOf(eases ...int) []StoredEntry {
	var entries []StoredEntry
	var before [32]byte
	for i, ease := range eases {
		id := uuid.UUID{0: 1, 6: 0x80, 8: 0x80, 15: byte(i + 1)}
		e := StoredEntry{
			Rev: int64(i) + 1, ID: id, Status: practice.Accepted, Author: practice.Author{Role: practice.Caregiver}, Schema: 1,
			Sent: fmt.Appendf(nil, `{"id":%q,"kind":"try","subject":%q,"replaces":[],"learner_id":%q,`+
				`"recorded_at":"2027-03-01T19:00:00-04:00","body":{"session":%q,"position":"up","number":1,"medium":"sweet","size_mm":6,`+
				`"outcome":"swallowed","ease":%d,"snags":[]}}`, id, id, id, id, ease),
		}
		e.Chain = chained(before, &e)
		before = e.Chain
		entries = append(entries, e)
	}
	return entries
}

// eases returns what tries were read to say.
func eases(t *testing.T, read []reading) []int {
	t.Helper()
	var found []int
	for _, r := range read {
		try, ok := r.Entry.Body.(*practice.Try)
		require.True(t, ok, "%+v", r)
		found = append(found, int(try.Ease))
	}
	return found
}

// TestReadingsAreOfTheHistoryThatIs looks at histories that share a beginning, as after a transaction that was undone or a
// restore: nothing of one is taken for the other's.
func TestReadingsAreOfTheHistoryThatIs(t *testing.T) {
	t.Parallel()
	var known readings
	household := uuid.UUID{9}
	one, other := entriesOf(1, 2, 3), entriesOf(1, 4, 3)
	for _, c := range []struct {
		stored []StoredEntry
		want   []int
	}{
		{one[:1], []int{1}},
		{one, []int{1, 2, 3}},
		{other, []int{1, 4, 3}},
		{other[:2], []int{1, 4}},
		{one, []int{1, 2, 3}},
		{[]StoredEntry{one[2], one[0], one[1], one[0]}, []int{3, 1, 2, 1}},
		{one[1:], []int{2, 3}},
		{nil, nil},
	} {
		assert.Equal(t, c.want, eases(t, known.of(household, c.stored)))
		assert.Equal(t, (*readings)(nil).of(household, c.stored), known.of(household, c.stored), "as without a memory")
	}
}

// TestReadingsAreKept checks that what is known is not read again: the pointer is the same.
func TestReadingsAreKept(t *testing.T) {
	t.Parallel()
	var known readings
	household, another := uuid.UUID{9}, uuid.UUID{8}
	stored := entriesOf(1, 2, 3)
	first := known.of(household, stored[:2])
	second := known.of(household, stored)
	assert.Same(t, first[1].Entry.Body, second[1].Entry.Body)
	shuffled := known.of(household, []StoredEntry{stored[1], stored[0]})
	assert.Same(t, first[1].Entry.Body, shuffled[0].Entry.Body)
	assert.Len(t, known.kept, 1, "what is not the whole in order is not kept in its place")
	assert.NotSame(t, first[1].Entry.Body, known.of(another, stored)[1].Entry.Body)
	assert.Len(t, known.kept, 2)
	assert.Equal(t, known.sizes[household]+known.sizes[another], known.size)
	assert.Greater(t, known.sizes[another], 3*sizeOfReading)
}

// TestReadingsAreBounded fills the memory: others make room, and what is too much for it is not kept at all.
func TestReadingsAreBounded(t *testing.T) {
	t.Parallel()
	var known readings
	many := make([]reading, 3)
	for n := range byte(20) {
		known.keep(uuid.UUID{n}, many, mostKept/4+1)
		assert.LessOrEqual(t, known.size, mostKept)
		assert.Len(t, known.lookUp(uuid.UUID{n}), len(many), "the newest is kept")
	}
	assert.Len(t, known.kept, 3)
	known.keep(uuid.UUID{19}, many, mostKept+1)
	assert.Nil(t, known.lookUp(uuid.UUID{19}))
	size := 0
	for id := range known.kept {
		size += known.sizes[id]
	}
	assert.Equal(t, size, known.size)
	assert.Len(t, known.sizes, len(known.kept))
}

// TestReadingsAreSafeForMany is for the race detector.
func TestReadingsAreSafeForMany(t *testing.T) {
	t.Parallel()
	var known readings
	stored := entriesOf(1, 2, 3, 4, 5)
	var all sync.WaitGroup
	for n := range 8 {
		all.Go(func() {
			for i := range 50 {
				upTo := 1 + (n+i)%len(stored)
				assert.Len(t, known.of(uuid.UUID{byte(i % 2)}, stored[:upTo]), upTo)
			}
		})
	}
	all.Wait()
}
