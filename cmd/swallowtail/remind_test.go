package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/mail"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-ical"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
	"swallowtail/internal/channel/channeltest"
)

// reminding is a server with a family who will be reminded in an hour or two, and a mail server.
type reminding struct {
	t         *testing.T
	base      string
	clinician client.API
	scheduler string
	phones    []client.EnrolledDevice
	learner   string
	enrolment string
	zone      string
	mail      *channeltest.Server
}

// eveningZone returns a zone in which it is now between 18:00 and 19:00, and so no quiet hour for two hours.
func eveningZone(now time.Time) string {
	ahead := 18 - now.UTC().Hour() // of UTC
	if ahead < -11 {
		ahead += 24
	}
	if ahead > 12 {
		ahead -= 24
	}
	if ahead == 0 {
		return "Etc/UTC"
	}
	return fmt.Sprintf("Etc/GMT%+d", -ahead) // whose names have the sign the other way round
}

func newReminding(t *testing.T) *reminding {
	t.Helper()
	db := filepath.Join(t.TempDir(), "practice.db")
	r := &reminding{t: t, base: startServe(t, db, nil).base, mail: channeltest.Start(t, channeltest.Options{}), zone: eveningZone(time.Now())}
	clinic := addClinicBeside(t, db)
	r.scheduler = execute(t, "token", "issue", "--db", db, "--role", "scheduler", "--clinic", clinic, "--ttl", "1h").made(t, "token")
	r.clinician = signIn(t, r.base, clinicEmail)
	household := addHousehold(t, r.clinician, "The two homes")
	home, err := time.LoadLocation(r.zone)
	require.NoError(t, err)
	r.learner, r.enrolment = addLearner(t, r.clinician, household, "Otter", "2019-05", client.NewEnrolment{
		FirstNight: time.Now().In(home).Format(time.DateOnly), Timezone: r.zone, ReminderTime: "20:00",
	})
	for _, name := range []string{"Mum", "Dad"} {
		r.phones = append(r.phones, enrolPhone(t, r.clinician, household, "", name, "phone"))
	}
	return r
}

// itIsTime moves the reminder to an hour that has just passed.
func (r *reminding) itIsTime() {
	r.t.Helper()
	r.ask(r.phones[1].Access, "POST", "/v1/enrolments/"+r.enrolment+"/reminder-time", map[string]any{"reminder_time": "18:00"}, http.StatusOK)
}

// ask makes a call, and returns the answer's members, if it is an object.
func (r *reminding) ask(token, method, path string, body any, status int) map[string]any {
	r.t.Helper()
	sent, err := json.Marshal(body)
	require.NoError(r.t, err)
	if !strings.HasPrefix(path, "http") {
		path = r.base + path
	}
	request, err := http.NewRequestWithContext(r.t.Context(), method, path, bytes.NewReader(sent))
	require.NoError(r.t, err)
	request.Header.Set("Content-Type", "application/json")
	if token != "" {
		request.Header.Set("Authorization", "Bearer "+token)
	}
	answer, err := (&http.Client{Timeout: commandTime}).Do(request)
	require.NoError(r.t, err)
	text, err := io.ReadAll(answer.Body)
	require.NoError(r.t, err)
	require.NoError(r.t, answer.Body.Close())
	require.Equal(r.t, status, answer.StatusCode, "%s %s: %s", method, path, text)
	var members map[string]any
	if len(text) > 0 && text[0] == '{' {
		require.NoError(r.t, json.Unmarshal(text, &members))
	}
	return members
}

// send runs the scheduler once, and returns what it says it did.
func (r *reminding) send(flags ...string) remindTally {
	r.t.Helper()
	var done remindTally
	require.NoError(r.t, json.Unmarshal([]byte(execute(r.t, append(r.args("--once"), flags...)...).out), &done))
	return done
}

func (r *reminding) args(flags ...string) []string {
	return append([]string{
		"remind", "--server", r.base, "--token", r.scheduler, "--smtp-host", r.mail.Host, "--smtp-port", fmt.Sprint(r.mail.Port), "--smtp-tls", "none",
		"--mail-from", "Practice <practice@example.org>",
	}, flags...)
}

// read returns a message's header and its text, apart: the link in the header is random, and now and then has in it what looks
// like a code.
func (r *reminding) read(m channeltest.Message) (mail.Header, string) {
	r.t.Helper()
	parsed, err := mail.ReadMessage(bytes.NewReader(m.Data))
	require.NoError(r.t, err)
	text, err := io.ReadAll(parsed.Body)
	require.NoError(r.t, err)
	return parsed.Header, string(text)
}

var addressCode = regexp.MustCompile(`\b[0-9A-Z]{4}-[0-9A-Z]{4}\b`)

// address adds an address of a phone's caregiver, verified by the code that is sent there.
func (r *reminding) address(phone client.EnrolledDevice, to string) string {
	r.t.Helper()
	before := len(r.mail.Messages(r.t))
	id := r.ask(phone.Access, "POST", "/v1/reminder-addresses", map[string]any{"channel": "email", "to": to}, http.StatusCreated)["id"].(string)
	assert.Equal(r.t, 1, r.send().Sent)
	messages := r.mail.Messages(r.t)
	require.Len(r.t, messages, before+1)
	_, text := r.read(messages[before])
	code := addressCode.FindString(text)
	require.NotEmpty(r.t, code, text)
	verified := r.ask(phone.Access, "POST", "/v1/reminder-addresses/"+id+"/verify", map[string]any{"code": code}, http.StatusOK)
	assert.NotEmpty(r.t, verified["verified_at"])
	return id
}

// TestAReminderReachesAFamilyOnce: the scheduler and the mail server are real, and so is the time.
func TestAReminderReachesAFamilyOnce(t *testing.T) {
	t.Parallel()
	r := newReminding(t)
	mums := r.address(r.phones[0], "mum@example.org")
	r.ask(r.phones[1].Access, "POST", "/v1/reminder-addresses", map[string]any{"channel": "email", "to": "dad@example.org"}, http.StatusCreated)

	r.itIsTime()
	listed := execute(t, r.args("--dry-run")...).out
	assert.Equal(t, 1, strings.Count(listed, `"kind":"tonight"`))
	assert.Equal(t, remindTally{Claimed: 2, Sent: 2}, r.send(), "mum's reminder, and dad's code")
	assert.Equal(t, remindTally{}, r.send(), "once")
	messages := r.mail.Messages(t)
	require.Len(t, messages, 3)
	i := 1
	if messages[1].To[0] != "mum@example.org" { // the two are sent at the same time
		i = 2
	}
	header, text := r.read(messages[i])
	assert.Equal(t, "practice@example.org", messages[i].From)
	assert.Equal(t, []string{"mum@example.org"}, messages[i].To)
	assert.Equal(t, "Practice time", header.Get("Subject"))
	assert.Equal(t, "List-Unsubscribe=One-Click", header.Get("List-Unsubscribe-Post"))
	assert.Contains(t, text, "It is practice time.")

	out := strings.Trim(header.Get("List-Unsubscribe"), "<>")
	assert.True(t, strings.HasPrefix(out, r.base+"/v1/unsubscribe/"), out)
	r.oneClick(out)
	r.oneClick(out)
	r.ask(r.phones[0].Access, "POST", "/v1/reminder-addresses/"+mums+"/remove", nil, http.StatusNotFound)
}

// oneClick does as a mail program does (RFC 8058, section 3.2).
func (r *reminding) oneClick(address string) {
	r.t.Helper()
	request, err := http.NewRequestWithContext(r.t.Context(), http.MethodPost, address, strings.NewReader("List-Unsubscribe=One-Click"))
	require.NoError(r.t, err)
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	answer, err := (&http.Client{Timeout: commandTime}).Do(request)
	require.NoError(r.t, err)
	require.NoError(r.t, answer.Body.Close())
	assert.Equal(r.t, http.StatusOK, answer.StatusCode)
}

// TestAnAddressThatWillNeverTakeAnything is used no more, and its owner sees so.
func TestAnAddressThatWillNeverTakeAnything(t *testing.T) {
	t.Parallel()
	r := newReminding(t)
	r.address(r.phones[0], "mum@example.org")
	r.ask(r.phones[1].Access, "POST", "/v1/reminder-addresses", map[string]any{"channel": "email", "to": "rcpt-550-5.1.1@example.org"}, http.StatusCreated)
	r.itIsTime()
	assert.Equal(t, remindTally{Claimed: 2, Sent: 1, Failed: 1}, r.send(), "the code is refused, the reminder is not")
	addresses := r.ask(r.phones[1].Access, "GET", "/v1/reminder-addresses", nil, http.StatusOK)["addresses"].([]any)
	assert.NotEmpty(t, addresses[0].(map[string]any)["failing_since"])
	assert.Empty(t, r.followUps(), "a code that is refused is the caregiver's to see")
}

// TestNobodyToSendTo: a reminder that has nowhere to go is seen to, so that it keeps nobody else's waiting.
func TestNobodyToSendTo(t *testing.T) {
	t.Parallel()
	r := newReminding(t)
	r.itIsTime()
	assert.Equal(t, remindTally{Claimed: 1, Skipped: 1}, r.send())
	assert.Equal(t, remindTally{}, r.send())
}

func (r *reminding) followUps() []any {
	r.t.Helper()
	return r.ask(r.clinician.Token, "GET", "/v1/follow-ups", nil, http.StatusOK)["follow_ups"].([]any)
}

// TestTheSchedulerRunsAndStops: it looks again by itself, serves its figures, and ends when told to.
func TestTheSchedulerRunsAndStops(t *testing.T) {
	t.Parallel()
	r := newReminding(t)
	r.ask(r.phones[0].Access, "POST", "/v1/reminder-addresses", map[string]any{"channel": "email", "to": "mum@example.org"}, http.StatusCreated)
	token := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(token, []byte(r.scheduler+"\n"), 0o600))
	ctx, stop := context.WithCancel(t.Context())
	said := &lockedBuffer{}
	ended := make(chan error, 1)
	go func() {
		args := r.args("--token", "@"+token, "--interval", "20ms", "--admin-addr", "127.0.0.1:0")
		ended <- run(ctx, args, func(string) string { return "" }, streams{in: strings.NewReader(""), out: io.Discard, err: said})
	}()
	require.Eventually(t, func() bool { return len(r.mail.Messages(t)) == 1 }, commandTime, 20*time.Millisecond, said)
	admin := regexp.MustCompile(`at=(127\.0\.0\.1:\d+)`).FindStringSubmatch(said.String())
	require.Len(t, admin, 2, said)
	figures := func() string {
		answer, err := http.Get("http://" + admin[1] + "/metrics") //nolint:noctx // a test's own
		require.NoError(t, err)
		text, err := io.ReadAll(answer.Body)
		require.NoError(t, err)
		require.NoError(t, answer.Body.Close())
		return string(text)
	}
	require.Eventually(t, func() bool {
		return strings.Contains(figures(), `swallowtail_reminders_total{kind="verification",outcome="sent"} 1`)
	}, commandTime, 20*time.Millisecond)
	assert.Contains(t, figures(), "swallowtail_reminder_round_timestamp_seconds")
	stop()
	select {
	case err := <-ended:
		require.NoError(t, err)
	case <-time.After(stopTime):
		require.FailNow(t, "the scheduler does not end")
	}
	assert.NotContains(t, said.String(), "mum@")
}

// TestACalendarOfPracticeTimes moves with the reminder time, and ends when it is revoked.
func TestACalendarOfPracticeTimes(t *testing.T) {
	t.Parallel()
	r := newReminding(t)
	feed := r.ask(r.phones[0].Access, "POST", "/v1/calendar-feeds", map[string]any{}, http.StatusCreated)
	read := func(status int) string {
		answer, err := http.Get(feed["url"].(string)) //nolint:noctx // a test's own
		require.NoError(t, err)
		text, err := io.ReadAll(answer.Body)
		require.NoError(t, err)
		require.NoError(t, answer.Body.Close())
		require.Equal(t, status, answer.StatusCode)
		return string(text)
	}
	before := readFeed(t, read(http.StatusOK))
	require.Len(t, before, 14)
	r.itIsTime()
	after := readFeed(t, read(http.StatusOK))
	require.Len(t, after, 14)
	for uid, at := range before {
		assert.Equal(t, at.Add(-2*time.Hour), after[uid], "the same event, at another time")
	}
	r.ask(r.phones[1].Access, "POST", "/v1/calendar-feeds/"+feed["id"].(string)+"/revoke", nil, http.StatusNotFound)
	r.ask(r.phones[0].Access, "POST", "/v1/calendar-feeds/"+feed["id"].(string)+"/revoke", nil, http.StatusNoContent)
	read(http.StatusNotFound)
}

// readFeed reads a calendar with a library that had no part in writing it, and returns when each event is.
func readFeed(t *testing.T, text string) map[string]time.Time {
	t.Helper()
	parsed, err := ical.NewDecoder(strings.NewReader(text)).Decode()
	require.NoError(t, err)
	events := map[string]time.Time{}
	for _, event := range parsed.Events() {
		uid, err := event.Props.Text(ical.PropUID)
		require.NoError(t, err)
		at, err := event.DateTimeStart(time.UTC)
		require.NoError(t, err)
		summary, err := event.Props.Text(ical.PropSummary)
		require.NoError(t, err)
		assert.Equal(t, "Practice time", summary)
		events[uid] = at
	}
	return events
}
