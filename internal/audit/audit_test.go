package audit_test

import (
	"reflect"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/audit"
)

func rows(clinic uuid.UUID, n int) []audit.Row {
	head := audit.Head{Clinic: clinic}
	trail := make([]audit.Row, n)
	for i := range trail {
		trail[i] = audit.Row{
			At: time.Date(2027, 3, 1, 20, i, 0, 999, time.UTC), Role: "clinician", Who: uuid.New(), Token: "a", From: "192.0.2.1",
			Did: "getSummary", Outcome: audit.Done, Note: "1", Household: uuid.New(), Learner: uuid.New(), Thing: uuid.New(),
		}
		trail[i].Link(head)
		head = trail[i].Head()
	}
	return trail
}

func follow(clinic uuid.UUID, trail []audit.Row) (audit.Head, error) {
	head := audit.Head{Clinic: clinic}
	for i := range trail {
		var err error
		if head, err = head.Follow(&trail[i]); err != nil {
			return head, err
		}
	}
	return head, nil
}

func TestATrailIsFollowed(t *testing.T) {
	t.Parallel()
	clinic := uuid.New()
	trail := rows(clinic, 5)
	head, err := follow(clinic, trail)
	require.NoError(t, err)
	assert.Equal(t, trail[4].Head(), head)
	assert.Zero(t, trail[0].At.Nanosecond(), "as the store keeps instants")
}

// TestEveryFieldIsSealed changes each field of a row in the middle of a trail, whatever fields there are.
func TestEveryFieldIsSealed(t *testing.T) {
	t.Parallel()
	clinic := uuid.New()
	of := reflect.TypeFor[audit.Row]()
	for i := range of.NumField() {
		trail := rows(clinic, 5)
		changed(reflect.ValueOf(&trail[2]).Elem().Field(i))
		_, err := follow(clinic, trail)
		assert.ErrorIs(t, err, audit.ErrBroken, of.Field(i).Name)
	}
}

// changed puts another value into a field.
func changed(field reflect.Value) {
	switch value := field.Interface().(type) {
	case string:
		field.SetString(value + "x")
	case int64:
		field.SetInt(value + 1)
	case uuid.UUID:
		field.Set(reflect.ValueOf(uuid.New()))
	case time.Time:
		field.Set(reflect.ValueOf(value.Add(time.Millisecond)))
	case [32]byte:
		value[31]++
		field.Set(reflect.ValueOf(value))
	default:
		panic("no other value for " + field.Type().String())
	}
}

func TestRowsAreNeitherLeftOutNorPutInNorExchanged(t *testing.T) {
	t.Parallel()
	clinic := uuid.New()
	trail := rows(clinic, 5)
	for name, bent := range map[string][]audit.Row{
		"left out":          append(append([]audit.Row{}, trail[:2]...), trail[3:]...),
		"without the first": trail[1:],
		"exchanged":         {trail[0], trail[2], trail[1], trail[3], trail[4]},
		"put in twice":      {trail[0], trail[1], trail[1], trail[2]},
		"another clinic's":  append(append([]audit.Row{}, trail[:2]...), rows(uuid.New(), 3)[2]),
	} {
		_, err := follow(clinic, bent)
		require.ErrorIs(t, err, audit.ErrBroken, name)
	}
	// What moves from one text to the next is noticed too.
	trail[1].Token, trail[1].From = "a1", "92.0.2.1"
	_, err := follow(clinic, trail)
	assert.ErrorIs(t, err, audit.ErrBroken)
}
