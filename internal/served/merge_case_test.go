package served_test

import (
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/door"
	"swallowtail/internal/practice"
)

// The merge vectors of testdata/merge as they are written; the README there says what each member means.

const mergeFolder = "../../testdata/merge"

// document is a JSON object.
type document = map[string]any

// mergeCase is one case, what is left out filled in from defaults.json.
type mergeCase struct {
	File, Name, Why string
	AsOf            time.Time
	Enrolments      []enrolmentGiven
	Devices         []deviceGiven
	Entries         []document
	Expect          document
	want            string // Expect as it is compared
	defaults        *mergeDefaults
}

type enrolmentGiven struct {
	ID         string              `json:"id"`
	Learner    string              `json:"learner_id"`
	Written    time.Time           `json:"written_at"`
	FirstNight string              `json:"first_night"`
	EndedOn    *string             `json:"ended_on"`
	Zone       string              `json:"timezone"`
	Positions  []practice.Position `json:"positions"`
	Plan       struct {
		Nights                 int    `json:"nights"`
		NightTurnsAt           string `json:"night_turns_at"`
		SittingMinutes         int    `json:"sitting_minutes"`
		SilentAfterDays        int    `json:"silent_after_days"`
		RecalledAfterHours     int    `json:"recalled_after_hours"`
		WrittenTogetherMinutes int    `json:"written_together_minutes"`
	} `json:"plan"`
}

type deviceGiven struct {
	ID       string     `json:"id"`
	Owner    string     `json:"owner"`
	Enrolled time.Time  `json:"enrolled_at"`
	Heard    *time.Time `json:"heard_at"`
	Revoked  bool       `json:"revoked"`
}

// mergeDefaults is defaults.json.
type mergeDefaults struct {
	People     map[string]string `json:"people"`
	Learners   []string          `json:"learners"`
	Learner    string            `json:"learner"`
	AsOf       time.Time         `json:"as_of"`
	Enrolments []document        `json:"enrolments"`
	Enrolment  document          `json:"enrolment"`
	Devices    []document        `json:"devices"`
	Device     document          `json:"device"`
	Entry      document          `json:"entry"`
	Expect     document          `json:"expect"`
	Night      document          `json:"night"`
	Earlier    document          `json:"earlier"`
	Sitting    document          `json:"sitting"`
	Try        document          `json:"try"`
	Reading    document          `json:"reading"`
	Settlement document          `json:"settlement"`
}

// caseWritten is a case before anything is filled in.
type caseWritten struct {
	Name       string     `json:"name"`
	Why        string     `json:"why"`
	AsOf       *time.Time `json:"as_of"`
	Enrolments []document `json:"enrolments"`
	Devices    []document `json:"devices"`
	Entries    []document `json:"entries"`
	Expect     document   `json:"expect"`
}

// readStrictly reads a file in which every member must be one that is known.
func readStrictly(t *testing.T, name string, into any) {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(mergeFolder, name))
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(raw, into, json.RejectUnknownMembers(true)), name)
}

// mergeCases reads every case of every file, by file.
func mergeCases(t *testing.T) []mergeCase {
	t.Helper()
	var d mergeDefaults
	readStrictly(t, "defaults.json", &d)
	paths, err := filepath.Glob(filepath.Join(mergeFolder, "*.json"))
	require.NoError(t, err)
	var all []mergeCase
	for _, path := range paths {
		name := filepath.Base(path)
		if name == "defaults.json" {
			continue
		}
		var file struct {
			About string        `json:"about"`
			Cases []caseWritten `json:"cases"`
		}
		readStrictly(t, name, &file)
		require.NotEmpty(t, file.About, name)
		require.NotEmpty(t, file.Cases, name)
		for _, c := range file.Cases {
			all = append(all, d.complete(t, strings.TrimSuffix(name, ".json"), c))
		}
	}
	return all
}

// complete fills in what a case leaves out.
func (d *mergeDefaults) complete(t *testing.T, file string, w caseWritten) mergeCase {
	t.Helper()
	c := mergeCase{File: file, Name: w.Name, Why: w.Why, AsOf: d.AsOf, Entries: w.Entries, Expect: w.Expect, defaults: d}
	if w.AsOf != nil {
		c.AsOf = *w.AsOf
	}
	if w.Enrolments == nil {
		w.Enrolments = d.Enrolments
	}
	for _, e := range w.Enrolments {
		c.Enrolments = append(c.Enrolments, read[enrolmentGiven](t, filled(e, d.Enrolment)))
	}
	if w.Devices == nil {
		w.Devices = d.Devices
	}
	for _, device := range w.Devices {
		given := read[deviceGiven](t, filled(device, d.Device))
		if _, told := device["heard_at"]; !told {
			given.Heard = &c.AsOf
		}
		c.Devices = append(c.Devices, given)
	}
	for i, e := range c.Entries {
		c.Entries[i] = filled(e, document{"subject": e["id"]}, d.Entry)
	}
	c.Expect = filled(c.Expect, d.Expect)
	for _, nights := range c.expectedNights() {
		d.completeNights(nights, d.Night)
	}
	d.completeNights(c.Expect["earlier"], d.Earlier)
	c.want = written(t, c.Expect)
	return c
}

// expectedNights returns the lists of nights that are expected of enrolments.
func (c *mergeCase) expectedNights() []any {
	lists := []any{c.Expect["nights"]}
	if byEnrolment, ok := c.Expect["enrolments"].(document); ok {
		lists = slices.AppendSeq(lists, maps.Values(byEnrolment))
	}
	return lists
}

func (d *mergeDefaults) completeNights(nights any, night document) {
	each(nights, night, func(n document) {
		each(n["sittings"], d.Sitting, func(s document) {
			each(s["tries"], d.Try, func(t document) {
				each(t["readings"], d.Reading, func(document) {})
				each(t["past_settlements"], d.Settlement, func(document) {})
				if settlement, ok := t["settlement"].(document); ok {
					maps.Copy(settlement, filled(settlement, d.Settlement))
				}
			})
		})
	})
}

// each fills in the objects of a list, where there is one, and then hands each over.
func each(list any, defaults document, then func(document)) {
	items, _ := list.([]any)
	for _, item := range items {
		object := item.(document)
		maps.Copy(object, filled(object, defaults))
		then(object)
	}
}

// filled returns a document with the members that it leaves out taken from the first of some defaults that has them. An
// object within is filled in member by member.
func filled(doc document, defaults ...document) document {
	full := maps.Clone(doc)
	if full == nil {
		full = document{}
	}
	for _, d := range defaults {
		for name, value := range d {
			own, has := full[name]
			if !has {
				full[name] = value
				continue
			}
			object, isObject := own.(document)
			if inner, ok := value.(document); ok && isObject {
				full[name] = filled(object, inner)
			}
		}
	}
	return full
}

// read reads a document into the form in which it is used.
func read[T any](t *testing.T, doc document) T {
	t.Helper()
	raw, err := json.Marshal(doc)
	require.NoError(t, err)
	var into T
	require.NoError(t, json.Unmarshal(raw, &into, json.RejectUnknownMembers(true)), "%s", raw)
	return into
}

// naming makes ids of labels: UUIDs of version 8 whose fourteen free octets hold the label, each octet turned by a mask.
// The mask of the vectors is zero; another gives ids in another order.
type naming byte

const longestLabel = 14

// free lists the octets of a UUID in which no version and no variant stands.
var free = [longestLabel]int{0, 1, 2, 3, 4, 5, 7, 9, 10, 11, 12, 13, 14, 15}

func (n naming) id(label string) uuid.UUID {
	id := uuid.UUID{6: 0x80, 8: 0x80}
	for i, at := range free {
		if i < len(label) {
			id[at] = label[i]
		}
		id[at] ^= byte(n)
	}
	return id
}

// label returns the label of an id, or the id where it has none.
func (n naming) label(id uuid.UUID) string {
	var label []byte
	for _, at := range free {
		if b := id[at] ^ byte(n); b != 0 {
			label = append(label, b)
		}
	}
	if n.id(string(label)) != id {
		return id.String()
	}
	return string(label)
}

// isLabel reports whether a value is a text that may be a label.
func isLabel(value any) bool {
	text, ok := value.(string)
	return ok && 0 < len(text) && len(text) <= longestLabel && 'a' <= text[0] && text[0] <= 'z' &&
		strings.Trim(text, "abcdefghijklmnopqrstuvwxyz0123456789") == ""
}

// household is what a case folds.
type household struct {
	names      naming
	learner    practice.LearnerID
	entries    []practice.Stamped
	enrolments []practice.Enrolment
	contacts   []practice.Contact
	at         time.Time
}

// household brings a case's entries through the door, as the service does with an upload and again when it folds.
func (c *mergeCase) household(t *testing.T, names naming) household {
	t.Helper()
	h := household{names: names, learner: practice.LearnerID{UUID: names.id(c.defaults.Learner)}, at: c.AsOf}
	for i := range c.Enrolments {
		h.enrolments = append(h.enrolments, c.Enrolments[i].enrolment(t, names))
	}
	for _, d := range c.Devices {
		contact := practice.Contact{
			Device: practice.DeviceID{UUID: names.id(d.ID)}, Owner: practice.PersonID{UUID: names.id(d.Owner)},
			Enrolled: d.Enrolled, Revoked: d.Revoked,
		}
		if d.Heard != nil {
			contact.Heard = *d.Heard
		}
		h.contacts = append(h.contacts, contact)
	}
	for _, e := range c.Entries {
		h.entries = append(h.entries, c.defaults.stamped(t, names, e))
	}
	return h
}

func (e *enrolmentGiven) enrolment(t *testing.T, names naming) practice.Enrolment {
	t.Helper()
	zone, err := practice.LoadZone(e.Zone)
	require.NoError(t, err)
	first, err := practice.ParseNight(e.FirstNight)
	require.NoError(t, err)
	plan := practice.DefaultPlan()
	plan.Nights = e.Plan.Nights
	plan.TurnsAt, err = practice.ParseTimeOfDay(e.Plan.NightTurnsAt)
	require.NoError(t, err)
	plan.SittingWindow = time.Duration(e.Plan.SittingMinutes) * time.Minute
	plan.SilentAfter = time.Duration(e.Plan.SilentAfterDays) * 24 * time.Hour
	plan.RecalledAfter = time.Duration(e.Plan.RecalledAfterHours) * time.Hour
	plan.WrittenTogetherWithin = time.Duration(e.Plan.WrittenTogetherMinutes) * time.Minute
	enrolment := practice.Enrolment{
		ID: practice.EnrolmentID{UUID: names.id(e.ID)}, Learner: practice.LearnerID{UUID: names.id(e.Learner)}, Plan: plan,
		FirstNight: first, Zone: zone, Positions: e.Positions, Written: e.Written,
	}
	if e.EndedOn != nil {
		enrolment.Ended = true
		enrolment.EndedOn, err = practice.ParseNight(*e.EndedOn)
		require.NoError(t, err)
	}
	return enrolment
}

// stamped examines an entry, holds the door's answer to the status that the case gives it, and reads it again as a stored
// one. Set aside is what the service makes of anything that a revoked device hands in.
func (d *mergeDefaults) stamped(t *testing.T, names naming, e document) practice.Stamped {
	t.Helper()
	given := read[struct {
		ID     string          `json:"id"`
		Author string          `json:"author"`
		Schema int             `json:"schema"`
		Status practice.Status `json:"status"`
		Stamp  struct {
			Received time.Time `json:"received_at"`
			OffsetMS int64     `json:"clock_offset_ms"`
		} `json:"stamp"`
	}](t, only(e, "id", "author", "schema", "status", "stamp"))
	roles := map[string]practice.Role{"caregiver": practice.Caregiver, "clinician": practice.Clinician}
	role := roles[d.People[given.Author]]
	require.NotZero(t, role, "%s is nobody of the household", given.Author)

	raw, err := json.Marshal(names.onTheWire(e))
	require.NoError(t, err)
	offered := door.Examine(raw, given.Schema, role)
	if given.Status != practice.SetAside {
		require.Equal(t, given.Status, offered.Status, "%s: %+v", given.ID, offered.Flaws)
	}
	read := door.Reread(offered.Sent, given.Schema, role)
	entry := read.Entry
	require.Equal(t, given.ID, names.label(entry.ID.UUID))
	if learner := entry.Learner.UUID; learner != uuid.Nil {
		require.Contains(t, d.Learners, names.label(learner))
	}
	return practice.Stamped{
		Entry: entry, Status: given.Status, MayBeIncident: read.MayBeIncident, Flawed: read.Flawed,
		Author: practice.Author{Role: role, ID: practice.PersonID{UUID: names.id(given.Author)}},
		Stamp:  practice.Stamp{Received: given.Stamp.Received, ClockOffset: time.Duration(given.Stamp.OffsetMS) * time.Millisecond},
	}
}

// only returns the members of a document that are named.
func only(doc document, names ...string) document {
	part := document{}
	for _, name := range names {
		if value, has := doc[name]; has {
			part[name] = value
		}
	}
	return part
}

// onTheWire returns an entry as a device would send it, with ids in place of labels.
func (n naming) onTheWire(e document) document {
	sent := only(e, "id", "kind", "subject", "replaces", "learner_id", "recorded_at", "body")
	n.putIDs(sent, "id", "subject", "replaces", "learner_id")
	if body, ok := sent["body"].(document); ok {
		body = maps.Clone(body)
		n.putIDs(body, "session", "sessions", "judged", "incidents", "entry", "witness")
		sent["body"] = body
	}
	return sent
}

// putIDs replaces the labels in some members of a document. What is no label stays, since a malformed entry may hold
// anything.
func (n naming) putIDs(doc document, members ...string) {
	for _, name := range members {
		switch value := doc[name].(type) {
		case string:
			if isLabel(value) {
				doc[name] = n.id(value).String()
			}
		case []any:
			ids := slices.Clone(value)
			for i, item := range ids {
				if isLabel(item) {
					ids[i] = n.id(item.(string)).String()
				}
			}
			doc[name] = ids
		}
	}
}
