package api_test

import (
	"context"
	"fmt"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/clinic"
	"swallowtail/internal/fault"
)

func enrolling(code string, caregiver map[string]any) map[string]any {
	return map[string]any{"invite_code": code, "caregiver": caregiver, "device": map[string]any{"name": "the blue phone", "platform": "android"}}
}

func TestInvite(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	r := f.clinician.post("/v1/households/"+f.household+"/invites", map[string]any{}).ok(http.StatusCreated)
	assert.ElementsMatch(t, []string{"invite_code", "short_code", "link", "qr_text", "expires_at"}, keys(r.doc()))
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
	f.clock.advance(clinic.DefaultInviteWindow)
	used := enrol(code).refused(http.StatusUnprocessableEntity, "invite-refused", "/invite_code")
	for _, other := range []string{expired, "", secret, code[:len(code)-1] + "Z", repeated("7", 26), repeated("7", 5000), code + "\x00"} {
		assert.Equal(t, string(used.body), string(enrol(other).body), "%q", other)
	}
	f.clock.advance(-time.Millisecond)
	enrol(expired).ok(http.StatusCreated)
}

// TestManyRedeemAtOnce: exactly one of twenty gets in, whichever form of the code they have.
func TestManyRedeemAtOnce(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	invite := f.clinician.post("/v1/households/"+f.household+"/invites", map[string]any{}).ok(http.StatusCreated)
	statuses := make([]int, 20)
	var work sync.WaitGroup
	for i := range statuses {
		work.Go(func() {
			code := invite.text("invite_code")
			if i%4 == 0 {
				code = invite.text("short_code")
			}
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

// TestAShortCode is typed as people type, works once in either form, and is refused as any other.
func TestAShortCode(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	f.service.InviteLink = "https://practice.example.org/enrol"
	invite := func() reply {
		return f.clinician.post("/v1/households/"+f.household+"/invites", map[string]any{}).ok(http.StatusCreated)
	}
	enrol := func(code string) reply {
		return f.nobody("").post("/v1/devices/enrol", enrolling(code, map[string]any{"name": "Papa"}))
	}
	first, second := invite(), invite()
	short := first.text("short_code")
	assert.Regexp(t, `^[0-9A-HJKMNP-TV-Z]{4}-[0-9A-HJKMNP-TV-Z]{4}-[0-9A-HJKMNP-TV-Z]{4}$`, short)
	assert.Equal(t, short[:4], second.text("short_code")[:4], "the clinic's letters")
	assert.Equal(t, "https://practice.example.org/enrol#"+first.text("invite_code"), first.text("link"))
	assert.Equal(t, first.text("link"), first.text("qr_text"))
	assert.Equal(t, f.household, enrol(" "+strings.ToLower(strings.ReplaceAll(short, "-", " "))).ok(http.StatusCreated).text("household_id"))

	used := enrol(short).refused(http.StatusUnprocessableEntity, "invite-refused", "/invite_code")
	wrong := short[:13] + map[bool]string{true: "8", false: "7"}[short[13] == '7']
	for _, other := range []string{first.text("invite_code"), wrong, "0000-0000-0000", short[:13]} {
		assert.Equal(t, string(used.body), string(enrol(other).body), "%q", other)
	}
	assert.Greater(t, len(used.text("detail")), 200, "a screen's worth of what to do")
	enrol(second.text("invite_code")).ok(http.StatusCreated)
	enrol(second.text("short_code")).refused(http.StatusUnprocessableEntity, "invite-refused", "/invite_code")
	rows := f.lead.get("/v1/audit").ok(http.StatusOK).list("rows")
	assert.Equal(t, []any{"enrolDevice", "invite-refused", f.household},
		[]any{at(t, rows[0], "did"), at(t, rows[0], "outcome"), at(t, rows[0], "household_id")}, "of a code that was good once")
	f.checked()
}

// TestGuessingAtShortCodes: who guesses waits, and so in the end do all who type a code of that clinic, a minute at most; neither
// the long codes nor those of another clinic do.
func TestGuessingAtShortCodes(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	invite := func(f *family) reply {
		return f.clinician.post("/v1/households/"+f.household+"/invites", map[string]any{}).ok(http.StatusCreated)
	}
	mine, other := invite(f), invite(f.house.newSite("south").newFamily("Stoat"))
	from := func(n int, code string) reply {
		return f.do(call{
			method: http.MethodPost, path: "/v1/devices/enrol", body: enrolling(code, map[string]any{"name": "Papa"}),
			from: netip.AddrFrom4([4]byte{192, 0, 2, byte(n)}),
		})
	}
	letters := mine.text("short_code")[:4]
	guess := func(n, i int) reply { return from(n, fmt.Sprintf("%s-%04d-%04d", letters, n, i)) }
	for i := range 11 {
		guess(1, i).refused(http.StatusUnprocessableEntity, "invite-refused", "/invite_code")
	}
	r := guess(1, 11).refused(http.StatusTooManyRequests, "too-many-codes")
	assert.Equal(t, "60", r.header.Get("Retry-After"))
	from(1, mine.text("short_code")).refused(http.StatusTooManyRequests, "too-many-codes")
	from(1, other.text("short_code")).refused(http.StatusTooManyRequests, "too-many-codes")
	for n := 2; n <= 10; n++ {
		for i := range 10 {
			guess(n, i).refused(http.StatusUnprocessableEntity, "invite-refused", "/invite_code")
		}
	}
	from(11, mine.text("short_code")).refused(http.StatusTooManyRequests, "too-many-codes")
	from(11, other.text("short_code")).ok(http.StatusCreated)
	further := invite(f)
	from(1, further.text("invite_code")).ok(http.StatusCreated)
	f.clock.advance(time.Minute)
	from(11, mine.text("short_code")).ok(http.StatusCreated)
}

// TestAClinicsWindow: how long invites can be redeemed is the clinic's to say.
func TestAClinicsWindow(t *testing.T) {
	t.Parallel()
	f := newHouse(t).newSite("north").newFamily("Otter")
	before := f.invite(map[string]any{})
	_, err := f.service.SetClinic(t.Context(), f.id, func(s *clinic.ClinicSettings) { s.InviteWindow = time.Hour }, f.clock.now())
	require.NoError(t, err)
	invite := f.clinician.post("/v1/households/"+f.household+"/invites", map[string]any{}).ok(http.StatusCreated)
	assert.Equal(t, start.Add(time.Hour).Format(time.RFC3339), invite.text("expires_at"))
	assert.Nil(t, invite.at("link"), "no address is configured")
	assert.Equal(t, invite.text("invite_code"), invite.text("qr_text"))
	f.clock.advance(time.Hour)
	f.nobody("").post("/v1/devices/enrol", enrolling(invite.text("short_code"), map[string]any{"name": "Papa"})).
		refused(http.StatusUnprocessableEntity, "invite-refused", "/invite_code")
	f.nobody("").post("/v1/devices/enrol", enrolling(before, map[string]any{"name": "Papa"})).ok(http.StatusCreated)
	for _, wrong := range []time.Duration{time.Minute, 31 * 24 * time.Hour, -1} {
		_, err := f.service.SetClinic(t.Context(), f.id, func(s *clinic.ClinicSettings) { s.InviteWindow = wrong }, f.clock.now())
		assert.Equal(t, fault.Invalid, fault.KindOf(err), wrong)
	}
}
