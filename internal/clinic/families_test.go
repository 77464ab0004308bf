package clinic

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/door"
	"swallowtail/internal/practice"
	"swallowtail/internal/reminder"
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

// holding returns a family of entries as it is read from a store.
func holding(entries []StoredEntry) *family {
	return &family{stored: HeldOf(entries), problems: problemsOf(entries), sent: textsOf(entries)}
}

// eases returns what the tries of a family were read to say.
func eases(t *testing.T, f *family) []int {
	t.Helper()
	var found []int
	for _, r := range f.whole().stamped {
		try, ok := r.Body.(*practice.Try)
		require.True(t, ok, "%+v", r)
		found = append(found, int(try.Ease))
	}
	return found
}

// TestReadingsAreOfTheHistoryThatIs looks at histories that share a beginning, as after a restore: nothing of one is taken for the other's.
func TestReadingsAreOfTheHistoryThatIs(t *testing.T) {
	t.Parallel()
	var known *family
	one, other := entriesOf(1, 2, 3), entriesOf(1, 4, 3)
	for _, c := range []struct {
		stored []StoredEntry
		want   []int
		again  int // how many are read anew
	}{
		{one[:1], []int{1}, 1},
		{one, []int{1, 2, 3}, 2},
		{one, []int{1, 2, 3}, 0},
		{other, []int{1, 4, 3}, 3},
		{other[:2], []int{1, 4}, 2},
		{one, []int{1, 2, 3}, 3},
		{[]StoredEntry{one[2], one[0], one[1], one[0]}, []int{3, 1, 2, 1}, 4},
		{one[1:], []int{2, 3}, 2},
		{nil, nil, 0},
		{one, []int{1, 2, 3}, 3},
	} {
		f := holding(c.stored)
		f.readings, f.read = known.readingsFor(f.stored)
		assert.Equal(t, c.again, len(c.stored)-f.read, "%v", c.want)
		before := slices.Clone(f.readings)
		known = f.whole().lean()
		assert.Equal(t, c.want, eases(t, known))
		assert.Equal(t, len(c.stored), known.read)
		for i, piece := range before {
			assert.Equal(t, piece, known.readings[i], "what has been read stays as it is")
		}
	}
}

// TestMembersAreReadAgain compares the members of an entry whose reading was kept with those of one that was not.
func TestMembersAreReadAgain(t *testing.T) {
	t.Parallel()
	read := holding(entriesOf(3))
	whole := read.whole()
	lean := whole.lean()
	assert.Empty(t, lean.members)
	require.Len(t, whole.members, 1, "a lean one is another")
	lean.sent = read.sent
	assert.Equal(t, whole.membersOf(0), lean.membersOf(0))
	assert.Equal(t, `"try"`, string(lean.membersOf(0).Kind))
}

// TestWhatWasSentIsReadAgain asks for what was sent after several revisions of a family in memory, and of one with another history.
func TestWhatWasSentIsReadAgain(t *testing.T) {
	t.Parallel()
	all := entriesOf(1, 2, 3, 4)
	kept := holding(all[:3]).whole().lean()
	require.Empty(t, kept.sent)
	stored := texts{all}
	for after, want := range []([][]byte){{all[0].Sent, all[1].Sent, all[2].Sent}, {all[1].Sent, all[2].Sent}, {all[2].Sent}, nil} {
		told, same, err := kept.withTexts(t.Context(), stored, int64(after))
		require.NoError(t, err)
		assert.True(t, same)
		assert.Equal(t, want, told.sent, "after %d; what has come since is not of this family", after)
	}
	assert.Empty(t, kept.sent, "which others use")

	whole := holding(all[:3])
	told, same, err := whole.withTexts(t.Context(), nil, 0)
	require.NoError(t, err)
	assert.True(t, same)
	assert.Same(t, whole, told, "nothing is read that is there")

	for name, other := range map[string]texts{"shorter": {all[:2]}, "another": {entriesOf(1, 2, 4)}} {
		_, same, err := kept.withTexts(t.Context(), other, 1)
		require.NoError(t, err, name)
		assert.False(t, same, name)
	}
}

// texts is a view that knows nothing but entries.
type texts struct{ entries []StoredEntry }

func (v texts) Entries(_ context.Context, _ uuid.UUID, after int64, _ int) ([]StoredEntry, error) {
	return slices.Clone(v.entries[min(int(after), len(v.entries)):]), nil
}

// TestWhoComesFirstGoesOnInTheSameArrays lets several go on from one family at once: the first without a copy, the others with one, and
// nobody sees what is another's.
func TestWhoComesFirstGoesOnInTheSameArrays(t *testing.T) {
	t.Parallel()
	all := entriesOf(1, 2, 3, 4, 5)
	first := holding(all[:1]).with(all[1:2], nil, uuid.Nil, time.Time{}).lean()
	nexts := make([]*family, 3)
	var group sync.WaitGroup
	for i := range nexts {
		group.Go(func() { nexts[i] = first.with(all[2+i:3+i], nil, uuid.Nil, time.Time{}) })
	}
	group.Wait()
	same := 0
	for i, next := range nexts {
		assert.Equal(t, []int{1, 2, 3 + i}, eases(t, next.lean()))
		assert.Equal(t, holding(append(all[:2:2], all[2+i])).stored, next.stored)
		assert.Equal(t, [][]byte{all[2+i].Sent}, next.sent, "of what came just now")
		same += b2i(&next.stored[0] == &first.stored[0] && &next.readings[0] == &first.readings[0])
	}
	assert.Equal(t, 1, same)
	assert.Equal(t, []int{1, 2}, eases(t, first))
	assert.Greater(t, first.size(), holding(all[:2]).whole().lean().size(), "the room is counted")

	known := holding(all[:2]) // as it is read anew
	known.readings, known.read = first.readingsFor(first.stored)
	assert.NotSame(t, &first.readings[0], &known.with(all[3:4], nil, uuid.Nil, time.Time{}).readings[0])
	assert.Same(t, &nexts[0].stored[0], &nexts[0].with(nil, nil, uuid.Nil, time.Time{}).stored[0], "nothing is copied for who hands in nothing")
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// TestWhatTheDoorReadIsNotReadAgain compares a family that goes on with what the door made of entries with one that reads them.
func TestWhatTheDoorReadIsNotReadAgain(t *testing.T) {
	t.Parallel()
	entries := entriesOf(1, 2, 3)
	var read []*door.Reading
	for i := range entries {
		e := &entries[i]
		read = append(read, door.Examine(e.Sent, e.Schema, e.Author.Role).Reading)
	}
	require.NotContains(t, read, (*door.Reading)(nil))
	read[1] = nil
	reads := (&family{}).with(entries, nil, uuid.Nil, time.Time{})
	goesOn := (&family{}).with(entries, read, uuid.Nil, time.Time{})
	assert.Equal(t, reads.parts(), goesOn.parts())
	assert.Equal(t, reads.members, goesOn.members)
	unread := (&family{}).with(entries[:1], []*door.Reading{{Entry: practice.Entry{Body: &practice.Try{Ease: 5}}}}, uuid.Nil, time.Time{})
	assert.Equal(t, []int{5}, eases(t, unread), "what the door read is what counts")
}

// TestFamiliesAreBounded fills the memory: others make room, and what is too much for it is not kept at all.
func TestFamiliesAreBounded(t *testing.T) {
	t.Parallel()
	var known families
	made := func(n byte, octets int) *family {
		return &family{household: Household{ID: uuid.UUID{n}}, stored: make([]Held, 1), problems: []problem{{text: make([]byte, octets)}}}
	}
	for n := range byte(20) {
		f := made(n, largestKept-sizeOfHousehold-1000)
		known.keep(f)
		assert.LessOrEqual(t, known.size, mostKept)
		assert.Same(t, &f.stored[0], &known.of(uuid.UUID{n}).stored[0], "the newest is kept")
	}
	assert.Len(t, known.kept, 8)
	known.keep(made(19, largestKept))
	assert.Nil(t, known.of(uuid.UUID{19}), "nor is what was kept before in its place")
	assert.Len(t, known.kept, 7, "and nobody makes room for it")
	size := 0
	for _, f := range known.kept {
		size += f.size()
	}
	assert.Equal(t, size, known.size)
	assert.Len(t, known.sizes, len(known.kept))
}

// TestASizeIsWhatAFamilyTakes makes many families of one kind and compares what they take of the heap with what is said of them.
func TestASizeIsWhatAFamilyTakes(t *testing.T) {
	for name, made := range map[string]func() *family{
		"of entries": func() *family {
			return holding(entriesOf(1, 2, 3, 4, 5, 1, 2, 3, 4, 5, 1, 2, 3, 4, 5, 1, 2, 3, 4, 5, 1, 2, 3, 4, 5)).whole().lean()
		},
		"of notes": func() *family {
			entries := entriesOf(1, 2, 3, 4, 5)
			for i := range entries {
				note := fmt.Sprintf(`"note":%q}}`, strings.Repeat("n", 2000))
				entries[i].Sent = []byte(strings.Replace(string(entries[i].Sent), `"snags":[]}}`, `"snags":[],`+note, 1))
			}
			return holding(entries).whole().lean()
		},
		"of flaws": func() *family {
			f := holding(entriesOf(1))
			f.problems = []problem{{rev: 1, text: make([]byte, 50_000)}}
			return f.whole().lean()
		},
		"of reminders": func() *family {
			f := &family{past: map[uuid.UUID][]reminder.Delivery{}}
			for range 200 {
				f.past[uuid.Nil] = append(f.past[uuid.Nil], reminder.Delivery{Tries: make([]reminder.Try, 2)})
			}
			return f.whole().lean()
		},
	} {
		var all [400]*family
		taken := func() uint64 {
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			return m.HeapAlloc
		}
		before := taken()
		for i := range all {
			all[i] = made()
		}
		each := float64(taken()-before) / float64(len(all))
		said := all[0].size()
		t.Logf("%s: %.0f octets, said to be %d", name, each, said)
		assert.Less(t, each, 1.25*float64(said), name)
		assert.Greater(t, 2*each, float64(said), name)
		runtime.KeepAlive(&all)
	}
}

// TestWhatWaitsIsSmall lets go of what a call needs no more once it is worked out: what is to be saved and kept is the same as before.
func TestWhatWaitsIsSmall(t *testing.T) {
	t.Parallel()
	learner := uuid.UUID{15: 1}
	read := holding(entriesOf(1, 2, 3))
	read.learners = []Learner{{ID: learner, BirthMonth: "2020-03"}}
	whole := read.whole()
	f, err := whole.fold(nil, time.Date(2027, 3, 2, 12, 0, 0, 0, time.UTC))
	require.NoError(t, err)
	kept, renewed := f.lean(), f.renewed[0].Projection
	require.NotZero(t, f.renewed[0].view)
	f.letGo()
	assert.Nil(t, f.record)
	assert.Nil(t, f.stamped)
	assert.Nil(t, f.sent)
	assert.Nil(t, f.members, "which are slices of what was sent")
	assert.Zero(t, f.renewed[0].view)
	assert.Equal(t, kept, f.lean())
	assert.Equal(t, renewed, f.renewed[0].Projection)
	assert.NotNil(t, whole.record, "another's is left alone")
}
