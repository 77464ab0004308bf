package simulate

import (
	"slices"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"

	"swallowtail/api"
	"swallowtail/api/client"
	"swallowtail/internal/access"
)

// reader is a device of its own that writes nothing and only follows cursors, as plainly as can be.
type reader struct {
	principal access.Principal
	cursor    *string
	seen      []uuid.UUID // in order
	stamps    map[uuid.UUID]*client.Stamp
}

// readOn follows the cursor to the end.
func (w *World) readOn() {
	for range mostCalls {
		if !w.read() {
			return
		}
	}
	w.violate(ReaderSeesOnce, "the reader comes to no end")
}

// read follows the cursor for one page, and reports whether there is more. The network between is without fault.
func (w *World) read() (more bool) {
	r := &w.reader
	request, err := json.Marshal(client.Request{
		Schema: client.Schema, Cursor: r.cursor, SentAt: w.now.Format("2006-01-02T15:04:05Z07:00"), Limit: w.pageLimit,
		Entries: []client.Entry{},
	})
	if err != nil {
		w.broken("write a request: %v", err)
		return false
	}
	body, err := w.answer(r.principal, request)
	if err != nil {
		var problem client.Problem
		if json.Unmarshal(api.ProblemOf(err), &problem) == nil && problem.Type == client.TypeDiverged {
			r.cursor, r.seen = nil, nil // the stamps are those of the new history once it has been read
			return true
		}
		return false // the power went out
	}
	var page client.Response
	if err := json.Unmarshal(body, &page); err != nil || page.Cursor == nil {
		w.broken("the reader can't read an answer: %v", err)
		return false
	}
	for _, c := range page.Changes {
		id := uuid.MustParse(c.ID)
		if slices.Contains(r.seen, id) {
			w.violate(ReaderSeesOnce, "entry %s comes again at revision %d", id, c.Rev)
		}
		r.seen = append(r.seen, id)
		r.stamps[id] = c.Stamp
		if c.Rev != int64(len(r.seen)) {
			w.violate(ReaderSeesOnce, "revision %d comes at place %d", c.Rev, len(r.seen))
		}
	}
	r.cursor = page.Cursor
	return page.More
}
