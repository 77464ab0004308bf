package clinic

import (
	"encoding/base64"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

// history is the little that a cursor is held to: an epoch, and the chain up to each revision of one household.
type history struct {
	epoch  uuid.UUID
	chains [][32]byte
}

func (h *history) bookmarkOf(cursor string) (bookmark, error) {
	f := family{edition: Edition{Epoch: h.epoch}}
	for rev, chain := range h.chains[1:] {
		f.stored = append(f.stored, Held{Rev: int64(rev) + 1, Chain: chain})
	}
	return f.bookmarkOf(cursor)
}

// FuzzBookmarkOf alters a cursor that was given out. Whatever comes of it is refused as another history's, in the one way that
// makes a device begin anew, unless it is to the letter one that was given out too.
func FuzzBookmarkOf(f *testing.F) {
	h := &history{
		epoch:  uuid.UUID{0xfb, 0xff, 0xbf, 6: 0x40, 8: 0x80}, // with a - and a _ in base64url
		chains: [][32]byte{{}, {1, 2, 3}, {0xfb, 0xff, 0xbf}, {31: 1}},
	}
	// One that reaches each head, and some that reach less far.
	var given []string
	var bookmarks []bookmark
	for head, chain := range h.chains {
		for rev := range int64(head) + 1 {
			for _, told := range []nightsPrint{{}, {0xfb, 0xff, 15: 1}} {
				bookmarks = append(bookmarks, bookmark{rev, told})
				given = append(given, cursorAt(h.epoch, bookmark{rev, told}, Head{Rev: int64(head), Chain: chain}))
			}
		}
	}
	f.Add(uint8(1), uint16(0), uint16(0), "")
	f.Add(uint8(2), uint16(0), uint16(1000), "")
	for _, inserted := range []string{"\n", "\r\n", " ", "=", "==", "A", "+", "/", "-", "_", "\x00", "é", "null", given[1][40:]} {
		f.Add(uint8(1), uint16(0), uint16(0), inserted)
		f.Add(uint8(2), uint16(30), uint16(1), inserted)
		f.Add(uint8(3), uint16(1000), uint16(0), inserted)
		f.Add(uint8(3), uint16(uint(len(given[3])-1)), uint16(1), inserted) // the last sign, of which some bits say nothing
	}
	for _, other := range []Head{{Rev: -1}, {Rev: 4}, {Rev: 1}, {Rev: 2, Chain: h.chains[1]}, {Rev: 1 << 62, Chain: h.chains[3]}} {
		f.Add(uint8(0), uint16(0), uint16(1000), cursorAt(h.epoch, bookmark{rev: other.Rev}, other))
		f.Add(uint8(0), uint16(0), uint16(1000), cursorAt(h.epoch, bookmark{rev: 1}, other))
	}
	for _, rev := range []int64{-1, 3, 1 << 62} {
		f.Add(uint8(0), uint16(0), uint16(1000), cursorAt(h.epoch, bookmark{rev: rev}, Head{Rev: 2, Chain: h.chains[2]}))
	}
	f.Add(uint8(0), uint16(0), uint16(1000), cursorAt(uuid.UUID{1}, bookmark{rev: 1}, Head{Rev: 1, Chain: h.chains[1]}))
	padded, err := base64.RawURLEncoding.DecodeString(given[2])
	require.NoError(f, err)
	f.Add(uint8(0), uint16(0), uint16(1000), base64.StdEncoding.EncodeToString(padded))
	f.Add(uint8(0), uint16(0), uint16(1000), strings.ToUpper(given[1]))
	f.Fuzz(func(t *testing.T, which uint8, at, cut uint16, inserted string) {
		original := given[int(which)%len(given)]
		from := min(int(at), len(original))
		cursor := original[:from] + inserted + original[min(from+int(cut), len(original)):]
		if cursor == "" {
			return // that is no cursor, and begins from the start
		}
		place, err := h.bookmarkOf(cursor)
		if n := slices.Index(given, cursor); n >= 0 {
			require.NoError(t, err)
			require.Equal(t, bookmarks[n], place)
			return
		}
		var refused *fault.Error
		require.ErrorAs(t, err, &refused, "%q is none that was given out", cursor)
		require.Equal(t, fault.Conflict, refused.Kind)
		require.Equal(t, "history-diverged", refused.Problem)
		require.Equal(t, map[string]any{"epoch": h.epoch.String()}, refused.Extra)
		require.Zero(t, place)
	})
}

func TestTheBookmarkBeforeAllIsThatOfNoCursor(t *testing.T) {
	t.Parallel()
	at, err := (&history{chains: make([][32]byte, 1)}).bookmarkOf("")
	require.NoError(t, err)
	require.Equal(t, fromStart, at)
}

// TestNightsOfTheCursorAreToldAgainOnceTheyChange has nights change at the revision that a cursor reached already, as they do with time.
func TestNightsOfTheCursorAreToldAgainOnceTheyChange(t *testing.T) {
	t.Parallel()
	learner, epoch := uuid.New(), uuid.New()
	f := &folded{family: &family{
		edition: Edition{Epoch: epoch}, head: Head{Rev: 2, Chain: [32]byte{2}},
		stored: []Held{{Rev: 1, Chain: [32]byte{1}}, {Rev: 2, Chain: [32]byte{2}}},
	}}
	at := func(rev int64, nights ...practice.Night) {
		for _, n := range nights {
			f.renewed[0].Nights = append(f.renewed[0].Nights, ProjectedNight{Night: n, ChangedRev: rev, Gone: true})
		}
	}
	f.renewed = []renewed{{Projection: Projection{Learner: learner}}}
	at(1, 10)
	at(2, 11)
	told := func(cursor string) (nights []string, next string) {
		after, err := f.bookmarkOf(cursor)
		require.NoError(t, err)
		answer := SyncAnswer{Epoch: epoch}
		require.NoError(t, (&Service{}).pull(f, access.Principal{}, &answer, after, 10))
		for _, n := range []practice.Night{10, 11, 12} {
			if slices.ContainsFunc(answer.Gone, func(doc []byte) bool { return strings.Contains(string(doc), n.String()) }) {
				nights = append(nights, n.String())
			}
		}
		require.Len(t, answer.Gone, len(nights))
		return nights, answer.Cursor
	}
	eleven, twelve := practice.Night(11).String(), practice.Night(12).String()

	nights, cursor := told(cursorAt(epoch, bookmark{rev: 2}, f.head))
	require.Equal(t, []string{eleven}, nights, "it doesn't say what was told of them")
	nights, again := told(cursor)
	require.Empty(t, nights)
	require.Equal(t, cursor, again)
	at(2, 12)
	nights, cursor = told(cursor)
	require.Equal(t, []string{eleven, twelve}, nights)
	nights, _ = told(cursor)
	require.Empty(t, nights)
	nights, _ = told(cursorAt(epoch, bookmark{rev: 2}, f.head))
	require.Equal(t, []string{eleven, twelve}, nights)
}

// TestThePrintOfNightsTellsThemApart changes one thing after the other of what is told of nights.
func TestThePrintOfNightsTellsThemApart(t *testing.T) {
	t.Parallel()
	one := ProjectedNight{Night: 1, ChangedRev: 2, Print: served.Print{1}}
	of := func(learner byte, change func(n *ProjectedNight)) renewed {
		night := one
		change(&night)
		return renewed{Projection: Projection{Learner: uuid.UUID{learner}, Nights: []ProjectedNight{night}}}
	}
	same := func(*ProjectedNight) {}
	prints := map[nightsPrint]string{}
	for name, all := range map[string][]renewed{
		"none":            {of(1, func(n *ProjectedNight) { n.ChangedRev = 1 })},
		"one":             {of(1, same)},
		"another night":   {of(1, func(n *ProjectedNight) { n.Night++ })},
		"changed":         {of(1, func(n *ProjectedNight) { n.Print[15]++ })},
		"gone":            {of(1, func(n *ProjectedNight) { n.Print, n.Gone = served.Print{}, true })},
		"another's":       {of(2, same)},
		"of two learners": {of(1, same), of(2, same)},
	} {
		p := (&folded{renewed: all}).nightsAt(2)
		require.Empty(t, prints[p], name)
		require.Equal(t, name == "none", p == nightsPrint{})
		prints[p] = name
	}
}
