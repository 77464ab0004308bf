// Package durable makes files that are whole or not there, whatever ends the process or the power, and that only their
// owner can read.
package durable

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// Create makes the file with that content, unless there is one, which is no error: when several processes do so at once,
// one file is made and stays as it is.
func Create(path string, data []byte) error {
	dir := filepath.Dir(path)
	temp, err := writeTemp(dir, "."+strings.TrimPrefix(filepath.Ext(path), ".")+"-*", data)
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(temp) }()
	// A link, not a rename: it is as atomic, but fails where a rename would replace the file that another process has just
	// made and begun to use.
	if err := os.Link(temp, path); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	return SyncDir(dir)
}

// Move gives a file another name in the same file system, or an fs.ErrExist where another file has it already. The file is
// on the disk before, its name when Move returns.
func Move(from, to string) error {
	file, err := os.Open(filepath.Clean(from))
	if err != nil {
		return err
	}
	if err := errors.Join(file.Sync(), file.Close()); err != nil {
		return err
	}
	if err := move(from, to); err != nil {
		return err
	}
	return SyncDir(filepath.Dir(to))
}

func move(from, to string) error {
	err := os.Link(from, to)
	if err == nil {
		return os.Remove(from)
	}
	if errors.Is(err, fs.ErrExist) {
		return err
	}
	// A file system without links, as of a memory stick: the best that is left is to look first.
	if _, err := os.Lstat(to); err == nil {
		return &fs.PathError{Op: "move", Path: to, Err: fs.ErrExist}
	}
	return os.Rename(from, to)
}

// writeTemp writes data durably to a new file of mode 0600 in dir and returns its path.
func writeTemp(dir, pattern string, data []byte) (string, error) {
	temp, err := os.CreateTemp(dir, pattern) // CreateTemp opens with mode 0600
	if err != nil {
		return "", err
	}
	_, err = temp.Write(data)
	if err == nil {
		err = temp.Sync()
	}
	if err = errors.Join(err, temp.Close()); err != nil {
		return "", errors.Join(err, os.Remove(temp.Name()))
	}
	return temp.Name(), nil
}

// SyncDir makes what was named, renamed or removed in a directory survive a loss of power.
func SyncDir(dir string) error {
	d, err := os.Open(filepath.Clean(dir))
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
