package clinic

import (
	"reflect"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
)

// TestAnImprintIsOfEveryField changes each field of what a fold rests on, also of those that will be added.
func TestAnImprintIsOfEveryField(t *testing.T) {
	t.Parallel()
	made := func() *rest {
		return &rest{Learners: make([]Learner, 1), Enrolments: make([]EnrolmentDetail, 1), Contacts: make([]practice.Contact, 1)}
	}
	known := map[[32]byte]string{}
	note := func(name string, r *rest) {
		imprint, err := r.imprint()
		require.NoError(t, err)
		assert.NotContains(t, known, imprint, "%s changes nothing, or the same as %s", name, known[imprint])
		known[imprint] = name
	}
	note("nothing", made())
	for i := range len(fieldsOf(made())) {
		r := made()
		f := fieldsOf(r)[i]
		if f.name == "Enrolments.Enrolment.Plan" {
			continue // the id is in the plan itself
		}
		f.change(t)
		note(f.name, r)
	}
	assert.Greater(t, len(known), 30)
}

// field is one of a value of nested structs and slices.
type field struct {
	name  string
	value reflect.Value
}

func fieldsOf(r *rest) []field { return fieldsIn("", reflect.ValueOf(r).Elem()) }

func fieldsIn(name string, v reflect.Value) (all []field) {
	switch {
	case v.Kind() == reflect.Slice && v.Len() == 1:
		return fieldsIn(name, v.Index(0))
	case v.Kind() == reflect.Struct && v.Type() != reflect.TypeFor[time.Time]():
		for i := range v.NumField() {
			of := v.Type().Field(i).Name
			if name != "" {
				of = name + "." + of
			}
			all = append(all, fieldsIn(of, v.Field(i))...)
		}
		return all
	}
	return []field{{name, v}}
}

func (f field) change(t *testing.T) {
	t.Helper()
	switch v := f.value; {
	case v.Type() == reflect.TypeFor[time.Time]():
		v.Set(reflect.ValueOf(time.UnixMilli(1)))
	case v.Kind() == reflect.Array:
		v.Index(0).SetUint(1)
	case v.Kind() == reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
	case v.Kind() == reflect.String:
		v.SetString("x")
	case v.Kind() == reflect.Bool:
		v.SetBool(true)
	case v.CanInt():
		v.SetInt(1)
	default:
		require.FailNow(t, "a field of a kind that the test doesn't know", "%s: %s", f.name, v.Type())
	}
}
