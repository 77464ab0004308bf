package durable

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// Update puts in the place of a file what change makes of its content, as a whole. Of several that do so at once, in one
// process or in several, each gets what the one before it has made. Where change fails nothing is changed, and its error comes
// back. The file keeps its owner and gets mode 0600; of a symbolic link it is the file behind it that is replaced.
func Update(path string, change func(content []byte) ([]byte, error)) (err error) {
	if path, err = filepath.EvalSymlinks(path); err != nil {
		return err
	}
	file, err := lockNewest(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }() // which unlocks it
	content, err := io.ReadAll(file)
	if err != nil {
		return err
	}
	if content, err = change(content); err != nil {
		return err
	}
	return replace(path, file, content)
}

// replace puts content in the place of a file that is open.
func replace(path string, file *os.File, content []byte) error {
	dir := filepath.Dir(path)
	temp, err := writeTemp(dir, "."+strings.TrimPrefix(filepath.Ext(path), ".")+"-*", content)
	if err != nil {
		return err
	}
	// Before the new file has the name, lest a server that runs as another user be locked out of it.
	err = giveTo(temp, file)
	if err == nil {
		err = os.Rename(temp, path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(temp))
	}
	return SyncDir(dir)
}

// lockNewest opens the file that has the name and keeps others from updating it until it is closed.
func lockNewest(path string) (*os.File, error) {
	for {
		file, err := os.OpenFile(path, os.O_RDWR, 0) //nolint:gosec // the path is the operator's choice
		if err != nil {
			return nil, err
		}
		newest, err := lockIfNewest(file, path)
		if newest && err == nil {
			return file, nil
		}
		if err = errors.Join(err, file.Close()); err != nil {
			return nil, err
		}
		// Whoever had the lock has replaced the file meanwhile: another round for what is there now.
	}
}

func lockIfNewest(file *os.File, path string) (bool, error) {
	if err := lock(file); err != nil {
		return false, &os.PathError{Op: "lock", Path: path, Err: err}
	}
	locked, err := file.Stat()
	if err != nil {
		return false, err
	}
	named, err := os.Stat(path)
	return err == nil && os.SameFile(locked, named), err
}
