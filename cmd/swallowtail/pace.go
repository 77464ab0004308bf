package main

import (
	"errors"
	"io"
	"net/http"
	"os"
	"time"
)

// pace is how slow a client may be in the middle of a request or an answer. At a rate below it a connection is ended, long
// before the bound of the whole. The zero value sets no such bound.
type pace struct {
	window time.Duration // in which a piece must have gone
	in     int           // octets of a piece of a body, unless it ends before that
	out    int           // octets of a piece of an answer
}

// usualPace ends a connection after five seconds in which hardly anything came or was taken. A phone at 2 kB/s, with a fortnight
// of 30 kB to hand in, sends 10 kB in that time, ten times what is asked of it, and is done after 15 of the 30 seconds; it may
// be without a signal for four seconds on end. Of an answer it takes a piece in two seconds; where several pieces are written in one go it has
// as many times five.
func usualPace() pace { return pace{window: 5 * time.Second, in: 1_000, out: 4 << 10} }

// paced holds clients to a pace. read and write are the bounds of the whole, from when the header has been read.
func paced(next http.Handler, p pace, read, write time.Duration) http.Handler {
	if p == (pace{}) {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		began, control := time.Now(), http.NewResponseController(w)
		if r.Body != nil && r.Body != http.NoBody {
			r.Body = &pacedBody{ReadCloser: r.Body, pace: p, control: control, end: began.Add(read)}
		}
		next.ServeHTTP(&pacedAnswer{ResponseWriter: w, pace: p, control: control, end: began.Add(write)}, r)
	})
}

// pacedBody is a body that has to keep coming.
type pacedBody struct {
	io.ReadCloser
	pace    pace
	control *http.ResponseController
	end     time.Time
	due     time.Time // when the piece must be there
	missing int       // octets of it
	ended   bool      // so that the connection is only listened to for its end, which a deadline would seem to be
}

func (b *pacedBody) Read(into []byte) (int, error) {
	if b.missing <= 0 && !b.ended {
		b.due, b.missing = time.Now().Add(b.pace.window), b.pace.in
		if b.end.Before(b.due) {
			b.due = b.end
		}
		if err := ignoreUnsupported(b.control.SetReadDeadline(b.due)); err != nil {
			return 0, err
		}
	}
	n, err := b.ReadCloser.Read(into)
	b.missing -= n
	b.ended = err != nil
	return n, err
}

// pacedAnswer is an answer that has to be taken.
type pacedAnswer struct {
	http.ResponseWriter
	pace    pace
	control *http.ResponseController
	end     time.Time
	free    bool // who answers keeps time themselves
}

// piecesAtOnce is how many pieces of an answer are written in one go, in the time that all of them may take: most answers go out whole,
// since the connection takes them before anybody has read them.
const piecesAtOnce = 4

// Write writes some pieces at a time, with a time of their own. net/http flushes what it still holds after the last under that one's.
func (a *pacedAnswer) Write(answer []byte) (written int, err error) {
	if a.free {
		return a.ResponseWriter.Write(answer)
	}
	for {
		piece := answer[written:min(written+piecesAtOnce*a.pace.out, len(answer))]
		pieces := len(piece)/a.pace.out + 1
		due := time.Now().Add(time.Duration(pieces) * a.pace.window)
		if a.end.Before(due) {
			due = a.end
		}
		if err := ignoreUnsupported(a.control.SetWriteDeadline(due)); err != nil {
			return written, err
		}
		n, err := a.ResponseWriter.Write(piece)
		written += n
		if err != nil || written == len(answer) {
			return written, err
		}
	}
}

// SetWriteDeadline leaves keeping time to whoever answers, as a stream does.
func (a *pacedAnswer) SetWriteDeadline(at time.Time) error {
	a.free = true
	return a.control.SetWriteDeadline(at)
}

// Unwrap lets http.ResponseController reach the connection.
func (a *pacedAnswer) Unwrap() http.ResponseWriter { return a.ResponseWriter }

// Flush implements http.Flusher.
func (a *pacedAnswer) Flush() { _ = a.control.Flush() } // what can't be flushed fails at the next write

// ignoreUnsupported passes over connections that have no deadlines, and those that are gone: reading or writing tells.
func ignoreUnsupported(err error) error {
	if errors.Is(err, http.ErrNotSupported) || errors.Is(err, os.ErrDeadlineExceeded) {
		return nil
	}
	return err
}
