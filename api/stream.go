package api

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"

	"swallowtail/api/oas"
	"swallowtail/internal/watch"
)

// streamPath is where devices wait for news.
const streamPath = "/v1/sync/stream"

const (
	heartbeat = 25 * time.Second // below the time after which proxies take a connection for dead
	writeTime = 10 * time.Second // how long a listener may take to take an event
	// comeBack is after how many milliseconds a listener connects again, before what it adds at random.
	comeBack = 3_000
)

// StreamSync tells a device whenever its household has something new.
func (s *server) StreamSync(ctx context.Context, _ oas.StreamSyncRequestObject) (oas.StreamSyncResponseObject, error) {
	p := caller(ctx)
	listener, err := s.Service.Listen(ctx, p, s.Now())
	if err != nil {
		return nil, err
	}
	return stream{ctx: ctx, listener: listener, expires: p.ExpiresAt.Sub(s.Now())}, nil
}

// stream is an answer that goes on until the listener goes away or has ended, or its token expires.
type stream struct {
	ctx      context.Context // the request's: the answer is written after its handler has returned
	listener *watch.Listener
	expires  time.Duration // from when the stream begins
}

// VisitStreamSyncResponse writes the answer. That a listener is gone is no error.
func (s stream) VisitStreamSyncResponse(w http.ResponseWriter) error {
	defer s.listener.Leave()
	header := w.Header()
	header.Set("Content-Type", "text/event-stream")
	header.Set("X-Accel-Buffering", "no")
	w.WriteHeader(http.StatusOK)
	out := events{w: w, control: http.NewResponseController(w)}
	// The server's bound is for answers that end; that on reading ends with the request. Where there is no connection, as in
	// tests, there is none to lift.
	_ = out.control.SetWriteDeadline(time.Time{})
	s.tell(&out)
	return nil
}

// tell tells where the household's record stands, now and whenever that is elsewhere than was told last.
func (s stream) tell(out *events) {
	expiry := time.NewTimer(s.expires)
	defer expiry.Stop()
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	told, listening := s.listener.Place()
	fine := listening && out.write(fmt.Sprintf("retry: %d\n", comeBack)+eventOf("", told))
	for fine {
		select {
		case <-s.ctx.Done():
			return
		case <-s.listener.Ended():
			return
		case <-expiry.C:
			out.write(eventOf("token-expired", told))
			return
		case <-beat.C:
			fine = out.write(":\n\n")
		case <-s.listener.Woken():
			place, listening := s.listener.Place()
			if !listening {
				return
			}
			if place != told {
				told, fine = place, out.write(eventOf("", place))
			}
		}
	}
}

// placeDoc is the data of an event.
type placeDoc struct {
	Epoch uuid.UUID `json:"epoch"`
	Head  int64     `json:"head"`
}

// eventOf words an event; one without a name is a message.
func eventOf(name string, p watch.Place) string {
	data, err := json.Marshal(placeDoc{Epoch: p.Epoch, Head: p.Head})
	if err != nil {
		panic(fmt.Sprintf("encode place: %v", err)) // an id and a number always encode
	}
	if name != "" {
		name = "event: " + name + "\n"
	}
	return name + "data: " + string(data) + "\n\n"
}

// events writes to a listener, each time to its end.
type events struct {
	w       http.ResponseWriter
	control *http.ResponseController
}

// write reports whether the listener may have taken the text; one that takes longer than writeTime is gone. The deadline is
// set when the time is up: a connection tells its deadlines by the wall clock, which is not ours.
func (e *events) write(text string) bool {
	late := time.AfterFunc(writeTime, func() { _ = e.control.SetWriteDeadline(time.Unix(1, 0)) })
	defer late.Stop()
	if _, err := io.WriteString(e.w, text); err != nil {
		return false
	}
	return e.control.Flush() == nil
}
