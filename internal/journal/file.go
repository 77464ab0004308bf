package journal

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
	"swallowtail/internal/durable"
	"swallowtail/internal/fault"
)

// File is a journal in a file of its own. It is safe for use by several goroutines and several processes.
type File struct {
	path string
	id   uuid.UUID
}

var _ clinic.Journal = (*File)(nil)

// Open opens the journal at path, or begins one there, readable for its owner only and named by newID. When several
// processes do so at once, they all get the same. It returns ErrNewer or ErrDamaged for a file whose first line is not one
// that this program knows.
func Open(path string, newID func() uuid.UUID) (*File, error) {
	id, err := idOf(path)
	if errors.Is(err, fs.ErrNotExist) {
		if err := begin(path, newID()); err != nil {
			return nil, fmt.Errorf("begin journal: %w", err)
		}
		id, err = idOf(path)
	}
	if err != nil {
		return nil, fmt.Errorf("open journal: %w", err)
	}
	return &File{path: path, id: id}, nil
}

func begin(path string, id uuid.UUID) error {
	line, err := encodeHeader(id)
	if err != nil {
		return err
	}
	return durable.Create(path, line)
}

// maxHeader bounds the first line, in bytes.
const maxHeader = 1 << 10

func idOf(path string) (uuid.UUID, error) {
	file, err := os.Open(filepath.Clean(path))
	if err != nil {
		return uuid.Nil, err
	}
	defer func() { _ = file.Close() }() // nothing was written
	return readHeader(file)
}

func readHeader(r io.Reader) (uuid.UUID, error) {
	line, err := bufio.NewReaderSize(io.LimitReader(r, maxHeader), maxHeader).ReadBytes('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return uuid.Nil, err
	}
	return decodeHeader(bytes.TrimSuffix(line, []byte("\n")))
}

// ID implements clinic.Journal.
func (f *File) ID() uuid.UUID { return f.id }

// Append implements clinic.Journal. Where another journal has been put in the place of this one, it is that which is
// appended to: the store beside it may be another too.
func (f *File) Append(ctx context.Context, r clinic.JournalRecord) error {
	return f.AppendAll(ctx, []clinic.JournalRecord{r})
}

// AppendAll adds records, in their order, as Append would one after the other, but makes them durable at once. After an error those
// at the beginning may be there.
func (f *File) AppendAll(ctx context.Context, records []clinic.JournalRecord) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("append to journal: %w", err)
	}
	var lines []byte
	for _, r := range records {
		encoded, err := encode(r)
		if err != nil {
			return fmt.Errorf("append to journal: %w", err)
		}
		lines = append(append(lines, '\n'), frame(encoded)...)
	}
	if err := f.append(lines); err != nil {
		return translated(fmt.Errorf("append to journal: %w", err))
	}
	return nil
}

func (f *File) append(lines []byte) error {
	file, err := os.OpenFile(f.path, os.O_RDWR|os.O_APPEND, 0)
	if err != nil {
		return err
	}
	if _, err = readHeader(file); err == nil {
		_, err = file.Write(lines)
	}
	if err == nil {
		err = file.Sync()
	}
	return errors.Join(err, file.Close())
}

// translated gives an error its kind.
func translated(err error) error {
	for _, full := range []error{syscall.ENOSPC, syscall.EDQUOT, syscall.EFBIG} {
		if errors.Is(err, full) {
			return fault.New(fault.OutOfSpace, "out-of-space", "The server has run out of space.").Because(err)
		}
	}
	return fault.New(fault.Unavailable, "unavailable", "The server cannot write its journal at the moment.").Because(err)
}

// Content is all that a journal holds.
type Content struct {
	ID      uuid.UUID
	Records []clinic.JournalRecord
	CutOff  int // lines that were never written to their end, and so tell nothing
}

// Read reads a whole journal. It returns an fs.ErrNotExist where there is none, ErrDamaged, with the line, where something
// is not as it was written, and ErrNewer where there is something in it that this program does not know.
func Read(path string) (Content, error) {
	file, err := os.Open(filepath.Clean(path))
	if err != nil {
		return Content{}, fmt.Errorf("read journal: %w", err)
	}
	defer func() { _ = file.Close() }() // nothing was written
	var c Content
	lines := bufio.NewReader(file)
	for n := 1; ; n++ {
		line, err := lines.ReadBytes('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return Content{}, fmt.Errorf("read journal: %w", err)
		}
		if err := c.take(n, bytes.TrimSuffix(line, []byte("\n"))); err != nil {
			return Content{}, err
		}
		if err != nil {
			return c, nil
		}
	}
}

// take takes the nth line.
func (c *Content) take(n int, line []byte) error {
	if n == 1 {
		id, err := decodeHeader(line)
		c.ID = id
		return err
	}
	encoded, err := unframe(line)
	if errors.Is(err, errCutOff) {
		c.CutOff++
		return nil
	}
	if err != nil {
		return fmt.Errorf("%w: line %d is not what was written", err, n)
	}
	r, err := decode(encoded)
	if err != nil {
		return fmt.Errorf("line %d: %w", n, err)
	}
	c.Records = append(c.Records, r)
	return nil
}
