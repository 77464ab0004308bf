package api_test

import (
	"context"
	"database/sql"
	"encoding/base64"
	"net/http"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	_ "modernc.org/sqlite" // to copy a database, and to alter one
)

// openRaw opens a database beside the store.
func openRaw(t testing.TB, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?_busy_timeout=10000")
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, db.Close()) })
	return db
}

// backup copies the database as it is now.
func (h *house) backup() string {
	h.t.Helper()
	path := filepath.Join(h.t.TempDir(), "backup.db")
	_, err := openRaw(h.t, h.path).ExecContext(h.t.Context(), "VACUUM INTO ?", path)
	require.NoError(h.t, err)
	return path
}

// restored opens a copy of the database in place of this house's.
func (f *family) restored(path string) *family {
	f.t.Helper()
	h := openHouse(f.t, path, f.keys, f.clock, f.madeIDs)
	s := *f.site
	s.house = h
	for _, caller := range []*who{&s.clinician, &s.lead, &s.scheduler} {
		caller.house = h
	}
	return &family{site: &s, household: f.household, learner: f.learner}
}

// at returns the phone as it calls another server.
func (p *phone) at(f *family) *phone {
	moved := *p
	moved.family, moved.house = f, f.house
	return &moved
}

// TestCursorsThatHistoryDoesNotBearOut: nothing of the call is stored, and the epoch is told.
func TestCursorsThatHistoryDoesNotBearOut(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	early := f.backup()
	mama.accepted(mama.evening(start)...)
	earlier := f.backup()
	papa.accepted(papa.evening(start.Add(3*time.Hour), "left")...)
	mama.sync()
	cursor := mama.cursor.(string)
	epoch := mama.sync().text("epoch")

	other := f.site.newFamily("Stoat")
	other.enrol("2027-03-01")
	stranger := other.newPhone("Aunt")
	stranger.accepted(stranger.evening(start)...)

	raw, err := base64.RawURLEncoding.DecodeString(cursor)
	require.NoError(t, err)
	altered := map[string]string{"foreign": stranger.cursor.(string), "short": cursor[:len(cursor)-2], "long": cursor + "AA", "no base64": secret + "!", "padded": cursor + "=="}
	for _, i := range []int{0, 15, 16, 22, 23, 24, 32, 47, 55, len(raw) - 1} {
		changed := append([]byte{}, raw...)
		changed[i] ^= 0x80
		altered[string(rune('a'+i))] = base64.RawURLEncoding.EncodeToString(changed)
	}
	beyond := append([]byte{}, raw...)
	beyond[23]++
	altered["beyond"] = base64.RawURLEncoding.EncodeToString(beyond)
	for name, cursor := range altered {
		p := *mama
		p.cursor = cursor
		r := p.post("/v1/sync", p.envelope(p.session(start))).refused(http.StatusConflict, "history-diverged")
		assert.Equal(t, epoch, r.text("epoch"), name)
	}
	assert.Empty(t, mama.sync().list("changes"), "nothing was stored")

	// Restored from before the phone's first entry, and from before its last: the history ends before the cursor.
	for _, path := range []string{early, earlier} {
		g := f.restored(path)
		p := mama.at(g)
		p.post("/v1/sync", p.envelope(p.session(start))).refused(http.StatusConflict, "history-diverged")
		p.cursor = nil
		head := p.sync().at("head")
		// It goes on differently until it is as long: the history is another.
		q := papa.at(g)
		q.cursor = nil
		for n := head.(float64); n < 8; n++ {
			q.accepted(q.session(start.Add(time.Duration(n) * time.Minute)))
		}
		p.cursor = cursor
		p.post("/v1/sync", p.envelope()).refused(http.StatusConflict, "history-diverged")
		// A cursor from before the backup is still good.
		p.cursor = nil
		p.sync()
		p.sync()
		g.checked()
	}
}

// TestOfferedAgainAfterARestore: a phone that offers its entries again hands back their stamps, so that nothing of what they
// say changes.
func TestOfferedAgainAfterARestore(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	empty := f.backup()
	// A phone two years and some minutes wrong.
	mama.askew = -(2*365*24*time.Hour + 37*time.Minute)
	evening := mama.evening(f.clock.now().Add(mama.askew))
	first := mama.accepted(evening...)
	before := f.night("2027-03-01")
	assert.Equal(t, "complete", before["status"])
	assert.Contains(t, before["marks"], "clock_suspect")

	f.clock.advance(5*24*time.Hour + 3*time.Hour)
	g := f.restored(f.backupOf(empty))
	again := func() []entry {
		var offered []entry
		for i, e := range evening {
			offered = append(offered, entry(with(e, "stamp", at(t, first.list("changes"), i, "stamp"))))
		}
		return offered
	}
	p := mama.at(g)
	p.cursor, p.askew = nil, 0 // its clock has been put right
	r := p.accepted(again()...)
	for i := range evening {
		assert.Equal(t, at(t, first.list("changes"), i, "stamp"), at(t, r.list("changes"), i, "stamp"))
		assert.NotContains(t, keys(r.at("changes", i, "body")), "stamp")
	}
	assert.Equal(t, before["sittings"], g.night("2027-03-01")["sittings"])
	assert.Equal(t, before["marks"], g.night("2027-03-01")["marks"])
	assert.Equal(t, "complete", g.states()["2027-03-01"])
	g.checked()

	// Without their stamps the same entries come to stand elsewhere: two years ago.
	h := f.restored(f.backupOf(empty))
	q := mama.at(h)
	q.cursor, q.askew = nil, 0
	q.accepted(evening...)
	assert.NotEqual(t, "complete", h.states()["2027-03-01"])

	// A seal is good for its entry, its author and its content alone.
	i := f.restored(f.backupOf(empty))
	forger := papa.at(i)
	forger.cursor = nil
	stamps := first.list("changes")
	forged := map[string]any{
		"another entry's":   at(t, stamps, 1, "stamp"),
		"another instant":   with(at(t, stamps, 0, "stamp").(map[string]any), "received_at", "2027-02-01T00:00:00Z"),
		"another offset":    with(at(t, stamps, 0, "stamp").(map[string]any), "clock_offset_ms", 1),
		"another seal":      with(at(t, stamps, 0, "stamp").(map[string]any), "seal", "AAAAAAAAAAAAAAAAAAAAAA"),
		"half a seal":       with(at(t, stamps, 0, "stamp").(map[string]any), "seal", "AAAA"),
		"a seal left out":   with(at(t, stamps, 0, "stamp").(map[string]any), "seal", nil),
		"a member too many": with(at(t, stamps, 0, "stamp").(map[string]any), "mood", 1),
		"no stamp at all":   "now",
		"nothing":           any(nil),
		"another author's":  at(t, stamps, 0, "stamp"),
	}
	for name, stamp := range forged {
		p := mama.at(i)
		p.cursor = nil
		e := entry(with(evening[0], "stamp", stamp))
		if stamp == nil {
			e["stamp"] = nil
		}
		if name == "another author's" {
			p = forger
		} else {
			e["body"] = with(e.body(), "note", name) // other content each time
			e["id"] = i.madeIDs.next().String()
			e["subject"] = e["id"]
		}
		r := p.accepted(e)
		changes := r.list("changes")
		assert.Equal(t, i.clock.now().Format(time.RFC3339), at(t, changes, len(changes)-1, "stamp", "received_at"), name)
	}
	i.checked()
}

// backupOf copies a backup, since opening one alters it.
func (f *family) backupOf(path string) string {
	f.t.Helper()
	copied := filepath.Join(f.t.TempDir(), "copy.db")
	_, err := openRaw(f.t, path).ExecContext(context.Background(), "VACUUM INTO ?", copied)
	require.NoError(f.t, err)
	return copied
}

// TestClocks: an offset of up to five minutes is let be, beyond that it is added to the entry's times, which are marked.
func TestClocks(t *testing.T) {
	t.Parallel()
	for name, test := range map[string]struct {
		askew   time.Duration
		night   string
		suspect bool
	}{
		"right":                    {0, "2027-03-01", false},
		"five minutes ahead":       {5 * time.Minute, "2027-03-01", false},
		"five minutes behind":      {-5 * time.Minute, "2027-03-01", false},
		"a second more":            {5*time.Minute + time.Second, "2027-03-01", true},
		"a day behind":             {-24 * time.Hour, "2027-03-01", true},
		"two years behind":         {-2 * 365 * 24 * time.Hour, "2027-03-01", true},
		"two years ahead":          {2 * 365 * 24 * time.Hour, "2027-03-01", true},
		"a century ahead":          {100 * 365 * 24 * time.Hour, "2027-03-01", true},
		"wrong by half an evening": {-(10*time.Hour + 30*time.Minute), "2027-03-01", true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f, mama, _ := newTwoPhones(t)
			mama.askew = test.askew
			r := mama.accepted(mama.evening(mama.now().Add(-10 * time.Minute))...)
			assert.InDelta(t, -test.askew.Milliseconds(), r.at("changes", 0, "stamp", "clock_offset_ms"), 0)
			n := f.night(test.night)
			assert.Equal(t, "complete", n["status"])
			if test.suspect {
				assert.Equal(t, []any{"clock_suspect"}, n["marks"])
			} else {
				assert.Empty(t, n["marks"])
			}
			f.checked()
		})
	}
}

// TestClocksBeyondAllReason: whatever a phone says of the time, its entries are taken and the answers stay such that they
// can be read.
func TestClocksBeyondAllReason(t *testing.T) {
	t.Parallel()
	const first, last, tonight = "0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "2027-03-01T18:00:00-04:00"
	for _, test := range []struct{ sent, practised string }{
		{first, tonight},
		{last, tonight},
		{tonight, first},
		{tonight, last},
		{first, "9000-01-01T00:00:00Z"},
		{last, "0900-01-01T00:00:00Z"},
		{first, first},
		{first, last},
		{last, first},
		{last, last},
	} {
		f, mama, papa := newTwoPhones(t)
		session := mama.session(start)
		session.body()["practised_at"], session["recorded_at"] = test.practised, test.practised
		incident := mama.entry("incident", map[string]any{"what": "other"})
		incident["recorded_at"] = test.practised
		mama.post("/v1/sync", with(mama.envelope(session, incident), "sent_at", test.sent)).ok(http.StatusOK)
		papa.sync()
		assert.NotNil(t, f.summary().at("hold"))
		f.clinician.get(f.path("nights")).ok(http.StatusOK)
		assert.Len(t, f.clinician.get(f.path("entries")).ok(http.StatusOK).list("entries"), 2)
		f.clinician.get("/v1/roster").ok(http.StatusOK)
		f.checked()
	}
}
