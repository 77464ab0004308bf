package journal

import (
	"errors"
	"os"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"

	"swallowtail/internal/fault"
)

func TestKindsOfFailure(t *testing.T) {
	t.Parallel()
	for err, want := range map[error]fault.Kind{
		&os.PathError{Op: "write", Err: syscall.ENOSPC}: fault.OutOfSpace,
		&os.PathError{Op: "write", Err: syscall.EDQUOT}: fault.OutOfSpace,
		&os.PathError{Op: "write", Err: syscall.EFBIG}:  fault.OutOfSpace,
		&os.PathError{Op: "open", Err: syscall.EROFS}:   fault.Unavailable,
		&os.PathError{Op: "sync", Err: syscall.EIO}:     fault.Unavailable,
		errors.Join(syscall.EIO, syscall.ENOSPC):        fault.OutOfSpace,
	} {
		assert.Equal(t, want, fault.KindOf(translated(err)), err)
		assert.ErrorIs(t, translated(err), err)
	}
}
