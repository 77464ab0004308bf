package clinic

import (
	"fmt"
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
	var known []reading
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
		read := readAll(c.stored, known)
		assert.Equal(t, c.want, eases(t, read))
		assert.Equal(t, readAll(c.stored, nil), read, "as without a memory")
		known = read
	}
}

// TestReadingsAreKept checks that what is known is not read again: the pointer is the same.
func TestReadingsAreKept(t *testing.T) {
	t.Parallel()
	stored := entriesOf(1, 2, 3)
	first := readAll(stored[:2], nil)
	second := readAll(stored, first)
	assert.Same(t, first[1].Entry.Body, second[1].Entry.Body)
	shuffled := readAll([]StoredEntry{stored[1], stored[0]}, second)
	assert.Same(t, first[1].Entry.Body, shuffled[0].Entry.Body)
}

// TestFamiliesAreBounded fills the memory: others make room, and what is too much for it is not kept at all.
func TestFamiliesAreBounded(t *testing.T) {
	t.Parallel()
	var known families
	made := func(n byte, octets int) *family {
		return &family{household: Household{ID: uuid.UUID{n}}, stored: []StoredEntry{{Sent: make([]byte, octets)}}}
	}
	for n := range byte(20) {
		f := made(n, mostKept/4-sizeOfFamily)
		known.keep(f)
		assert.LessOrEqual(t, known.size, mostKept)
		assert.Same(t, f, known.of(uuid.UUID{n}), "the newest is kept")
	}
	assert.Len(t, known.kept, 3)
	known.keep(made(19, mostKept))
	assert.Nil(t, known.of(uuid.UUID{19}), "nor is what was kept before in its place")
	size := 0
	for _, f := range known.kept {
		size += f.size()
	}
	assert.Equal(t, size, known.size)
}
