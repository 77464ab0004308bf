package served_test

import (
	"crypto/sha256"
	"encoding/hex"
	"reflect"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

// printed is all that a night is served from.
type printed struct {
	Learner   practice.LearnerID
	Programme *practice.Programme
	Night     practice.NightView
}

func (p *printed) document(t *testing.T) string {
	t.Helper()
	doc, err := served.Encode(served.NightOf(p.Learner, p.Programme, &p.Night))
	require.NoError(t, err)
	return string(doc)
}

func (p *printed) print() served.Print {
	return new(served.Printer).Print(p.Learner, p.Programme, &p.Night)
}

// fullNight is a night with something in every place.
func fullNight() *printed {
	id := func(n byte) uuid.UUID { return uuid.UUID{15: n} }
	mother := practice.Author{Role: practice.Caregiver, ID: practice.PersonID{UUID: id(1)}}
	clinician := practice.Author{Role: practice.Clinician, ID: practice.PersonID{UUID: id(2)}}
	settlement := practice.Settlement{Entry: practice.EntryID{UUID: id(3)}, By: clinician, Outcome: "swallowed", Ease: 4, Reason: "as both say"}
	reading := practice.Reading{
		Entry: practice.EntryID{UUID: id(4)}, By: mother, Medium: "sweet", Snags: []practice.Snag{practice.Snags()[0]},
		Outcome: "not_swallowed", Ease: 2, Copied: true,
	}
	try := practice.TryView{
		Position: "centre", Number: 1, Medium: "sweet", SizeMM: 5.5, Outcome: "not_swallowed", Ease: 2, Agreement: "agreed",
		Readings: []practice.Reading{reading}, Settled: &settlement, Past: []practice.Settlement{settlement},
	}
	sitting := practice.SittingView{
		Number: 1, Start: practice.MomentOf(time.Date(2027, 3, 2, 19, 30, 0, 0, time.UTC)), Zone: "Europe/Lisbon",
		Subjects: []practice.SubjectID{{UUID: id(5)}}, Authors: []practice.Author{mother}, Tries: []practice.TryView{try},
		Marks: []practice.Mark{practice.MarkRecalled},
	}
	return &printed{
		Learner:   practice.LearnerID{UUID: id(6)},
		Programme: &practice.Programme{Enrolment: &practice.Enrolment{ID: practice.EnrolmentID{UUID: id(7)}}},
		Night: practice.NightView{
			Night: 20_000, State: "partial", Positions: []practice.Position{"centre"}, Sittings: []practice.SittingView{sitting},
			Scores:    []practice.Score{{Position: "centre", Outcome: "not_swallowed", Ease: 2}},
			Excuses:   []practice.NightExcuse{{Reason: "ill", By: mother}},
			Incidents: []practice.NightIncident{{Entry: practice.EntryID{UUID: id(8)}, What: "choked"}},
			Marks:     []practice.Mark{practice.MarkRecalled},
		},
	}
}

// eachBend changes one thing after the other of what a value holds, and puts it back. The path says where it is.
func eachBend(v reflect.Value, path string, look func(path string)) {
	bent := func(to reflect.Value) {
		before := reflect.ValueOf(v.Interface())
		v.Set(to.Convert(v.Type()))
		look(path)
		v.Set(before)
	}
	if m, ok := v.Interface().(practice.Moment); ok {
		bent(reflect.ValueOf(practice.MomentOf(m.Time().Add(time.Millisecond))))
		bent(reflect.ValueOf(practice.MomentOf(m.Time().In(time.FixedZone("", 3600)))))
		return
	}
	switch v.Kind() {
	case reflect.String:
		bent(reflect.ValueOf(v.String() + "x"))
	case reflect.Bool:
		bent(reflect.ValueOf(!v.Bool()))
	case reflect.Int, reflect.Int8, reflect.Int32, reflect.Int64:
		bent(reflect.ValueOf(v.Int() + 1))
	case reflect.Uint8:
		bent(reflect.ValueOf(v.Uint() ^ 1))
	case reflect.Float64:
		bent(reflect.ValueOf(v.Float() + 0.5))
	case reflect.Array:
		eachBend(v.Index(v.Len()-1), path, look)
	case reflect.Pointer:
		if _, is := v.Interface().(*practice.Enrolment); !is { // a programme has one
			bent(reflect.Zero(v.Type()))
		}
		if !v.IsNil() {
			eachBend(v.Elem(), path, look)
		}
	case reflect.Slice:
		bent(reflect.Zero(v.Type()))
		if v.Len() > 0 {
			bent(reflect.AppendSlice(v, v))
			eachBend(v.Index(0), path, look)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				eachBend(v.Field(i), path+"."+v.Type().Field(i).Name, look)
			}
		}
	}
}

// TestANightThatIsServedOtherwiseHasAnotherPrint bends one thing after the other.
func TestANightThatIsServedOtherwiseHasAnotherPrint(t *testing.T) {
	t.Parallel()
	night := fullNight()
	document, before := night.document(t), night.print()
	require.NotZero(t, before)
	differing, prints := 0, map[any]string{before: "as it was"}
	eachBend(reflect.ValueOf(night).Elem(), "", func(path string) {
		if night.document(t) == document {
			return // what is served says nothing of it
		}
		differing++
		assert.NotContains(t, prints, any(night.print()), "%s, and %s", path, prints[night.print()])
		prints[night.print()] = path
	})
	assert.Greater(t, differing, 60, "as many things as make a difference")
	assert.Equal(t, document, night.document(t), "all put back")
	var one served.Printer
	one.Print(night.Learner, nil, &practice.NightView{})
	assert.Equal(t, before, one.Print(night.Learner, night.Programme, &night.Night), "one after the other")
	assert.Equal(t, before, night.print())
}

// TestWhoeverServesNightsOtherwiseRaisesTheirForm: what is kept of nights is to differ then, so that phones are told of them anew. Raise
// nightForm in print.go, then mend both hashes here.
func TestWhoeverServesNightsOtherwiseRaisesTheirForm(t *testing.T) {
	t.Parallel()
	night := fullNight()
	sum, mark := sha256.Sum256([]byte(night.document(t))), night.print()
	assert.Equal(t, "e2c221ed338cf251cf4e12cbce169c455feecc292308b4447abb0509a0c2fd83", hex.EncodeToString(sum[:]), night.document(t))
	assert.Equal(t, "daa606a012b381f9eadc58cb17e53850", hex.EncodeToString(mark[:]))
}
