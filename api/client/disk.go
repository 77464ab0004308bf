package client

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
)

// Disk is a device's local store.
type Disk interface {
	// Load returns what was saved last, and the zero State when nothing was.
	Load() (State, error)
	// Save replaces all that was saved before, as one change: after a crash Load returns either the old or the new.
	Save(State) error
}

// MemoryDisk is a Disk that lasts as long as the process. The zero value is empty and ready. Safe for concurrent use.
type MemoryDisk struct {
	mu    sync.Mutex
	saved State
}

var _ Disk = (*MemoryDisk)(nil)

// Load never fails.
func (d *MemoryDisk) Load() (State, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.saved.clone(), nil
}

// Save never fails.
func (d *MemoryDisk) Save(s State) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.saved = s.clone()
	return nil
}

// FileDisk is a Disk in one file, readable by its owner only. It is durable when Save returns.
type FileDisk struct {
	Path string // in a directory that exists
}

var _ Disk = FileDisk{}

// Load fails when the file cannot be read or holds something else.
func (d FileDisk) Load() (State, error) {
	var s State
	if err := loadFile(d.Path, &s); err != nil {
		return State{}, fmt.Errorf("load the device's state: %w", err)
	}
	return s, nil
}

// Save fails when the file system does; the old state then stands.
func (d FileDisk) Save(s State) error {
	if err := saveFile(d.Path, s); err != nil {
		return fmt.Errorf("save the device's state: %w", err)
	}
	return nil
}

// loadFile leaves value as it is when there is no file.
func loadFile(path string, value any) error {
	data, err := os.ReadFile(filepath.Clean(path))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return json.Unmarshal(data, value)
}

// saveFile writes beside the file and renames over it, so that the file is the old or the new one at any moment.
func saveFile(path string, value any) error {
	data, err := json.Marshal(value)
	if err != nil {
		return err
	}
	written, err := writeBeside(path, data)
	if err != nil {
		return err
	}
	if err := os.Rename(written, path); err != nil {
		return errors.Join(err, os.Remove(written))
	}
	return syncDirectory(filepath.Dir(path))
}

// writeBeside returns the name of a new file in the same directory, durable, mode 0600.
func writeBeside(path string, data []byte) (name string, err error) {
	file, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+"-*")
	if err != nil {
		return "", err
	}
	_, err = file.Write(data)
	if err == nil {
		err = file.Sync()
	}
	if err = errors.Join(err, file.Close()); err != nil {
		return "", errors.Join(err, os.Remove(file.Name()))
	}
	return file.Name(), nil
}

// syncDirectory makes a rename in it durable.
func syncDirectory(path string) error {
	directory, err := os.Open(filepath.Clean(path))
	if err != nil {
		return err
	}
	return errors.Join(directory.Sync(), directory.Close())
}
