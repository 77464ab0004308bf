package main

import (
	"context"
	"encoding/json"
	"net/http"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// mostSyncs is in how many a phone must have recovered.
const mostSyncs = 3

// recover lets a phone sync until it is in step with a history, and returns how often it had to.
func (p *handset) recover(t *testing.T, base string, epoch uuid.UUID) int {
	t.Helper()
	for n := 1; n <= mostSyncs; n++ {
		device, err := p.open(base) // switched off and on in between
		require.NoError(t, err)
		_, err = device.Sync(t.Context())
		require.NoError(t, err)
		state := device.State()
		if state.Epoch == epoch.String() && len(state.Outbox) == 0 && int64(len(state.Entries)) == state.Head {
			return n
		}
	}
	require.FailNow(t, "the phone has not recovered", "after %d syncs", mostSyncs)
	return 0
}

// practise records an evening and hands it in.
func (p *handset) practise(t *testing.T, base string) {
	t.Helper()
	device, err := p.open(base)
	require.NoError(t, err)
	require.NoError(t, p.recordEvening(device))
	_, err = device.Sync(t.Context())
	require.NoError(t, err)
	require.Empty(t, device.Outbox())
}

// recordAlone records an evening without a word to the server.
func (p *handset) recordAlone(t *testing.T, base string) {
	t.Helper()
	device, err := p.open(base)
	require.NoError(t, err)
	require.NoError(t, p.recordEvening(device))
}

// forgetAccess takes the access token away, as its end does, so that the next call exchanges the refresh token.
func (p *handset) forgetAccess(t *testing.T) {
	t.Helper()
	held, err := p.tokens().LoadTokens()
	require.NoError(t, err)
	require.NoError(t, p.tokens().SaveTokens(client.Pair{Access: "none", Refresh: held.Refresh}))
}

// enrolInto lets a phone with files of its own into a household, and returns it with the code that was redeemed.
func enrolInto(t *testing.T, clinician client.API, household, learner, caregiver string) (p *handset, code string) {
	t.Helper()
	invite, err := clinician.CreateInvite(t.Context(), household, "")
	require.NoError(t, err)
	enrolled, err := redeem(t.Context(), clinician.Base, invite.InviteCode, caregiver)
	require.NoError(t, err)
	return newHandset(t, t.TempDir(), enrolled, learner), invite.InviteCode
}

func redeem(ctx context.Context, base, code, caregiver string) (client.EnrolledDevice, error) {
	return caller(base).EnrolDevice(ctx, client.DeviceEnrolment{
		InviteCode: code, Caregiver: client.DeviceCaregiver{Name: caregiver},
		Device: client.DeviceKind{Name: "phone", Platform: "test"},
	})
}

// choose lets a clinician write an entry, which no phone holds as its own.
func choose(t *testing.T, clinician client.API, learner string) (id string) {
	t.Helper()
	pen := client.Pen{Now: time.Now, NewID: uuid.NewString}
	entry := pen.Raw(learner, "choose", json.RawMessage(`{"position":"left"}`))
	added, err := clinician.AddEntries(t.Context(), learner, entry)
	require.NoError(t, err)
	require.Equal(t, client.Accepted, added.Results[0].Status)
	return entry.ID
}

// asStamped returns entries by id, without what a new history may give them anew.
func asStamped(entries []client.Change) map[string]client.Change {
	listed := byID(entries)
	for id, e := range listed {
		e.Rev = 0
		listed[id] = e
	}
	return listed
}

// status returns the status of a refusal, 0 for none.
func status(err error) int {
	if problem := client.AsProblem(err); problem != nil {
		return problem.Status
	}
	return 0
}

// assertMayOnlyHandIn checks that a phone is revoked: it gets rid of what it holds, and reads nothing.
func (p *handset) assertMayOnlyHandIn(t *testing.T, base string) {
	t.Helper()
	p.forgetAccess(t)
	device, err := p.open(base)
	require.NoError(t, err)
	known := len(device.Entries())
	report, err := device.Sync(t.Context())
	require.NoError(t, err)
	assert.True(t, report.UploadOnly)
	assert.Empty(t, device.Outbox())
	assert.Len(t, device.Entries(), known, "it reads nothing")
	pair, err := p.tokens().LoadTokens()
	require.NoError(t, err)
	_, err = as(caller(base), pair.Access).OwnHousehold(t.Context())
	assert.Equal(t, http.StatusForbidden, status(err))
}

// TestRestoreBesideAServer goes back to a backup under a running server while phones hand in, after much that the backup
// does not know: evenings, exchanged tokens, a phone let in and one shut out.
func TestRestoreBesideAServer(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	server := spawn(t, db)
	base := server.base(t)
	c := gather(t, db, base, 3, 2)
	clinician := signIn(t, base, clinicEmail)
	phones, family := c.busy(), c.homes[0]
	mum, dad := phones[0], phones[1]
	kept := choose(t, clinician, family.learner)
	for _, p := range phones {
		p.practise(t, base)
	}
	var file string
	uploadWhile(t, base, phones, func() { file, _ = takeBackup(t, db) })
	for _, p := range phones { // the last call of each may have been cut off
		p.recover(t, base, marksOf(t, db).epoch)
	}

	for range 3 { // three generations of tokens
		mum.forgetAccess(t)
		mum.practise(t, base)
	}
	dad.practise(t, base)
	dad.recordAlone(t, base)
	gran, code := enrolInto(t, clinician, family.household, family.learner, "Gran")
	gran.practise(t, base)
	lost := choose(t, clinician, family.learner)
	require.NoError(t, clinician.RevokeDevice(t.Context(), dad.writer.Device))
	before := make([]map[string]client.Change, len(c.homes))
	for i, h := range c.homes {
		before[i] = asStamped(everyEntry(t, clinician, h.learner))
	}
	earlier := marksOf(t, db)

	others := phones[2:]
	var done restoredDoc
	uploadWhile(t, base, others, func() {
		time.Sleep(100 * time.Millisecond)
		done = printed[restoredDoc](t, execute(t, "restore", file, "--db", db))
		time.Sleep(100 * time.Millisecond)
	})
	assert.Equal(t, earlier.epoch, done.FormerEpoch)
	assert.NotEqual(t, done.FormerEpoch, done.Epoch)
	assert.Equal(t, done.Epoch, marksOf(t, db).epoch)
	assert.Equal(t, 3, done.Households)
	assert.FileExists(t, done.Kept)
	assert.Equal(t, earlier.epoch, marksOf(t, done.Kept).epoch)
	replayed := done.Journal
	assert.Equal(t, []int{1, 1, 1, 0}, []int{replayed.Devices, replayed.Caregivers, replayed.Revoked, replayed.Homeless})
	assert.GreaterOrEqual(t, replayed.Tokens, 4, "three that were exchanged, and one of the new phone")

	all := append([]*handset{gran, mum}, others...)
	most := 0
	for range 2 { // once more for what the others handed in meanwhile
		for _, p := range all {
			p.forgetAccess(t) // they recover with the tokens that they hold
			most = max(most, p.recover(t, base, done.Epoch))
		}
	}
	t.Logf("%d entries in the backup, %d after %d phones recovered, in at most %d syncs each",
		done.Entries, marksOf(t, db).entries, len(all), most)
	dad.assertMayOnlyHandIn(t, base)
	clinician = signIn(t, base, clinicEmail)
	for i, h := range c.homes {
		after := asStamped(everyEntry(t, clinician, h.learner))
		for id, want := range before[i] {
			switch got := after[id]; {
			case id == lost:
				assert.Zero(t, got, "no phone holds what a clinician wrote")
			case want.Device == dad.writer.Device && got.Status != want.Status:
				assert.Equal(t, client.SetAside, got.Status)
				assert.Equal(t, want.Stamp, got.Stamp)
			default:
				got.Effect, got.Why = want.Effect, want.Why
				assert.Equal(t, want, got)
			}
		}
		for _, p := range all {
			for id := range p.recorded {
				assert.True(t, p.learner != h.learner || after[id].ID == id, "entry %s is held by a phone, but not by the server", id)
			}
		}
	}
	assert.Contains(t, asStamped(everyEntry(t, clinician, family.learner)), kept)
	_, err := redeem(t.Context(), base, code, "Somebody else")
	assert.Equal(t, http.StatusUnprocessableEntity, status(err), "the invite was used")
	require.NoError(t, execute(t, "check", "--db", db).err)
}
