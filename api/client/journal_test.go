package client_test

import (
	"context"
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

func bodyOf[T client.Body](t *testing.T, e client.Entry) T {
	t.Helper()
	var body T
	require.Equal(t, body.Kind(), e.Kind)
	require.NoError(t, json.Unmarshal(e.Body, &body))
	return body
}

func TestAnEveningInEntries(t *testing.T) {
	t.Parallel()
	p := newPhone(t, newServer(), mother)
	written := p.evening(2)

	entries := p.Outbox()
	require.Len(t, entries, 4)
	assert.Equal(t, written.Entries, entries)
	session := entries[0]
	assert.Equal(t, client.Entry{
		ID: written.Session, Subject: written.Session, Kind: "session", Replaces: []string{}, LearnerID: learner,
		RecordedAt: "2027-03-01T19:01:00.12-04:00", Body: session.Body,
	}, session)
	assert.JSONEq(t, `{"practised_at":"2027-03-02T19:38:00-04:00","timezone":"America/Halifax","setting":"home"}`, string(session.Body))
	wanted := []string{
		`{"position":"centre","number":1,"medium":"sweet","size_mm":6,"outcome":"swallowed","ease":3}`,
		`{"position":"left","number":1,"medium":"sweet","outcome":"not_swallowed","ease":1,"snags":["water"]}`,
		`{"position":"left","number":2,"medium":"sweet","outcome":"swallowed","ease":4,"note":"<second> & better"}`,
	}
	for i, try := range entries[1:] {
		assert.Equal(t, written.Tries[i], try.Subject)
		assert.Equal(t, "try", try.Kind)
		var body map[string]any
		require.NoError(t, json.Unmarshal(try.Body, &body))
		assert.Equal(t, written.Session, body["session"])
		delete(body, "session")
		assert.JSONEq(t, wanted[i], string(encode(body)))
	}
}

func TestFurtherTriesAreNumberedOn(t *testing.T) {
	t.Parallel()
	s := newServer()
	p := newPhone(t, s, mother)
	written := p.evening(2)
	p.inStep()
	second := newPhone(t, s, motherTwice)
	second.inStep()
	more, err := second.AddTries(written.Session, client.Try{Position: "left", Outcome: "refused"}, client.Try{Position: "up", Outcome: "swallowed", Ease: 2, Medium: "water"})
	require.NoError(t, err)
	require.Len(t, more, 2)
	assert.Equal(t, client.TryBody{Session: written.Session, Position: "left", Number: 3, Medium: "sweet", Outcome: "refused"}, bodyOf[client.TryBody](t, more[0]))
	assert.Equal(t, client.TryBody{Session: written.Session, Position: "up", Number: 1, Medium: "water", Outcome: "swallowed", Ease: 2}, bodyOf[client.TryBody](t, more[1]))

	other := newPhone(t, s, father)
	other.inStep()
	_, err = other.AddTries(written.Session, client.Try{Position: "left"})
	require.ErrorIs(t, err, client.ErrEntry, "another caregiver's session")
}

func TestAnEditReplacesTheHeadsSeen(t *testing.T) {
	t.Parallel()
	s := newServer()
	one, two := newPhone(t, s, mother), newPhone(t, s, motherTwice)
	written := one.evening(2)
	try := written.Tries[0]
	one.inStep()
	two.inStep()

	body := client.TryBody{Session: written.Session, Position: "centre", Number: 1, Medium: "sweet", Outcome: "swallowed", Ease: 2}
	first, err := one.Edit(try, body)
	one.keep(err, first)
	assert.Equal(t, []string{try}, first.Replaces)
	assert.Equal(t, try, first.Subject)
	assert.NotEqual(t, try, first.ID)
	assert.Equal(t, learner, first.LearnerID)

	unseen, err := two.Edit(try, body)
	two.keep(err, unseen)
	assert.Equal(t, []string{try}, unseen.Replaces, "the other phone's edit has not been seen")

	one.inStep()
	two.inStep()
	assert.Equal(t, []string{first.ID, unseen.ID}, two.Heads(try))
	both, err := two.Edit(first.ID, body)
	two.keep(err, both)
	assert.Equal(t, []string{first.ID, unseen.ID}, both.Replaces)
	assert.Equal(t, []string{both.ID}, two.Heads(try))

	withdrawn, err := two.Retract(try, "wrong child")
	two.keep(err, withdrawn)
	assert.Equal(t, []string{both.ID}, withdrawn.Replaces)
	assert.Equal(t, try, withdrawn.Subject)
	assert.Equal(t, client.RetractBody{Reason: "wrong child"}, bodyOf[client.RetractBody](t, withdrawn))
	two.inStep()
	assert.Equal(t, []string{withdrawn.ID}, two.Heads(try))
}

func TestAQuarantinedEditReplacesNothing(t *testing.T) {
	t.Parallel()
	p := newPhone(t, newServer(), mother)
	written := p.evening(2)
	wrong, err := p.Edit(written.Tries[0], client.TryBody{Session: written.Session, Position: "centre", Number: 1, Ease: 9})
	p.keep(err, wrong)
	p.inStep()
	assert.Equal(t, []string{written.Tries[0], wrong.ID}, p.Heads(written.Tries[0]))
}

func TestOnlyOnesOwnCanBeChanged(t *testing.T) {
	t.Parallel()
	s := newServer()
	p, other := newPhone(t, s, mother), newPhone(t, s, father)
	written := other.evening(2)
	other.inStep()
	p.inStep()
	_, err := p.Edit(written.Tries[0], client.TryBody{})
	require.ErrorIs(t, err, client.ErrEntry)
	_, err = p.Retract(written.Session, "")
	require.ErrorIs(t, err, client.ErrEntry)
	_, err = other.Edit(written.Tries[0], client.SessionBody{})
	require.ErrorIs(t, err, client.ErrEntry, "of another kind")
	assert.Empty(t, p.Outbox())
	assert.Empty(t, other.Outbox())
}

func TestShortEntries(t *testing.T) {
	t.Parallel()
	p := newPhone(t, newServer(), mother)
	const other = "00000000-0000-4000-8000-0000000000b2"
	record := func(e client.Entry, err error) client.Entry {
		p.keep(err, e)
		return e
	}
	cases := []struct {
		entry      client.Entry
		kind, body string
	}{
		{record(p.Excuse(learner, "2027-03-03", "travel")), "excuse", `{"night":"2027-03-03","reason":"travel"}`},
		{record(p.Incident(learner, "", "pain", "")), "incident", `{"session":null,"what":"pain"}`},
		{record(p.Incident(learner, other, "choking", "a sip")), "incident", `{"session":"` + other + `","what":"choking","note":"a sip"}`},
		{record(p.Link(learner, learner, other, false)), "link", `{"sessions":["` + learner + `","` + other + `"],"same":false}`},
		{
			record(p.Settle(learner, client.SettleBody{Judged: []string{other}, Outcome: "refused", Reason: "we talked"})), "settle",
			`{"judged":["` + other + `"],"outcome":"refused","reason":"we talked"}`,
		},
	}
	for _, c := range cases {
		assert.Equal(t, c.kind, c.entry.Kind)
		assert.Equal(t, c.entry.ID, c.entry.Subject)
		assert.JSONEq(t, c.body, string(c.entry.Body))
	}
	assert.Len(t, p.Outbox(), len(cases))
}

func TestWhatCannotBeRecorded(t *testing.T) {
	t.Parallel()
	p := newPhone(t, newServer(), mother)
	sound := client.Pen{Now: p.now, NewID: p.newID}.Raw(learner, "excuse", json.RawMessage(`{}`))
	used := p.evening(1).Entries[0]
	with := func(change func(*client.Entry)) client.Entry {
		e := sound
		change(&e)
		return e
	}
	cases := map[string]client.Entry{
		"no id":              with(func(e *client.Entry) { e.ID = "" }),
		"an id in capitals":  with(func(e *client.Entry) { e.ID = "0000000A-0000-4000-8000-000000000000" }),
		"an id in use":       with(func(e *client.Entry) { e.ID = used.ID }),
		"no body":            with(func(e *client.Entry) { e.Body = nil }),
		"a body not in JSON": with(func(e *client.Entry) { e.Body = json.RawMessage(`{"night":`) }),
	}
	for name, entry := range cases {
		require.ErrorIs(t, p.Record(sound, entry), client.ErrEntry, name)
	}
	require.ErrorIs(t, p.Record(sound, sound), client.ErrEntry)
	assert.Len(t, p.Outbox(), 4, "all or nothing")
}

func TestFileDiskKeepsEverything(t *testing.T) {
	t.Parallel()
	s := newServer()
	p := newPhone(t, s, mother)
	p.evening(1)
	wrong, err := p.Write(learner, client.TryBody{Ease: 9})
	p.keep(err, wrong)
	p.inStep()
	p.evening(2)
	s.rollBack(3, true)
	p.faults = []fault{none, lostCall}
	_, err = p.Device.Sync(context.Background())
	require.ErrorIs(t, err, errLost)
	want := p.State()

	folder := t.TempDir()
	disk := client.FileDisk{Path: filepath.Join(folder, "state.json")}
	empty, err := disk.Load()
	require.NoError(t, err)
	assert.Zero(t, empty)
	for range 2 {
		require.NoError(t, disk.Save(want))
	}
	got, err := disk.Load()
	require.NoError(t, err)
	assert.Equal(t, want, got)
	assertOneFile(t, folder)
	require.Error(t, client.FileDisk{Path: filepath.Join(folder, "none", "state.json")}.Save(want))
}

func TestADeviceNeedsItsParts(t *testing.T) {
	t.Parallel()
	whole := client.Config{
		Writer: mother, Disk: &client.MemoryDisk{}, Now: time.Now, NewID: randomID, Transport: transportFunc(nil),
	}
	_, err := client.Open(whole)
	require.NoError(t, err)
	for name, leaveOut := range map[string]func(*client.Config){
		"writer":    func(c *client.Config) { c.Writer = client.Writer{} },
		"transport": func(c *client.Config) { c.Transport = nil },
		"disk":      func(c *client.Config) { c.Disk = nil },
		"clock":     func(c *client.Config) { c.Now = nil },
		"ids":       func(c *client.Config) { c.NewID = nil },
	} {
		part := whole
		leaveOut(&part)
		_, err := client.Open(part)
		require.Error(t, err, name)
	}
}
