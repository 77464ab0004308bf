package fault_test

import (
	"errors"
	"fmt"
	"io"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/fault"
)

func TestKindOf(t *testing.T) {
	t.Parallel()
	conflict := fault.New(fault.Conflict, "history-diverged", "The histories differ.")

	cases := map[string]struct {
		err  error
		want fault.Kind
	}{
		"plain":            {io.EOF, fault.Internal},
		"nil":              {nil, fault.Internal},
		"itself":           {conflict, fault.Conflict},
		"wrapped":          {fmt.Errorf("sync: %w", conflict), fault.Conflict},
		"joined":           {errors.Join(io.EOF, conflict), fault.Conflict},
		"outermost counts": {fault.New(fault.Unavailable, "busy", "Later.").Because(conflict), fault.Unavailable},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			assert.Equal(t, c.want, fault.KindOf(c.err))
		})
	}
}

func TestErrorCarriesItsCause(t *testing.T) {
	t.Parallel()
	err := fault.New(fault.Unreadable, "cursor-invalid", "The cursor is not one of ours.").Because(io.ErrUnexpectedEOF)

	require.ErrorIs(t, err, io.ErrUnexpectedEOF)
	assert.Equal(t, "cursor-invalid: The cursor is not one of ours.: unexpected EOF", err.Error())
}

func TestAdditionsLeaveTheOriginalAlone(t *testing.T) {
	t.Parallel()
	base := fault.New(fault.Invalid, "entry-invalid", "The entry is wrong.").At("/ease", "must be 1 to 5").With("limit", 5)

	first := base.At("/size_mm", "must be positive").With("epoch", "a")
	second := base.At("/number", "must be positive").With("epoch", "b")

	assert.Equal(t, []fault.Field{{Pointer: "/ease", Detail: "must be 1 to 5"}}, base.Fields)
	assert.Equal(t, map[string]any{"limit": 5}, base.Extra)
	assert.Equal(t, "/size_mm", first.Fields[1].Pointer)
	assert.Equal(t, "/number", second.Fields[1].Pointer)
	assert.Equal(t, map[string]any{"limit": 5, "epoch": "a"}, first.Extra)
	assert.Equal(t, map[string]any{"limit": 5, "epoch": "b"}, second.Extra)
}

func TestEveryKindHasItsOwnName(t *testing.T) {
	t.Parallel()
	seen := map[string]fault.Kind{}
	for k := fault.Internal; k <= fault.OutOfSpace; k++ {
		name := k.String()
		require.NotEmpty(t, name)
		require.NotContains(t, seen, name)
		seen[name] = k
	}
	assert.Equal(t, "internal", fault.Kind(-1).String())
	assert.Equal(t, "internal", (fault.OutOfSpace + 1).String())
}
