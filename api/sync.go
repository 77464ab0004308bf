package api

import (
	"context"
	"encoding/base64"
	"fmt"
	"net/http"
	"time"

	stdjson "encoding/json"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"

	"swallowtail/api/body"
	"swallowtail/api/oas"
	"swallowtail/internal/clinic"
	"swallowtail/internal/door"
	"swallowtail/internal/fault"
	"swallowtail/internal/practice"
	"swallowtail/internal/served"
)

// entryDoc is a stored entry on the wire.
type entryDoc struct {
	ID       uuid.UUID       `json:"id"`
	Kind     jsontext.Value  `json:"kind"`
	Subject  jsontext.Value  `json:"subject"`
	Replaces jsontext.Value  `json:"replaces"`
	Learner  jsontext.Value  `json:"learner_id"`
	Recorded jsontext.Value  `json:"recorded_at"`
	Body     jsontext.Value  `json:"body,omitzero"`
	Sent     jsontext.Value  `json:"sent,omitzero"`
	Rev      int64           `json:"rev"`
	Status   practice.Status `json:"status"`
	Author   served.Author   `json:"author"`
	Device   *uuid.UUID      `json:"device"`
	Stamp    stampDoc        `json:"stamp"`
	Problem  any             `json:"problem"` // a problem document, or nil
	Effect   oas.Effect      `json:"effect,omitzero"`
	Why      practice.Why    `json:"why,omitzero"`
}

type stampDoc struct {
	Received string `json:"received_at"`
	OffsetMS int64  `json:"clock_offset_ms"`
	Seal     string `json:"seal"`
}

func entryDocOf(f *clinic.FeedEntry) entryDoc {
	doc := entryDoc{
		ID: f.ID, Rev: f.Rev, Status: f.Status, Author: served.AuthorOf(f.Author), Sent: f.Sent,
		Kind: textOrNull(f.Kind), Subject: textOrNull(f.Subject), Learner: textOrNull(f.Learner),
		Recorded: textOrNull(f.Recorded), Body: f.Body, Replaces: f.Replaces,
		Stamp: stampDoc{
			Received: served.Instant(f.Stamp.Received), OffsetMS: f.Stamp.ClockOffset.Milliseconds(),
			Seal: base64.RawURLEncoding.EncodeToString(f.Seal),
		},
		Problem: entryProblem(isKept, "", f.Flaws),
	}
	if doc.Replaces.Kind() != '[' {
		doc.Replaces = jsontext.Value("[]")
	}
	if device := f.Device; device != uuid.Nil {
		doc.Device = &device
	}
	return doc
}

// textOrNull returns a JSON string, or null for anything else.
func textOrNull(v jsontext.Value) jsontext.Value {
	if v.Kind() != '"' {
		return jsontext.Value("null")
	}
	return v
}

// What becomes of an entry with which something is wrong.
const (
	isKept    = "The entry is kept as it was sent, but has no effect until what is wrong is mended."
	isNotKept = "The entry is not kept: send it again once what is wrong is mended."
)

// entryProblem says what becomes of an entry and what is wrong with it, at pointers below a place; nil where nothing is.
func entryProblem(becomes, place string, flaws []door.Flaw) any {
	if len(flaws) == 0 {
		return nil
	}
	f := fault.New(fault.Invalid, "entry-invalid", becomes)
	for _, flaw := range flaws {
		f = f.At(place+flaw.Pointer, flaw.Detail)
	}
	doc := problemOf(f, http.StatusUnprocessableEntity, "")
	delete(doc, "instance")
	return doc
}

// resultDoc is what became of an entry, on the wire.
type resultDoc struct {
	ID      uuid.UUID `json:"id"`
	Status  string    `json:"status"`
	Rev     *int64    `json:"rev"`
	Problem any       `json:"problem"` // a problem document, or nil
}

func resultDocs(results []clinic.Result) []resultDoc {
	docs := make([]resultDoc, len(results))
	for i := range results {
		r := &results[i]
		docs[i] = resultDoc{ID: r.ID, Status: r.Status}
		if len(r.Flaws) > 0 {
			becomes := isKept
			if r.Status == clinic.IDReuse {
				becomes = isNotKept
			}
			docs[i].Problem = entryProblem(becomes, fmt.Sprintf("/entries/%d", i), r.Flaws)
		}
		if r.Rev > 0 {
			docs[i].Rev = &r.Rev
		}
	}
	return docs
}

// syncDoc is the answer to a sync call.
type syncDoc struct {
	Results    []resultDoc      `json:"results"`
	Changes    []entryDoc       `json:"changes"`
	Cursor     string           `json:"cursor"`
	More       bool             `json:"more"`
	Head       int64            `json:"head"`
	Epoch      uuid.UUID        `json:"epoch"`
	ServerTime string           `json:"server_time"`
	Nights     []jsontext.Value `json:"nights"`
	Gone       []jsontext.Value `json:"gone"`
	Digest     string           `json:"digest"`
}

// uploadDoc is the answer to a device that may only hand in.
type uploadDoc struct {
	Results []resultDoc `json:"results"`
}

// Sync takes what a device hands in and tells it what it has not seen.
func (s *server) Sync(ctx context.Context, r oas.SyncRequestObject) (oas.SyncResponseObject, error) {
	answer, err := answerTo(ctx, s.Service, *r.Body, s.Now())
	if err != nil {
		return nil, err
	}
	if own, is := answer.(served.Writer); is {
		return ownAnswer{own}, nil
	}
	return encoded(answer)
}

// AnswerSync answers the body of a sync call from the caller that the context carries: what lies between HTTP and the use
// case, for whoever brings the two together by other means than a connection.
func AnswerSync(ctx context.Context, service *clinic.Service, sent []byte, now time.Time) ([]byte, error) {
	answer, err := answerTo(ctx, service, sent, now)
	if err != nil {
		return nil, err
	}
	return served.Encode(answer)
}

// answerTo returns the document that answers the body of a sync call.
func answerTo(ctx context.Context, service *clinic.Service, sent []byte, now time.Time) (any, error) {
	request, err := body.SyncRequest(sent)
	if err != nil {
		return nil, err
	}
	a, err := service.Sync(ctx, caller(ctx), request, now)
	if err != nil {
		return nil, err
	}
	if a.UploadOnly {
		return uploadDoc{Results: resultDocs(a.Results)}, nil
	}
	doc := syncDoc{
		Results: resultDocs(a.Results), Cursor: a.Cursor, More: a.More, Head: a.Head, Epoch: a.Epoch,
		ServerTime: served.Instant(now), Nights: valuesOf(a.Nights), Gone: valuesOf(a.Gone), Digest: a.Digest,
	}
	doc.Changes = make([]entryDoc, len(a.Changes))
	for i := range a.Changes {
		doc.Changes[i] = entryDocOf(&a.Changes[i])
	}
	return doc, nil
}

// valuesOf returns documents that have been encoded as what they are, values of JSON.
func valuesOf(documents [][]byte) []jsontext.Value {
	values := make([]jsontext.Value, len(documents))
	for i, document := range documents {
		values[i] = document
	}
	return values
}

// clinicEntriesDoc is the answer to a clinician's entries.
type clinicEntriesDoc struct {
	Results []resultDoc        `json:"results"`
	Nights  stdjson.RawMessage `json:"nights"`
}

// AddClinicEntries takes a clinician's entries about one learner.
func (s *server) AddClinicEntries(ctx context.Context, r oas.AddClinicEntriesRequestObject) (oas.AddClinicEntriesResponseObject, error) {
	learner, err := pathID(r.Learner)
	if err != nil {
		return nil, err
	}
	entries, err := body.ClinicEntries(*r.Body)
	if err != nil {
		return nil, err
	}
	added, err := s.Service.AddEntries(ctx, caller(ctx), learner, entries, s.Now())
	if err != nil {
		return nil, err
	}
	return encoded(clinicEntriesDoc{Results: resultDocs(added.Results), Nights: join(added.Nights)})
}

// entryPageDoc is a page of a learner's entries.
type entryPageDoc struct {
	Entries []entryDoc `json:"entries"`
	Cursor  *string    `json:"cursor"`
}

// ListEntries lists the entries about a learner as they were sent, each with its effect.
func (s *server) ListEntries(ctx context.Context, r oas.ListEntriesRequestObject) (oas.ListEntriesResponseObject, error) {
	learner, err := pathID(r.Learner)
	if err != nil {
		return nil, err
	}
	limit, err := pageLimit(r.Params.Limit)
	if err != nil {
		return nil, err
	}
	kind := entryCursor + "/" + learner.String()
	after, err := s.numberCursor(kind, r.Params.Cursor)
	if err != nil {
		return nil, err
	}
	listed, err := s.Service.Entries(ctx, caller(ctx), learner, clinic.EntryPage{After: after, Limit: limit}, s.Now())
	if err != nil {
		return nil, err
	}
	doc := entryPageDoc{}
	for i := range listed.Entries {
		l := &listed.Entries[i]
		entry := entryDocOf(&l.FeedEntry)
		entry.Effect, entry.Why = effectOf(l.Why), l.Why
		doc.Entries = append(doc.Entries, entry)
	}
	if listed.More {
		doc.Cursor = s.sealNumber(kind, listed.Entries[limit-1].Rev)
	}
	return encoded(doc)
}

func effectOf(why practice.Why) oas.Effect {
	switch why {
	case "":
		return oas.EffectCounts
	case practice.WhyReplaced:
		return oas.EffectReplaced
	case practice.WhyWithdrawn:
		return oas.EffectWithdrawn
	}
	return oas.EffectNone
}
