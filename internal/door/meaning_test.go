package door

import (
	"bytes"
	"encoding/json"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf16"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/practice"
)

// What the door reads is held to what the decoder of the standard library reads.

// checkMeaning holds an accepted entry to another reading of the same bytes.
func checkMeaning(t require.TestingT, sent []byte, e practice.Entry) {
	var said struct {
		ID       string         `json:"id"`
		Kind     string         `json:"kind"`
		Subject  string         `json:"subject"`
		Replaces []string       `json:"replaces"`
		Learner  string         `json:"learner_id"`
		Recorded string         `json:"recorded_at"`
		Body     map[string]any `json:"body"`
	}
	require.NoError(t, json.Unmarshal(sent, &said))
	require.Equal(t, e.ID.String(), strings.ToLower(said.ID))
	require.Equal(t, string(e.Body.Kind()), said.Kind)
	require.Equal(t, e.Subject.String(), strings.ToLower(said.Subject))
	require.Equal(t, e.Learner.String(), strings.ToLower(said.Learner))
	checkMoment(t, said.Recorded, e.Recorded)
	require.Equal(t, textsOf(e.Replaces), lowered(said.Replaces))
	if session, ok := e.Body.(*practice.Session); ok {
		practised, _ := said.Body["practised_at"].(string)
		checkMoment(t, practised, session.Practised)
		delete(said.Body, "practised_at")
	}
	require.Equal(t, meant(e.Body), asMeant(said.Body))
}

// checkMoment holds a moment to another reading of its text. That reading knows of no leap seconds.
func checkMoment(t require.TestingT, text string, m practice.Moment) {
	if strings.Contains(text, ":60") {
		return
	}
	at, err := time.Parse(time.RFC3339Nano, strings.ToUpper(text))
	require.NoError(t, err)
	require.Equal(t, at.UnixMilli(), m.Time().UnixMilli())
	_, want := at.Zone()
	_, got := m.Time().Zone()
	require.Equal(t, want, got)
}

// asMeant leaves out of a body what says nothing, and puts ids in small letters.
func asMeant(body map[string]any) map[string]any {
	ids := []string{"session", "sessions", "judged", "incidents", "entry", "witness"}
	said := map[string]any{}
	for name, value := range body {
		switch v := value.(type) {
		case nil:
			continue
		case string:
			if v == "" {
				continue
			}
			if slices.Contains(ids, name) {
				value = strings.ToLower(v)
			}
		case []any:
			list := make([]string, len(v))
			for i := range v {
				list[i], _ = v[i].(string)
			}
			if slices.Contains(ids, name) {
				list = lowered(list)
			}
			value = list
		}
		said[name] = value
	}
	maps.DeleteFunc(said, func(name string, value any) bool {
		return name == "snags" && len(value.([]string)) == 0 || name == "note_shared" && value == false || name == "setting" && value == "home"
	})
	return said
}

// meant says in the members of the wire what a body means, leaving out what says nothing.
func meant(body practice.Body) map[string]any {
	said := map[string]any{}
	put := func(name string, value any, given bool) {
		if given {
			said[name] = value
		}
	}
	switch b := body.(type) {
	case *practice.Session:
		put("timezone", b.Zone, true)
		put("setting", string(b.Setting), b.Setting != practice.AtHome)
		put("note", b.Note, b.Note != "")
		put("note_shared", true, b.NoteShared)
		put("witness", b.Witness.String(), b.Witness != practice.PersonID{})
	case *practice.Try:
		put("session", b.Session.String(), true)
		put("position", string(b.Position), true)
		put("number", float64(b.Number), true)
		put("medium", string(b.Medium), true)
		put("size_mm", b.SizeMM, b.SizeMM != 0)
		put("outcome", string(b.Outcome), true)
		put("ease", float64(b.Ease), b.Ease != practice.NoEase)
		put("snags", words(b.Snags), len(b.Snags) > 0)
		put("note", b.Note, b.Note != "")
	case *practice.Excuse:
		put("night", b.Night.String(), true)
		put("reason", string(b.Reason), true)
	case *practice.Incident:
		put("session", b.Session.String(), b.Session != practice.SubjectID{})
		put("what", string(b.What), true)
		put("note", b.Note, b.Note != "")
	case *practice.Retract:
		put("reason", b.Reason, b.Reason != "")
	case *practice.Link:
		put("sessions", textsOf(b.Sessions), true)
		put("same", b.Same, true)
	case *practice.Settle:
		put("judged", textsOf(b.Judged), true)
		put("outcome", string(b.Outcome), true)
		put("ease", float64(b.Ease), b.Ease != practice.NoEase)
		put("reason", b.Reason, b.Reason != "")
	case *practice.Clear:
		put("incidents", textsOf(b.Incidents), true)
		put("note", b.Note, b.Note != "")
	case *practice.Choose:
		put("position", string(b.Position), true)
	case *practice.SwitchPositions:
		put("off", words(b.Off), true)
		put("from", b.From.String(), true)
	case *practice.Review:
		put("entry", b.Entry.String(), true)
		put("take", b.Take, true)
	}
	return said
}

func words[W ~string](list []W) []string {
	texts := make([]string, len(list))
	for i, w := range list {
		texts[i] = string(w)
	}
	return texts
}

func textsOf[ID ~struct{ uuid.UUID }](ids []ID) []string {
	texts := make([]string, len(ids))
	for i, id := range ids {
		texts[i] = struct{ uuid.UUID }(id).String()
	}
	return texts
}

func lowered(texts []string) []string {
	lower := make([]string, len(texts))
	for i, text := range texts {
		lower[i] = strings.ToLower(text)
	}
	return lower
}

// checkIncident sees to it that nothing which calls itself an incident is kept back without being held for one.
func checkIncident(t require.TestingT, raw []byte, o Offered) {
	var members map[string]any
	if json.Unmarshal(raw, &members) != nil {
		return
	}
	if kind, ok := members["kind"].(string); ok && strings.EqualFold(strings.TrimSpace(kind), "incident") {
		_, read := o.Entry.Body.(*practice.Incident)
		require.True(t, read || o.MayBeIncident)
	}
}

// checkRespelt holds an entry to itself in another spelling: members in another order, numbers and strings written
// otherwise. Nothing about it may change.
func checkRespelt(t require.TestingT, raw []byte, schema int, role practice.Role, o Offered) {
	if _, err := Canonical(raw); err != nil {
		return
	}
	decoder := json.NewDecoder(bytes.NewReader(raw))
	decoder.UseNumber()
	var value any
	require.NoError(t, decoder.Decode(&value))
	other := Examine(respelt(value), schema, role)
	require.Equal(t, o.Content, other.Content, "%s", respelt(value))
	require.Equal(t, o.Entry, other.Entry)
	require.Equal(t, o.Kind, other.Kind)
	require.Equal(t, o.Status, other.Status)
	require.Equal(t, o.MayBeIncident, other.MayBeIncident)
	if len(o.Flaws) <= maxFlaws { // beyond, which are kept depends on their order
		require.ElementsMatch(t, o.Flaws, other.Flaws)
	}
	require.Equal(t, o.Stamp, other.Stamp)
}

// respelt writes a JSON value in an uncommon way.
func respelt(value any) []byte {
	switch v := value.(type) {
	case json.Number:
		n, _ := v.Float64()
		return strconv.AppendFloat(nil, n, 'e', 20, 64)
	case string:
		quoted := []byte{'"'}
		for _, unit := range utf16.Encode([]rune(v)) {
			quoted = append(quoted, `\u`...)
			quoted = append(quoted, strconv.FormatUint(0x10000|uint64(unit), 16)[1:]...)
		}
		return append(quoted, '"')
	case []any:
		parts := make([][]byte, len(v))
		for i := range v {
			parts[i] = respelt(v[i])
		}
		return slices.Concat([]byte("[ "), bytes.Join(parts, []byte(" ,\t")), []byte("]"))
	case map[string]any:
		names := slices.Sorted(maps.Keys(v))
		slices.Reverse(names)
		parts := make([][]byte, len(names))
		for i, name := range names {
			parts[i] = slices.Concat(respelt(name), []byte("\n: "), respelt(v[name]))
		}
		return slices.Concat([]byte("{\r\n"), bytes.Join(parts, []byte(", ")), []byte(" }"))
	}
	literal, _ := json.Marshal(value) // true, false or null, which always encode
	return literal
}
