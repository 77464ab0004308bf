//go:build unix

package durable

import (
	"errors"
	"os"
	"syscall"
)

// lock waits until nobody else has locked the file. It is unlocked when it is closed, or its process ends.
func lock(file *os.File) error {
	for {
		err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX)
		if !errors.Is(err, syscall.EINTR) {
			return err
		}
	}
}

// giveTo gives a file the owner of another, where that is not who runs this.
func giveTo(path string, like *os.File) error {
	info, err := like.Stat()
	if err != nil {
		return err
	}
	owner, known := info.Sys().(*syscall.Stat_t)
	if !known || (int(owner.Uid) == os.Geteuid() && int(owner.Gid) == os.Getegid()) {
		return nil
	}
	return os.Chown(path, int(owner.Uid), int(owner.Gid))
}
