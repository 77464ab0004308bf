package client_test

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"

	"swallowtail/api/client"
)

// server is one household's side of the sync contract, in memory: gapless revisions, cursors with a chained hash,
// stamps under a seal, and a history that can be rolled back.
type server struct {
	mu         sync.Mutex
	epoch      string
	epochs     int
	seconds    int // its clock
	calls      int
	history    []stored // at index i the entry of revision i+1
	revoked    map[string]bool
	maxEntries int // of one call
	maxBytes   int // of one entry, beyond which not even a call with it alone is taken
}

type stored struct {
	change client.Change
	sent   []byte // as sent, without its stamp
	chain  string
}

func newServer() *server {
	return &server{epoch: "epoch-0", revoked: map[string]bool{}, maxEntries: 1000, maxBytes: 1 << 20}
}

// sync answers a call as it would come over the wire: what it takes and gives has been through JSON.
func (s *server) sync(w client.Writer, request client.Request) (client.Response, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.calls++
	s.seconds++
	var got client.Request
	if err := recode(request, &got); err != nil {
		return client.Response{}, err
	}
	answer, err := s.answer(w, got)
	if err != nil {
		return client.Response{}, err
	}
	var sent client.Response
	err = recode(answer, &sent)
	return sent, err
}

func (s *server) answer(w client.Writer, request client.Request) (client.Response, error) {
	if s.tooMuch(request) {
		return client.Response{}, &client.Problem{Type: "/problems/too-large", Title: "Too large", Status: 413}
	}
	if s.revoked[w.Device] {
		answer := client.Response{Results: []client.Result{}}
		for _, e := range request.Entries {
			result := client.Result{ID: e.ID, Status: client.SetAside}
			if slices.ContainsFunc(s.history, func(row stored) bool { return row.change.ID == e.ID }) {
				result.Status = client.Duplicate
			}
			answer.Results = append(answer.Results, result)
		}
		return answer, nil
	}
	from, borneOut := s.revision(request.Cursor)
	if !borneOut {
		return client.Response{}, &client.Problem{
			Type: client.TypeDiverged, Title: "Diverged", Status: 409,
			Extra: map[string]json.RawMessage{"epoch": json.RawMessage(strconv.Quote(s.epoch))},
		}
	}
	answer := client.Response{Results: []client.Result{}}
	author := client.Author{Role: client.RoleCaregiver, ID: w.Caregiver}
	for _, e := range request.Entries {
		answer.Results = append(answer.Results, s.store(e, author, w.Device))
	}
	to := min(from+request.Limit, len(s.history))
	for _, row := range s.history[from:to] {
		answer.Changes = append(answer.Changes, shownTo(w, row))
	}
	cursor := s.cursor(to)
	answer.Cursor, answer.More, answer.Head, answer.Epoch = &cursor, to < len(s.history), int64(len(s.history)), s.epoch
	answer.Digest, answer.Nights = s.digest(to), s.nightsTouched(s.history[from:to])
	return answer, nil
}

func (s *server) tooMuch(request client.Request) bool {
	return len(request.Entries) > s.maxEntries || slices.ContainsFunc(request.Entries, func(e client.Entry) bool {
		return len(e.Body) > s.maxBytes
	})
}

// store takes an entry as the server's door does: ease above 5 is quarantined, the kind "wish" is not known yet.
func (s *server) store(e client.Entry, author client.Author, device string) client.Result {
	offered := e.Stamp
	e.Stamp = nil
	sent := encode(e)
	for i, row := range s.history {
		if row.change.ID != e.ID {
			continue
		}
		if equalJSON(row.sent, sent) {
			return client.Result{ID: e.ID, Status: client.Duplicate, Rev: int64(i + 1)}
		}
		return client.Result{ID: e.ID, Status: client.IDReuse, Rev: int64(i + 1), Problem: &client.Problem{Type: "/problems/id-reuse", Status: 409}}
	}
	change := client.Change{
		ID: e.ID, Kind: e.Kind, Subject: e.Subject, Replaces: e.Replaces, LearnerID: e.LearnerID, RecordedAt: e.RecordedAt,
		Body: e.Body, Rev: int64(len(s.history) + 1), Status: client.Accepted, Author: author, Device: device,
		Stamp: s.stamp(sent, offered),
	}
	var try client.TryBody
	switch {
	case e.Kind == client.KindTry && (json.Unmarshal(e.Body, &try) != nil || try.Ease > 5):
		change.Status, change.Sent = client.Quarantined, sent
		change.Problem = &client.Problem{Type: "/problems/entry-invalid", Status: 422}
	case e.Kind == "wish":
		change.Status, change.Sent = client.Parked, sent
	}
	s.history = append(s.history, stored{change: change, sent: sent, chain: s.chained(sent)})
	return client.Result{ID: e.ID, Status: change.Status, Rev: change.Rev, Problem: change.Problem}
}

func (s *server) stamp(sent []byte, offered *client.Stamp) *client.Stamp {
	if offered != nil && offered.Seal == seal(*offered, sent) {
		return offered
	}
	fresh := client.Stamp{ReceivedAt: time.Unix(int64(1_800_000_000+s.seconds), 0).UTC().Format(time.RFC3339)}
	fresh.Seal = seal(fresh, sent)
	return &fresh
}

func seal(stamp client.Stamp, sent []byte) string {
	mac := hmac.New(sha256.New, []byte("the server's key"))
	fmt.Fprintf(mac, "%s %d %s", stamp.ReceivedAt, stamp.ClockOffsetMS, normal(sent))
	return hex.EncodeToString(mac.Sum(nil))
}

func (s *server) chained(sent []byte) string {
	sum := sha256.Sum256(append([]byte(s.chainAt(len(s.history))), normal(sent)...))
	return hex.EncodeToString(sum[:8])
}

func (s *server) chainAt(revision int) string {
	if revision == 0 {
		return "start"
	}
	return s.history[revision-1].chain
}

func (s *server) cursor(revision int) string {
	return fmt.Sprintf("%s.%d.%s", s.epoch, revision, s.chainAt(revision))
}

// revision reads a cursor; false when this history does not bear it out.
func (s *server) revision(cursor *string) (int, bool) {
	if cursor == nil {
		return 0, true
	}
	revision := revisionOf(*cursor)
	return revision, revision <= len(s.history) && s.cursor(revision) == *cursor
}

func revisionOf(cursor string) int {
	if cursor == "" {
		return 0
	}
	revision, err := strconv.Atoi(strings.Split(cursor, ".")[1])
	if err != nil {
		panic(err)
	}
	return revision
}

func shownTo(w client.Writer, row stored) client.Change {
	shown := row.change
	if shown.Status == client.Quarantined && shown.Author.ID != w.Caregiver {
		shown.Body, shown.Sent = nil, nil
	}
	return shown
}

func (s *server) digest(revision int) string {
	var ids [][]byte
	for _, row := range s.history[:revision] {
		id := uuid.MustParse(row.change.ID)
		ids = append(ids, id[:])
	}
	slices.SortFunc(ids, bytes.Compare)
	sum := sha256.Sum256(bytes.Join(ids, nil))
	return hex.EncodeToString(sum[:])
}

// nightsTouched gives a document for each night on which one of the rows is a session. It says how many there are.
func (s *server) nightsTouched(rows []stored) []json.RawMessage {
	documents := []json.RawMessage{}
	for _, key := range nightsOf(rows) {
		night := client.Night{LearnerID: key[0], Night: key[1], Status: "partial"}
		for _, other := range s.history {
			if sessionNight(other) == key {
				night.Sittings = append(night.Sittings, client.Sitting{Number: len(night.Sittings) + 1})
			}
		}
		documents = append(documents, encode(night))
	}
	return documents
}

func nightsOf(rows []stored) [][2]string {
	var keys [][2]string
	for _, row := range rows {
		if key := sessionNight(row); key[1] != "" && !slices.Contains(keys, key) {
			keys = append(keys, key)
		}
	}
	return keys
}

func sessionNight(row stored) [2]string {
	var body client.SessionBody
	if row.change.Kind != client.KindSession || json.Unmarshal(row.change.Body, &body) != nil {
		return [2]string{}
	}
	return [2]string{row.change.LearnerID, body.PractisedAt.Format(time.DateOnly)}
}

// rollBack forgets what came after a revision, as a restore from backup does; announced tells whether the history gets
// a new name, or only its chained hashes give it away.
func (s *server) rollBack(revision int, announced bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.history = slices.Clone(s.history[:revision])
	if announced {
		s.epochs++
		s.epoch = fmt.Sprintf("epoch-%d", s.epochs)
	}
}

// write adds an entry of a clinician, who has no device.
func (s *server) write(e client.Entry) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.store(e, client.Author{Role: "clinician", ID: "00000000-0000-4000-8000-00000000c001"}, "")
}

func (s *server) head() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.history)
}

func (s *server) changes() []client.Change {
	s.mu.Lock()
	defer s.mu.Unlock()
	var all []client.Change
	for _, row := range s.history {
		all = append(all, row.change)
	}
	return all
}

func recode(from, to any) error {
	return json.Unmarshal(encode(from), to)
}

func encode(v any) []byte {
	text, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return text
}

func equalJSON(a, b []byte) bool {
	var left, right any
	return json.Unmarshal(a, &left) == nil && json.Unmarshal(b, &right) == nil && reflect.DeepEqual(left, right)
}

// normal writes members in order and numbers in one spelling.
func normal(text []byte) []byte {
	var value any
	if err := json.Unmarshal(text, &value); err != nil {
		panic(err)
	}
	return encode(value)
}
