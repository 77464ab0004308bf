package client

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
)

// Transport carries a sync call to the server.
type Transport interface {
	// Sync returns the server's answer. A refusal is a *Problem; any other error leaves open whether the server got
	// the call.
	Sync(ctx context.Context, request Request) (Response, error)
}

// ErrEntry is wrapped by the errors of what cannot be recorded.
var ErrEntry = errors.New("entry cannot be recorded")

// Config is what a Device is made of. Writer, Transport, Disk, Now and NewID are needed.
type Config struct {
	Writer    Writer
	Transport Transport
	Disk      Disk
	Now       func() time.Time // the device's clock, in local time; it may be wrong
	NewID     func() string    // makes UUIDs
	PageLimit int              // the most changes to ask for in one call, 1 to 500; 0 is 500
	MaxRounds int              // the most calls in one Sync; 0 is 1,000
}

// Device is one caregiver's phone. Safe for concurrent use.
type Device struct {
	writer    Writer
	transport Transport
	disk      Disk
	pen       Pen
	pageLimit int
	maxRounds int

	mu    sync.Mutex
	state State // as last saved
}

// Open returns the device as its Disk has it.
func Open(c Config) (*Device, error) {
	if c.Transport == nil || c.Disk == nil || c.Now == nil || c.NewID == nil || c.Writer.Device == "" || c.Writer.Caregiver == "" {
		return nil, errors.New("open a device: writer, transport, disk, clock and ids are all needed")
	}
	state, err := c.Disk.Load()
	if err != nil {
		return nil, fmt.Errorf("open a device: %w", err)
	}
	return &Device{
		writer: c.Writer, transport: c.Transport, disk: c.Disk, pen: Pen{Now: c.Now, NewID: c.NewID},
		pageLimit: orDefault(c.PageLimit, 500), maxRounds: orDefault(c.MaxRounds, 1000),
		state: state.clone(),
	}, nil
}

func orDefault(n, standard int) int {
	if n == 0 {
		return standard
	}
	return n
}

// Writer returns in whose name the device writes.
func (d *Device) Writer() Writer {
	return d.writer
}

// State returns what the device keeps now. Its maps and slices are the caller's own; what they hold is shared.
func (d *Device) State() State {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.state.clone()
}

// Record saves entries in the outbox, all of them or, with an error, none. An entry needs a lower-case UUID that this
// device has not seen in use and a body that is JSON, else the error wraps ErrEntry; the rest is for the server to judge.
func (d *Device) Record(entries ...Entry) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.recordLocked(entries...)
}

func (d *Device) recordLocked(entries ...Entry) error {
	recorded := slices.Clone(entries)
	used := d.state.idsInUse()
	for i, e := range recorded {
		if err := checkEntry(e, used); err != nil {
			return fmt.Errorf("%w: entry %q: %w", ErrEntry, e.ID, err)
		}
		used[e.ID] = true
		recorded[i].Replaces = append([]string{}, e.Replaces...) // never null on the wire
	}
	return d.saveLocked(d.state.withRecorded(recorded))
}

func (s State) idsInUse() map[string]bool {
	used := make(map[string]bool, len(s.Outbox)+len(s.Entries))
	for _, item := range s.Outbox {
		used[item.Entry.ID] = true
	}
	for id := range s.Entries {
		used[id] = true
	}
	return used
}

func checkEntry(e Entry, used map[string]bool) error {
	id, err := uuid.Parse(e.ID)
	switch {
	case err != nil:
		return err
	case id.String() != e.ID:
		return errors.New("the id is not written as a lower-case UUID")
	case used[e.ID]:
		return errors.New("the id is in use")
	case !json.Valid(e.Body):
		return errors.New("the body is not JSON")
	}
	return nil
}

// saveLocked makes next the state, unless it cannot be saved.
func (d *Device) saveLocked(next State) error {
	if err := d.disk.Save(next); err != nil {
		return fmt.Errorf("save: %w", err)
	}
	d.state = next
	return nil
}

// Outbox returns the entries that have not been seen in the feed yet, in the order of writing.
func (d *Device) Outbox() []Entry {
	d.mu.Lock()
	defer d.mu.Unlock()
	entries := make([]Entry, 0, len(d.state.Outbox))
	for _, item := range d.state.Outbox {
		entries = append(entries, item.Entry)
	}
	return entries
}

// Entries returns what has been seen in the feed, by revision.
func (d *Device) Entries() []Known {
	d.mu.Lock()
	defer d.mu.Unlock()
	return byRevision(d.state.Entries)
}

// Nights returns the documents of a learner's nights, by date, as the server last sent them.
func (d *Device) Nights(learner string) ([]Night, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	nights := []Night{}
	for key, night := range d.state.Nights {
		if !strings.HasPrefix(key, nightKey(learner, "")) {
			continue
		}
		var document Night
		if err := json.Unmarshal(night.Document, &document); err != nil {
			return nil, fmt.Errorf("read night %s: %w", key, err)
		}
		nights = append(nights, document)
	}
	slices.SortFunc(nights, func(a, b Night) int { return strings.Compare(a.Night, b.Night) })
	return nights, nil
}

// Problems returns this device's entries that the server did not take as they are. A quarantined one stays here until
// an edit replaces it.
func (d *Device) Problems() []Trouble {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.state.troubles(d.writer)
}

// Heads returns the ids of the caregiver's own entries about a subject that no other of theirs replaces, as far as this
// device has seen. They are what the next edit or withdrawal replaces.
func (d *Device) Heads(subject string) []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.state.heads(d.writer, subject)
}
