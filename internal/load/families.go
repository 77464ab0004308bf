package load

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"net/http"
	"time"

	stdjson "encoding/json"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"

	"swallowtail/api/client"
)

// Evenings is how many evenings of a programme a family hands in, those of its first Evenings nights.
const Evenings = 14

// EntriesOfEvening is how many entries an evening is: a session and five tries.
const EntriesOfEvening = 6

// Family is a household with one learner and one device, as the server knows it.
type Family struct {
	Learner string
	Pair    client.Pair // the device's tokens
}

// phone is a family's device: where it stands with the server, and what it was told is safe.
type phone struct {
	learner      string
	tokens       *client.Tokens
	cursor       *string
	told         int // evenings that have been handed in
	acknowledged []uuid.UUID
}

// newPhones returns the devices of families, which renew their tokens at a server.
func newPhones(families []Family, api client.API) ([]*phone, error) {
	phones := make([]*phone, len(families))
	for i, f := range families {
		tokens, err := client.OpenTokens(&client.MemoryTokens{Pair: f.Pair}, api.Refresh)
		if err != nil {
			return nil, err
		}
		phones[i] = &phone{learner: f.Learner, tokens: tokens}
	}
	return phones, nil
}

// upload is what a phone hands in with one call, written before it is sent.
type upload struct {
	phone    *phone
	evenings int
	ids      []uuid.UUID
	entries  []byte // a JSON array
}

// writer writes evenings.
type writer struct {
	newID  func() uuid.UUID
	random *rand.Rand
	first  time.Time // midnight, at home, before the first evening of the programme
}

// positions are those of the plan built in.
var positions = []string{"centre", "right", "left", "up", "down"}

// evenings writes a run of evenings of a phone, the first of which is the nth of the programme, from 0.
func (w *writer) evenings(p *phone, nth, count int) (upload, error) {
	u := upload{phone: p, evenings: count}
	entries := make([]client.Entry, 0, count*EntriesOfEvening)
	for n := nth; n < nth+count; n++ {
		written, err := w.evening(p.learner, n)
		if err != nil {
			return upload{}, err
		}
		entries = append(entries, written...)
	}
	for _, e := range entries {
		id, err := uuid.Parse(e.ID)
		if err != nil {
			return upload{}, fmt.Errorf("an entry's id: %w", err)
		}
		u.ids = append(u.ids, id)
	}
	var err error
	if u.entries, err = stdjson.Marshal(entries); err != nil {
		return upload{}, fmt.Errorf("write evenings: %w", err)
	}
	return u, nil
}

// evening writes one sitting as the family's app does: practised between seven and eight in the evening, and written down a few
// minutes later, on the phone of somebody without a signal.
func (w *writer) evening(learner string, nth int) ([]client.Entry, error) {
	y, m, d := w.first.Date()
	began := time.Date(y, m, d+nth, 19, w.random.IntN(60), w.random.IntN(60), 0, w.first.Location())
	pen := client.Pen{
		NewID: func() string { return w.newID().String() },
		Now: func() time.Time {
			return began.Add(6*time.Minute + time.Duration(w.random.IntN(1000))*time.Millisecond)
		},
	}
	tries := make([]client.Try, 0, len(positions))
	for _, at := range w.random.Perm(len(positions)) {
		tries = append(tries, w.try(positions[at], nth))
	}
	written, err := pen.Evening(client.Evening{
		Learner: learner, PractisedAt: began, Timezone: w.first.Location().String(), Tries: tries,
	})
	return written.Entries, err
}

// try invents a try: more are swallowed, and more easily, as the nights go by.
func (w *writer) try(position string, nth int) client.Try {
	t := client.Try{Position: position, SizeMM: float64(4 + nth/4), Outcome: "swallowed", Ease: 1 + w.random.IntN(5)}
	switch chance := w.random.Float64(); {
	case chance < 0.03:
		t.Outcome, t.Ease = "refused", 0
	case chance < 0.35-0.02*float64(nth):
		t.Outcome, t.Snags = "not_swallowed", []string{[]string{"posture", "placement", "water", "fear"}[w.random.IntN(4)]}
	}
	return t
}

// body returns the sync call that hands an upload in, or only pulls where there is none.
func (p *phone) body(u *upload, sent time.Time, into []byte) []byte {
	into = append(into, `{"schema":1,"cursor":`...)
	if p.cursor == nil {
		into = append(into, "null"...)
	} else {
		into = fmt.Appendf(into, "%q", *p.cursor) // of letters, digits, - and _
	}
	into = append(into, `,"sent_at":"`...)
	into = sent.AppendFormat(into, "2006-01-02T15:04:05.000Z07:00")
	into = append(into, `","limit":500,"entries":`...)
	if u == nil {
		return append(into, "[]}"...)
	}
	return append(append(into, u.entries...), '}')
}

// handedIn is what a phone reads of the answer to what it hands in.
type handedIn struct {
	Results []struct {
		ID     uuid.UUID `json:"id"`
		Status string    `json:"status"`
	} `json:"results"`
	Cursor *string `json:"cursor"`
}

// read reads an answer. Where it begins with the results, as ours do, nothing else is decoded but the cursor: what is told of entries and
// nights is looked at when the record is read at the end, and callers share the machine with who is measured.
func (h *handedIn) read(answer []byte) error {
	if !bytes.HasPrefix(answer, []byte(`{"results":`)) {
		return json.Unmarshal(answer, h)
	}
	d := jsontext.NewDecoder(bytes.NewBuffer(answer))
	for range 2 { // the brace and the name
		if _, err := d.ReadToken(); err != nil {
			return err
		}
	}
	if err := json.UnmarshalDecode(d, &h.Results); err != nil {
		return err
	}
	var err error
	h.Cursor, err = cursorIn(answer[d.InputOffset():])
	return err
}

// pulled is what a phone reads of the answer when it looks for what there is.
type pulled struct {
	Changes []struct {
		ID uuid.UUID `json:"id"`
	} `json:"changes"`
	Cursor *string `json:"cursor"`
	More   bool    `json:"more"`
}

// handIn makes the call that hands an upload in, and remembers what was acknowledged.
func (l *line) handIn(ctx context.Context, u *upload) {
	p := u.phone
	var got handedIn
	if l.sync(ctx, p, u, &got) != nil {
		return
	}
	for i, id := range u.ids {
		if len(got.Results) != len(u.ids) || got.Results[i].ID != id || !taken(got.Results[i].Status) {
			l.counted.failed(kindOf(errAnswer))
			return
		}
	}
	l.counted.handedIn(u.evenings, p.told)
	l.load.told.Add(int64(u.evenings))
	p.acknowledged = append(p.acknowledged, u.ids...)
	p.told += u.evenings
	p.cursor = got.Cursor
}

// taken tells whether an entry is in the record. A duplicate is what was taken before its answer was lost.
func taken(status string) bool { return status == client.Accepted || status == client.Duplicate }

// pull reads a household's whole record from its beginning, page by page, and returns the ids of what is in it.
func (l *line) pull(ctx context.Context, p *phone) ([]uuid.UUID, error) {
	fresh := &phone{learner: p.learner, tokens: p.tokens}
	var ids []uuid.UUID
	for range maxPages {
		var got pulled
		if err := l.sync(ctx, fresh, nil, &got); err != nil {
			return nil, err
		}
		for _, c := range got.Changes {
			ids = append(ids, c.ID)
		}
		if !got.More {
			return ids, nil
		}
		fresh.cursor = got.Cursor
	}
	return nil, fmt.Errorf("%w: the record does not end", errAnswer)
}

// maxPages bounds a list that is read to its end.
const maxPages = 10_000

// sync makes one sync call.
func (l *line) sync(ctx context.Context, p *phone, u *upload, got any) error {
	l.written = p.body(u, l.load.Now().In(l.load.First.Location()), l.written[:0])
	return l.call(ctx, p.tokens, request{method: http.MethodPost, path: "/v1/sync", body: l.written, packed: l.load.Compress}, got)
}
