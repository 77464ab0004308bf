package api_test

import (
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

// carried is a phone as the client keeps it: what is on its disk outlives every enrolment.
type carried struct {
	*family
	t      *testing.T
	caller client.API
	disk   *client.MemoryDisk
}

func newCarried(t *testing.T) *carried {
	t.Helper()
	f := newHouse(t).newSite("north").newFamily("Otter")
	f.enrol("2027-03-01")
	server := httptest.NewServer(f.handler)
	t.Cleanup(server.Close)
	return &carried{
		family: f, t: t, caller: client.API{Base: server.URL, HTTP: server.Client()}, disk: &client.MemoryDisk{},
	}
}

// enrolled lets the phone in, of a caregiver where one is named, and returns it as it then works.
func (c *carried) enrolled(caregiver string) (*client.Device, client.EnrolledDevice) {
	c.t.Helper()
	request := map[string]any{}
	if caregiver != "" {
		request["caregiver_id"] = caregiver
	}
	e, err := c.caller.EnrolDevice(c.t.Context(), client.DeviceEnrolment{
		InviteCode: c.family.invite(request), Caregiver: client.DeviceCaregiver{Name: "Gran"},
		Device: client.DeviceKind{Name: "phone", Platform: "android"},
	})
	require.NoError(c.t, err)
	tokens, err := client.OpenTokens(&client.MemoryTokens{Pair: e.Pair}, c.caller.Refresh)
	require.NoError(c.t, err)
	device, err := client.Open(client.Config{
		Writer: e.Writer(), Disk: c.disk, Now: c.clock.now, NewID: func() string { return c.madeIDs.next().String() },
		Transport: client.HTTPTransport{Base: c.caller.Base, HTTP: c.caller.HTTP, Tokens: tokens},
	})
	require.NoError(c.t, err)
	return device, e
}

// fortnight records fourteen evenings without a signal.
func (c *carried) fortnight(d *client.Device) {
	c.t.Helper()
	for range 14 {
		evening := client.Evening{Learner: c.learner, PractisedAt: c.clock.now(), Timezone: halifax}
		for _, position := range []string{"centre", "right", "left", "up", "down"} {
			evening.Tries = append(evening.Tries, client.Try{Position: position, Outcome: "swallowed", Ease: 4})
		}
		_, err := d.RecordEvening(evening)
		require.NoError(c.t, err)
		c.clock.advance(24 * time.Hour)
	}
}

// complete returns how many of the planned nights are complete, and whose accounts they rest on.
func (c *carried) complete() (nights int, caregivers map[any]bool) {
	c.t.Helper()
	caregivers = map[any]bool{}
	for _, night := range c.clinician.get(c.path("nights")).ok(http.StatusOK).list("nights") {
		if at(c.t, night, "status") == "complete" {
			nights++
		}
		for _, sitting := range at(c.t, night, "sittings").([]any) {
			for _, by := range at(c.t, sitting, "caregivers").([]any) {
				caregivers[by] = true
			}
		}
	}
	return nights, caregivers
}

// TestAFortnightSurvivesExpiry: the phone was away for so long that none of its tokens is good any more. Enrolled anew for the
// same caregiver it hands in all that it holds, as theirs.
func TestAFortnightSurvivesExpiry(t *testing.T) {
	t.Parallel()
	c := newCarried(t)
	device, before := c.enrolled("")
	c.fortnight(device)
	c.clock.advance(120 * 24 * time.Hour)
	_, err := device.Sync(t.Context())
	require.ErrorContains(t, err, "refresh-refused")
	assert.Len(t, device.Outbox(), 84)

	again, after := c.enrolled(before.CaregiverID)
	assert.NotEqual(t, before.DeviceID, after.DeviceID)
	report, err := again.Sync(t.Context())
	require.NoError(t, err)
	assert.Equal(t, 84, report.Pushed)
	assert.Empty(t, again.Outbox())
	nights, caregivers := c.complete()
	assert.Equal(t, 14, nights)
	assert.Equal(t, map[any]bool{before.CaregiverID: true}, caregivers)
	c.checked()
}

// TestAFortnightSurvivesRevocation: what a revoked phone holds waits for a review, and nothing of it is lost when the caregiver
// is let in again.
func TestAFortnightSurvivesRevocation(t *testing.T) {
	t.Parallel()
	for name, handIn := range map[string]bool{"handed in while revoked": true, "handed in once let in again": false} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := newCarried(t)
			device, before := c.enrolled("")
			c.fortnight(device)
			c.clinician.post("/v1/devices/"+before.DeviceID+"/revoke", nil).ok(http.StatusNoContent)
			if handIn {
				report, err := device.Sync(t.Context())
				require.NoError(t, err)
				assert.True(t, report.UploadOnly)
			}
			again, _ := c.enrolled(before.CaregiverID)
			_, err := again.Sync(t.Context())
			require.NoError(t, err)
			assert.Empty(t, again.Outbox())
			if handIn {
				none, _ := c.complete()
				assert.Zero(t, none, "it waits for a review")
				for _, e := range again.Entries() {
					c.added(c.entry("review", map[string]any{"entry": e.Entry.ID, "take": true}))
				}
			}
			nights, caregivers := c.complete()
			assert.Equal(t, 14, nights)
			assert.Equal(t, map[any]bool{before.CaregiverID: true}, caregivers)
			c.checked()
		})
	}
}
