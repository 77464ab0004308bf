package journal

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"regexp"
	"strconv"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"
)

// format is raised when the lines after the first change their form.
const format = 1

// header is the first line.
type header struct {
	Journal uuid.UUID `json:"journal"`
	Format  int       `json:"format"`
}

// ErrDamaged answers a journal in which something is not as it was written.
var ErrDamaged = errors.New("the journal is damaged")

func encodeHeader(id uuid.UUID) ([]byte, error) {
	return json.Marshal(header{Journal: id, Format: format})
}

func decodeHeader(line []byte) (uuid.UUID, error) {
	var h header
	if err := json.Unmarshal(bytes.TrimRight(line, unfilled), &h); err != nil || h.Journal == uuid.Nil || h.Format == 0 {
		return uuid.Nil, fmt.Errorf("%w: line 1 does not name it", ErrDamaged)
	}
	if h.Format != format {
		return uuid.Nil, fmt.Errorf("%w: its form is %d, and only %d is known", ErrNewer, h.Format, format)
	}
	return h.Journal, nil
}

var (
	castagnoli = crc32.MakeTable(crc32.Castagnoli)
	opening    = regexp.MustCompile(`^\{"bytes":([1-9][0-9]{0,7}),"crc32c":"([0-9a-f]{8})","record":`)
)

// The least and the most of what opens a frame, for lines that end within it.
const (
	beforeLength = `{"bytes":`
	afterLength  = `,"crc32c":"00000000","record":`
)

// frame returns the line of a record.
func frame(encoded []byte) []byte {
	opening := fmt.Sprintf(`{"bytes":%d,"crc32c":"%08x","record":`, len(encoded), crc32.Checksum(encoded, castagnoli))
	return append(append([]byte(opening), encoded...), '}')
}

// unfilled is what a file holds that had grown when the power went, but whose new end was not yet on the disk.
const unfilled = "\x00"

// errCutOff tells that a line ends before its frame does.
var errCutOff = errors.New("cut off")

// unframe returns the record in a line. It returns errCutOff for a line that is shorter than it was to be, and ErrDamaged
// for any other that is not what its frame tells.
func unframe(line []byte) ([]byte, error) {
	line = bytes.TrimRight(line, unfilled)
	match := opening.FindSubmatch(line)
	if match == nil {
		if endsInOpening(line) {
			return nil, errCutOff
		}
		return nil, ErrDamaged
	}
	length, err := strconv.Atoi(string(match[1]))
	if err != nil {
		return nil, ErrDamaged
	}
	rest, sum := line[len(match[0]):], string(match[2])
	if len(rest) < length+1 && !fits(rest, sum) {
		return nil, errCutOff
	}
	if len(rest) != length+1 || !fits(rest, sum) {
		return nil, ErrDamaged
	}
	return rest[:length], nil
}

// fits reports whether the rest of a line is a record of that checksum and the end of its frame.
func fits(rest []byte, sum string) bool {
	encoded, ends := bytes.CutSuffix(rest, []byte("}"))
	return ends && fmt.Sprintf("%08x", crc32.Checksum(encoded, castagnoli)) == sum
}

// endsInOpening reports whether a line is the beginning of what opens a frame, and no more.
func endsInOpening(line []byte) bool {
	if len(line) <= len(beforeLength) {
		return bytes.HasPrefix([]byte(beforeLength), line)
	}
	rest, is := bytes.CutPrefix(line, []byte(beforeLength))
	rest = bytes.TrimLeft(rest, "0123456789")
	if !is || len(rest) >= len(afterLength) {
		return false
	}
	for i, c := range rest {
		if want := afterLength[i]; c != want && (want != '0' || !isHex(c)) {
			return false
		}
	}
	return true
}

func isHex(c byte) bool { return '0' <= c && c <= '9' || 'a' <= c && c <= 'f' }
