package api_test

import (
	"context"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
)

func enrolling(code string, caregiver map[string]any) map[string]any {
	return map[string]any{"invite_code": code, "caregiver": caregiver, "device": map[string]any{"name": "the blue phone", "platform": "android"}}
}

func TestInvite(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	r := f.clinician.post("/v1/households/"+f.household+"/invites", map[string]any{}).ok(http.StatusCreated)
	assert.ElementsMatch(t, []string{"invite_code", "expires_at"}, keys(r.doc()))
	assert.Equal(t, "2027-03-04T22:00:00Z", r.text("expires_at"))
	code := r.text("invite_code")
	enrol := func(code string) reply {
		return f.nobody("").post("/v1/devices/enrol", enrolling(code, map[string]any{"name": "Papa"}))
	}
	// As people type it.
	in := enrol(" " + strings.ToLower(strings.ReplaceAll(code, "-", " ")) + " ").ok(http.StatusCreated)
	assert.ElementsMatch(t, []string{"device_id", "caregiver_id", "household_id", "access_token", "expires_in", "refresh_token"}, keys(in.doc()))
	assert.Equal(t, f.household, in.text("household_id"))
	f.read(func(ctx context.Context, view clinic.View) error {
		people, err := view.Caregivers(ctx, uuid.MustParse(f.household))
		require.Len(t, people, 1)
		assert.Equal(t, clinic.ConsentVersion, people[0].ConsentVersion)
		assert.True(t, people[0].Consented.Equal(start))
		return err
	})
	f.checked()

	// Used, expired and wrong are all one.
	expired := f.invite(map[string]any{})
	f.clock.advance(clinic.InviteLife)
	used := enrol(code).refused(http.StatusUnprocessableEntity, "invite-refused", "/invite_code")
	for _, other := range []string{expired, "", secret, code[:len(code)-1] + "Z", repeated("7", 26), repeated("7", 5000), code + "\x00"} {
		assert.Equal(t, string(used.body), string(enrol(other).body), "%q", other)
	}
	f.clock.advance(-time.Millisecond)
	enrol(expired).ok(http.StatusCreated)
}

// TestManyRedeemAtOnce: exactly one of twenty gets in.
func TestManyRedeemAtOnce(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	code := f.invite(map[string]any{})
	statuses := make([]int, 20)
	var work sync.WaitGroup
	for i := range statuses {
		work.Go(func() {
			statuses[i] = f.nobody("").post("/v1/devices/enrol", enrolling(code, map[string]any{"name": "Papa"})).status
		})
	}
	work.Wait()
	counts := map[int]int{}
	for _, status := range statuses {
		counts[status]++
	}
	assert.Equal(t, map[int]int{http.StatusCreated: 1, http.StatusUnprocessableEntity: 19}, counts)
	household := f.clinician.get("/v1/households/" + f.household).ok(http.StatusOK)
	require.Len(t, household.list("caregivers"), 1)
	assert.Len(t, household.list("caregivers", 0, "devices"), 1)
}

// TestWhoAnInviteIsFor: an id counts only where the invite names it.
func TestWhoAnInviteIsFor(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	mama, papa := f.newPhone("Mama"), f.newPhone("Papa")
	post := func(code string, caregiver map[string]any) reply {
		return f.nobody("").post("/v1/devices/enrol", enrolling(code, caregiver))
	}
	open, mamas := f.invite(map[string]any{}), f.invite(map[string]any{"caregiver_id": mama.caregiver})
	for _, id := range []string{mama.caregiver, papa.caregiver, uuid.NewString()} {
		post(open, map[string]any{"id": id, "name": "Mama"}).refused(http.StatusUnprocessableEntity, "invalid-input", "/caregiver/id")
	}
	post(mamas, map[string]any{"id": papa.caregiver, "name": "Papa"}).refused(http.StatusUnprocessableEntity, "invalid-input", "/caregiver/id")
	// None of that has spent them. Named or not, it is mama's invite.
	assert.Equal(t, mama.caregiver, post(mamas, map[string]any{"name": "Mum"}).ok(http.StatusCreated).text("caregiver_id"))
	further := f.invite(map[string]any{"caregiver_id": mama.caregiver})
	assert.Equal(t, mama.caregiver, post(further, map[string]any{"id": mama.caregiver, "name": "Mum"}).ok(http.StatusCreated).text("caregiver_id"))
	gran := post(open, map[string]any{"name": "Gran"}).ok(http.StatusCreated).text("caregiver_id")
	assert.NotContains(t, []string{mama.caregiver, papa.caregiver}, gran)

	stranger := f.site.newFamily("Stoat").newPhone("Aunt")
	f.clinician.post("/v1/households/"+f.household+"/invites", map[string]any{"caregiver_id": stranger.caregiver}).
		refused(http.StatusUnprocessableEntity, "invalid-input", "/caregiver_id")
}
