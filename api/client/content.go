package client

import (
	"bytes"
	"encoding/json"
	"reflect"
	"slices"
	"strings"
)

// sees tells whether a change in the feed shows the very entry that this device wrote, rather than another one under
// the same id. Content is compared as the server compares it, so 6 equals 6.0.
func (w Writer) sees(c Change, own Entry) bool {
	if c.ID != own.ID {
		return false
	}
	if isThere(c.Sent) {
		return sameJSON(withoutStamp(c.Sent), encodeWithoutStamp(own))
	}
	if !isThere(c.Body) {
		return c.Device == w.Device // not shown, but said to come from here
	}
	return c.Kind == own.Kind && c.RecordedAt == own.RecordedAt && strings.EqualFold(c.Subject, own.Subject) &&
		strings.EqualFold(c.LearnerID, own.LearnerID) && slices.EqualFunc(c.Replaces, own.Replaces, strings.EqualFold) &&
		sameJSON(c.Body, own.Body)
}

// entry returns what the change shows of the entry, with its stamp, and whether that is all that its writer sent.
func (c Change) entry() (e Entry, whole bool) {
	if isThere(c.Sent) && json.Unmarshal(c.Sent, &e) == nil && e.ID == c.ID {
		if e.Stamp = c.Stamp; sameJSON(withoutStamp(c.Sent), encodeWithoutStamp(e)) {
			return e, true
		}
	}
	shown := Entry{
		ID: c.ID, Kind: c.Kind, Subject: c.Subject, Replaces: c.Replaces, LearnerID: c.LearnerID,
		RecordedAt: c.RecordedAt, Body: c.Body, Stamp: c.Stamp,
	}
	return shown, isThere(c.Body) && !isThere(c.Sent)
}

func isThere(raw json.RawMessage) bool {
	return len(raw) > 0 && string(raw) != "null"
}

// sameJSON compares two JSON texts by value: the order of members, white space and the spelling of numbers and strings
// do not matter.
func sameJSON(a, b []byte) bool {
	if bytes.Equal(a, b) {
		return json.Valid(a)
	}
	var left, right any
	if json.Unmarshal(a, &left) != nil || json.Unmarshal(b, &right) != nil {
		return false
	}
	return reflect.DeepEqual(left, right)
}

func withoutStamp(sent json.RawMessage) []byte {
	var members map[string]json.RawMessage
	if json.Unmarshal(sent, &members) != nil {
		return sent
	}
	delete(members, "stamp")
	bare, err := json.Marshal(members)
	if err != nil {
		return sent
	}
	return bare
}

// encodeWithoutStamp returns nil, which equals no JSON, for an entry that cannot be written.
func encodeWithoutStamp(e Entry) []byte {
	e.Stamp = nil
	data, err := json.Marshal(e)
	if err != nil {
		return nil
	}
	return data
}
