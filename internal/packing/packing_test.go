package packing_test

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/packing"
	"swallowtail/internal/practice"
)

// bodies are one of each kind.
func bodies() []practice.Body {
	return []practice.Body{
		&practice.Try{}, &practice.Session{}, &practice.Excuse{}, &practice.Incident{}, &practice.Retract{}, &practice.Link{},
		&practice.Settle{}, &practice.Clear{}, &practice.Choose{}, &practice.SwitchPositions{}, &practice.Review{},
	}
}

// drawer fills values with what is drawn.
type drawer struct{ *rand.Rand }

// fill draws every member of a value, down to the last. A list may be none, or empty.
func (d drawer) fill(t *testing.T, v reflect.Value) {
	t.Helper()
	if m, is := v.Addr().Interface().(*practice.Moment); is {
		*m = practice.MomentAt(d.Int64N(1<<50)-1<<49, d.IntN(2*86399)-86399)
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			d.fill(t, v.Field(i))
		}
	case reflect.Array:
		for i := range v.Len() {
			d.fill(t, v.Index(i))
		}
	case reflect.Slice:
		if n := d.IntN(5) - 1; n >= 0 {
			v.Set(reflect.MakeSlice(v.Type(), n, n))
			for i := range n {
				d.fill(t, v.Index(i))
			}
		}
	case reflect.String:
		known := []string{"", "up", "swallowed", "sweet", "gag", "home", "travel", "vomited", "Asia/Kolkata", "a word of tomorrow", strings.Repeat("é", 2000)}
		v.SetString(known[d.IntN(len(known))])
	case reflect.Bool:
		v.SetBool(d.IntN(2) == 0)
	case reflect.Float64:
		v.SetFloat(d.NormFloat64() * 10)
	case reflect.Uint8:
		v.SetUint(uint64(d.IntN(256)))
	case reflect.Int, reflect.Int8, reflect.Int32:
		v.SetInt(int64(d.Uint64()) >> (64 - v.Type().Bits()))
	default:
		require.Fail(t, "nothing is drawn for a "+v.Kind().String())
	}
}

// drawn returns readings of all kinds of bodies, and of none, with everything in them drawn.
func (d drawer) drawn(t *testing.T, n int) []packing.Reading {
	t.Helper()
	readings := make([]packing.Reading, n)
	for i := range readings {
		r := &readings[i]
		all := bodies()
		for _, part := range []any{&r.ID, &r.Subject, &r.Replaces, &r.Learner, &r.Recorded, &r.MayBeIncident, &r.Flawed} {
			d.fill(t, reflect.ValueOf(part).Elem())
		}
		if i > 0 && d.IntN(2) == 0 {
			r.Subject.UUID, r.Learner = r.ID.UUID, readings[i-1].Learner
		}
		if at := d.IntN(len(all) + 1); at < len(all) {
			r.Body = all[at]
			d.fill(t, reflect.ValueOf(r.Body).Elem())
		}
		try, is := r.Body.(*practice.Try)
		if before, was := readings[max(i-1, 0)].Body.(*practice.Try); is && was {
			try.Session = before.Session
		}
	}
	return readings
}

func unpacked(readings []packing.Reading, pieces ...packing.Packed) []packing.Reading {
	u := packing.Unpack(pieces)
	read := make([]packing.Reading, len(readings))
	for i := range read {
		u.Next(readings[i].ID.UUID, &read[i])
	}
	return read
}

// TestUnpackedIsWhatWasPacked packs readings with everything in them drawn, so that no member of any kind can be left out, in one piece and in
// several.
func TestUnpackedIsWhatWasPacked(t *testing.T) {
	t.Parallel()
	d := drawer{rand.New(rand.NewPCG(3, 4))}
	seen := map[string]int{}
	for range 300 {
		readings := d.drawn(t, 1+d.IntN(30))
		for _, r := range readings {
			seen[fmt.Sprintf("%T", r.Body)]++
		}
		require.Equal(t, readings, unpacked(readings, packing.Pack(readings)))
		at := d.IntN(len(readings))
		pieces := []packing.Packed{packing.Pack(readings[:at]), packing.Pack(nil), packing.Pack(readings[at:])}
		require.Equal(t, readings, unpacked(readings, pieces...))
	}
	assert.Len(t, seen, len(bodies())+1)
}

// TestWhatIsUnpackedIsOnesOwn unpacks the same twice.
func TestWhatIsUnpackedIsOnesOwn(t *testing.T) {
	t.Parallel()
	readings := []packing.Reading{{Entry: practice.Entry{Body: &practice.Try{Number: 1}}}, {Entry: practice.Entry{Body: &practice.Try{Number: 2}}}}
	packed := packing.Pack(readings)
	one, other := unpacked(readings, packed), unpacked(readings, packed)
	one[0].Body.(*practice.Try).Number = 9
	assert.Equal(t, readings, other)
	assert.Equal(t, readings[1], one[1])
}

type unheardOf struct{}

func (unheardOf) Kind() practice.Kind { return "hum" }

// TestAKindThatIsNotPackedIsNotLeftOut has whoever adds a kind add it here too.
func TestAKindThatIsNotPackedIsNotLeftOut(t *testing.T) {
	t.Parallel()
	assert.PanicsWithValue(t, `packing: no kind "hum"`, func() {
		packing.Pack([]packing.Reading{{Entry: practice.Entry{Body: unheardOf{}}}})
	})
}

// evening are the readings of an evening, and where it is in time.
func evening() []packing.Reading {
	session := uuid.New()
	at := practice.MomentAt(1_800_000_000_000, 5*3600+1800)
	head := practice.Entry{
		ID: practice.EntryID{UUID: session}, Subject: practice.SubjectID{UUID: session}, Learner: practice.LearnerID{UUID: uuid.New()}, Recorded: at,
		Body: &practice.Session{Practised: at, Zone: "Asia/Kolkata", Setting: practice.AtHome},
	}
	readings := []packing.Reading{{Entry: head}}
	for _, position := range practice.Positions() {
		e := head
		e.ID.UUID = uuid.New()
		e.Subject.UUID = e.ID.UUID
		e.Body = &practice.Try{
			Session: head.Subject, Position: position, Number: 1, Medium: practice.Sweet, SizeMM: 6, Outcome: practice.Swallowed, Ease: 4,
			Snags: []practice.Snag{practice.SnagFear},
		}
		readings = append(readings, packing.Reading{Entry: e})
	}
	return readings
}

// TestAnEveningTakesLittle looks at the size of what is usual.
func TestAnEveningTakesLittle(t *testing.T) {
	t.Parallel()
	readings := evening()
	packed := packing.Pack(readings)
	t.Logf("%d octets for %d entries", len(packed), len(readings))
	assert.Less(t, len(packed), 300)
}

func BenchmarkUnpack(b *testing.B) {
	var pieces []packing.Packed
	var readings []packing.Reading
	for range 7 {
		readings = append(readings, evening()...)
		pieces = append(pieces, packing.Pack(readings[len(readings)-6:]))
	}
	b.ReportAllocs()
	for b.Loop() {
		u := packing.Unpack(pieces)
		var r packing.Reading
		for i := range readings {
			u.Next(readings[i].ID.UUID, &r)
		}
	}
}

func BenchmarkPack(b *testing.B) {
	readings := evening()
	b.ReportAllocs()
	for b.Loop() {
		packing.Pack(readings)
	}
}
