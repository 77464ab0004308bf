package door

import (
	"math"
	"slices"
	"strconv"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"

	"swallowtail/internal/practice"
)

// What is wanted of a value, as the answer says it.
const (
	wantID     = "Give a UUID in its form of 36 characters, not the nil one."
	wantMoment = `Give a date-time of RFC 3339 with its offset, such as "2027-03-02T19:42:10-04:00".`
	wantNight  = `Give a date, such as "2027-03-02".`
	wantZone   = `Give the name of a zone in the IANA time zone database, such as "America/Halifax".`
	wantTruth  = "Give true or false."
	wantNote   = "Give a text of at most 2,000 characters."
	wantNumber = "Give a whole number from 1 to 99."
	wantEase   = "Give a whole number from 1 to 5."
	wantNoEase = "Leave it out, or give null: a refusal has no ease."
	wantSize   = "Give a number above 0, up to 60, in millimetres, or leave it out where the size is not known."
	wantOnce   = "Give each only once. It stands before."
)

const (
	maxNote   = 2000 // characters
	maxSizeMM = 60
)

// id returns a required UUID, the nil one where it can't be read.
func (f *form) id(name string) uuid.UUID {
	value, has := f.required(name, wantID)
	if !has {
		return uuid.Nil
	}
	id, amiss := f.reader.id(value)
	f.tell(name, amiss)
	return id
}

// id reads a UUID in its canonical form, in letters of either case.
func (r *reader) id(value []byte) (id uuid.UUID, amiss string) {
	text, amiss := r.text(value, wantID)
	if amiss != "" {
		return uuid.Nil, amiss
	}
	const canonical = 36
	if len(text) != canonical {
		return uuid.Nil, wantID
	}
	id, err := uuid.ParseBytes(text)
	if err != nil || id == uuid.Nil {
		return uuid.Nil, wantID
	}
	return id, ""
}

// items returns the elements of a required array of a length from least to most; of a longer one only as many as are
// allowed. They hold until the next call.
func (f *form) items(name string, least, most int, want string) [][]byte {
	value, has := f.required(name, want)
	if !has {
		return nil
	}
	if jsontext.Value(value).Kind() != jsontext.KindBeginArray {
		f.tell(name, otherKind(value, jsontext.KindBeginArray, want))
		return nil
	}
	items := f.reader.elements(value, most)
	if len(items) < least || len(items) > most {
		f.tell(name, want)
	}
	return items[:min(len(items), most)]
}

// listOfIDs returns a required array of different UUIDs, the nil one for each that can't be read; nil where it is empty.
func listOfIDs[ID ~struct{ uuid.UUID }](f *form, name string, least, most int, want string) []ID {
	items := f.items(name, least, most, want)
	if len(items) == 0 {
		return nil
	}
	ids := make([]ID, 0, len(items))
	for i, item := range items {
		id, amiss := f.reader.id(item)
		if amiss == "" && slices.Contains(ids, ID{id}) {
			amiss = wantOnce
		}
		f.tellItem(name, i, amiss)
		ids = append(ids, ID{id})
	}
	return ids
}

// moment returns a required date-time, the zero one where it can't be read.
func (f *form) moment(name string) practice.Moment {
	text, ok := f.text(name, wantMoment)
	if !ok {
		return practice.Moment{}
	}
	moment, err := practice.ParseMoment(string(text))
	if err != nil {
		f.tell(name, wantMoment)
	}
	return moment
}

// night returns a required date.
func (f *form) night(name string) practice.Night {
	text, ok := f.text(name, wantNight)
	if !ok {
		return 0
	}
	night, err := practice.ParseNight(string(text))
	if err != nil {
		f.tell(name, wantNight)
	}
	return night
}

// zone returns the name of a required time zone.
func (f *form) zone(name string) string {
	text, ok := f.text(name, wantZone)
	if !ok {
		return ""
	}
	zone := string(text)
	if _, err := practice.LoadZone(zone); err != nil {
		f.tell(name, wantZone)
	}
	return zone
}

// text returns a required string's text, which holds until the next call, and whether there is one.
func (f *form) text(name, want string) ([]byte, bool) {
	value, has := f.required(name, want)
	if !has {
		return nil, false
	}
	text, amiss := f.reader.text(value, want)
	f.tell(name, amiss)
	return text, amiss == ""
}

// note returns a text that may be absent.
func (f *form) note(name string) string {
	if f.presence(name) != given {
		return ""
	}
	text, ok := f.text(name, wantNote)
	if ok && utf8.RuneCount(text) > maxNote {
		f.tell(name, wantNote)
	}
	return string(text)
}

// truth returns a required boolean.
func (f *form) truth(name string) bool {
	value, has := f.required(name, wantTruth)
	if !has {
		return false
	}
	switch string(value) {
	case "true":
		return true
	case "false":
		return false
	}
	f.tell(name, otherKind(value, jsontext.KindTrue, wantTruth))
	return false
}

// whole returns a required whole number within bounds, 0 where there is none. However it is written, 6 is 6.0.
func (f *form) whole(name string, least, most int64, want string) int64 {
	value, has := f.required(name, want)
	if !has {
		return 0
	}
	n, ok := number(value)
	if !ok || n != math.Trunc(n) || n < float64(least) || n > float64(most) {
		f.tell(name, otherKind(value, jsontext.KindNumber, want))
		return 0
	}
	return int64(n)
}

// size returns a size in millimetres, 0 where none is given.
func (f *form) size(name string) float64 {
	if f.presence(name) != given || f.isNull(name) {
		return 0
	}
	value := f.value(name)
	mm, ok := number(value)
	if !ok || mm <= 0 || mm > maxSizeMM {
		f.tell(name, otherKind(value, jsontext.KindNumber, wantSize))
	}
	return mm
}

func number(value []byte) (float64, bool) {
	if jsontext.Value(value).Kind() != jsontext.KindNumber {
		return 0, false
	}
	n, err := strconv.ParseFloat(string(value), 64)
	return n, err == nil
}

// vocabulary is the words of one kind that are known.
type vocabulary[W ~string] struct {
	words    []W
	want     string // of one
	wantList string // of several
}

func vocabularyOf[W ~string](words []W) vocabulary[W] {
	all := listOf(words)
	return vocabulary[W]{
		words: words, want: "Give one of " + all + ".", wantList: "Give an array in which each stands at most once: " + all + ".",
	}
}

var (
	positions     = vocabularyOf(practice.Positions())
	outcomes      = vocabularyOf(practice.Outcomes())
	media         = vocabularyOf(practice.Media())
	snags         = vocabularyOf(practice.Snags())
	settings      = vocabularyOf([]practice.Setting{practice.AtHome, practice.AtClinic})
	excuseReasons = vocabularyOf(practice.ExcuseReasons())
	incidentKinds = vocabularyOf(practice.IncidentKinds())
)

// read returns the word that a value is, or what is amiss with it.
func (v *vocabulary[W]) read(r *reader, value []byte) (word W, amiss string) {
	text, amiss := r.text(value, v.want)
	if amiss != "" {
		return "", amiss
	}
	for _, known := range v.words {
		if string(known) == string(text) {
			return known, ""
		}
	}
	return "", v.want
}

// of returns a required word, empty where there is none.
func (v *vocabulary[W]) of(f *form, name string) W {
	value, has := f.required(name, v.want)
	if !has {
		return ""
	}
	word, amiss := v.read(f.reader, value)
	f.tell(name, amiss)
	return word
}

// listOf returns a required array of different words, each known; nil where it is empty.
func (v *vocabulary[W]) listOf(f *form, name string) []W {
	items := f.items(name, 0, len(v.words), v.wantList)
	if len(items) == 0 {
		return nil
	}
	words := make([]W, 0, len(items))
	for i, item := range items {
		word, amiss := v.read(f.reader, item)
		if amiss == "" && slices.Contains(words, word) {
			amiss = wantOnce
		}
		f.tellItem(name, i, amiss)
		words = append(words, word)
	}
	return words
}
