package api_test

import (
	"bytes"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api"
)

// TestAnAddressWhole follows an address from when it is added to when it is removed, to the letter.
func TestAnAddressWhole(t *testing.T) {
	t.Parallel()
	f, mama, papa := newTwoPhones(t)
	r := mama.post("/v1/reminder-addresses", map[string]any{"channel": "email", "to": "Mama@Example.org"}).ok(http.StatusCreated)
	id := r.text("id")
	whole := func(wanted, verified, asked string) string {
		return `{"id":"` + id + `","channel":"email","to":"mama@example.org",` + wanted + `,"created_at":"2027-03-01T22:00:00Z",
			"verified_at":` + verified + `,"failing_since":null,"code_asked_at":` + asked + `}`
	}
	const all = `"kinds":["tonight","missed"],"weekdays":[1,2,3,4,5,6,7],"quiet_hours":null`
	assert.JSONEq(t, whole(all, "null", `"2027-03-01T22:00:00Z"`), string(r.body))
	path := "/v1/reminder-addresses/" + id
	first := f.codes()[id]
	f.clock.advance(time.Minute)
	r = mama.post(path+"/code", nil).ok(http.StatusOK)
	assert.JSONEq(t, whole(all, "null", `"2027-03-01T22:01:00Z"`), string(r.body))
	verify := func(code string) reply { return mama.post(path+"/verify", map[string]any{"code": code}) }
	verify(first).refused(http.StatusUnprocessableEntity, "code-refused", "/code")
	r = verify(strings.ToLower(strings.ReplaceAll(f.codes()[id], "-", " "))).ok(http.StatusOK)
	assert.JSONEq(t, whole(all, `"2027-03-01T22:01:00Z"`, "null"), string(r.body))

	some := map[string]any{"kinds": []any{"missed"}, "weekdays": []any{1, 5}, "quiet_hours": map[string]any{"from": "18:00", "until": "09:00", "timezone": halifax}}
	r = mama.post(path+"/wanted", some).ok(http.StatusOK)
	chosen := whole(`"kinds":["missed"],"weekdays":[1,5],"quiet_hours":{"from":"18:00","until":"09:00","timezone":"America/Halifax"}`, `"2027-03-01T22:01:00Z"`, "null")
	assert.JSONEq(t, chosen, string(r.body))
	assert.JSONEq(t, `{"addresses":[`+chosen+`]}`, string(mama.get("/v1/reminder-addresses").ok(http.StatusOK).body))
	r = mama.post(path+"/wanted", map[string]any{"kinds": []any{}, "weekdays": []any{}, "quiet_hours": nil}).ok(http.StatusOK)
	assert.JSONEq(t, whole(`"kinds":[],"weekdays":[],"quiet_hours":null`, `"2027-03-01T22:01:00Z"`, "null"), string(r.body), "nothing is not all")
	r = mama.post(path+"/wanted", map[string]any{}).ok(http.StatusOK)
	assert.JSONEq(t, whole(all, `"2027-03-01T22:01:00Z"`, "null"), string(r.body))

	assert.JSONEq(t, `{"addresses":[]}`, string(papa.get("/v1/reminder-addresses").ok(http.StatusOK).body), "it is hers alone")
	assert.Empty(t, mama.post(path+"/remove", nil).ok(http.StatusNoContent).body)
	mama.post(path+"/remove", nil).refused(http.StatusNotFound, "not-found")
	assert.JSONEq(t, `{"addresses":[]}`, string(mama.get("/v1/reminder-addresses").ok(http.StatusOK).body))
	f.checked()
}

// wayOut returns where the messages to an address that is verified now can be ended.
func wayOut(t testing.TB) (f *family, mama *phone, path string) {
	t.Helper()
	f, mama, _ = newDue(t)
	return f, mama, pathOf(t, at(t, f.claimed(), 0, "destinations", 0, "unsubscribe_url"))
}

// form posts a body of a media type as nobody.
func (h *house) form(path, kind string, body any) reply {
	h.t.Helper()
	c := call{method: http.MethodPost, path: path, body: body}
	if body != nil {
		c.header = map[string]string{"Content-Type": kind}
	}
	return h.do(c)
}

// TestAWayOutByOneClick: what follows links changes nothing, whatever it follows; a click ends the messages, and so does every
// further one.
func TestAWayOutByOneClick(t *testing.T) {
	t.Parallel()
	f, mama, path := wayOut(t)
	addresses := func() int { return len(mama.get("/v1/reminder-addresses").ok(http.StatusOK).list("addresses")) }
	page := f.nobody("").get(path).ok(http.StatusOK)
	assert.Contains(t, string(page.body), "Stop these messages?")
	assert.Contains(t, string(page.body), `<form method="post">`)
	assert.NotContains(t, string(page.body), "<script")
	assert.NotContains(t, string(page.body), "http")
	assert.Equal(t, page.body, f.nobody("").get("/v1/unsubscribe/"+secret).ok(http.StatusOK).body, "it tells nobody which are ours")
	assert.Equal(t, 1, addresses(), "it was only looked at")

	for _, no := range []string{secret, path[len("/v1/unsubscribe/"):] + "A", repeated("A", 43), repeated("A", 600)} {
		f.form("/v1/unsubscribe/"+no, "", nil).refused(http.StatusNotFound, "not-found")
	}
	const click = "List-Unsubscribe=One-Click"
	many := "--b\r\nContent-Disposition: form-data; name=\"List-Unsubscribe\"\r\n\r\nOne-Click\r\n--b--\r\n"
	f.form(path, "application/json", `{"List-Unsubscribe":"One-Click"}`).refused(http.StatusUnsupportedMediaType, "unsupported-media-type")
	f.form(path, "text/plain", click).refused(http.StatusUnsupportedMediaType, "unsupported-media-type")
	large := f.form(path, "application/x-www-form-urlencoded", repeated("x", 4097)).refused(http.StatusRequestEntityTooLarge, "too-large")
	assert.Equal(t, map[string]any{"bytes": 4096.0}, large.at("limits"))
	assert.Equal(t, 1, addresses(), "what is refused ends nothing")

	var told []byte
	for _, test := range []struct {
		kind string
		body any
	}{
		{"application/x-www-form-urlencoded", click},
		{"application/x-www-form-urlencoded; charset=utf-8", "whatever=else&" + repeated("x", 4000)},
		{"application/x-www-form-urlencoded", "%zz;;=&&"}, // nothing is read of it
		{`multipart/form-data; boundary="b"`, many},
		{"multipart/form-data", many}, // without its boundary
		{"multipart/form-data", ""},
		{"", nil},
	} {
		r := f.form(path, test.kind, test.body).ok(http.StatusOK)
		assert.Equal(t, "text/html; charset=utf-8", r.header.Get("Content-Type"))
		assert.Contains(t, string(r.body), "You will get no more of these.")
		assert.NotContains(t, string(r.body), "<form")
		if told != nil {
			assert.Equal(t, told, r.body, "the same each time")
		}
		told = r.body
		assert.Zero(t, addresses())
	}
	assert.Equal(t, page.body, f.nobody("").get(path).ok(http.StatusOK).body)
	f.checked()
}

// TestTheWayOutIsForNobodyElse: no page of another origin is let in, not even one that may call all else, and nothing is kept of
// whoever comes.
func TestTheWayOutIsForNobodyElse(t *testing.T) {
	t.Parallel()
	f, mama, path := wayOut(t)
	_, calendar := mama.fed()
	f.edged(api.Config{Origins: []string{home}})
	from := map[string]string{"Origin": home}
	for _, c := range []call{
		{method: http.MethodGet, path: path, header: from},
		{method: http.MethodPost, path: path, header: from},
		{method: http.MethodGet, path: calendar, header: from},
	} {
		h := f.do(c).ok(http.StatusOK).header
		assert.Empty(t, h.Values("Access-Control-Allow-Origin"))
		assert.Empty(t, h.Values("Set-Cookie"))
		assert.Empty(t, f.preflight(home, c.method, c.path).Header().Values("Access-Control-Allow-Origin"))
	}
	assert.Equal(t, home, f.do(call{method: http.MethodGet, path: "/healthz", header: from}).header.Get("Access-Control-Allow-Origin"))
}

// TestSecretsInAddressesAreToldNowhere calls addresses that hold a secret in right and in wrong ways, and looks for it in the log
// and in the answers.
func TestSecretsInAddressesAreToldNowhere(t *testing.T) {
	t.Parallel()
	f, mama, out := wayOut(t)
	id, calendar := mama.fed()
	log := &written{}
	f.edged(api.Config{Log: slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	secrets := []string{out[len("/v1/unsubscribe/"):], strings.TrimSuffix(calendar[len("/v1/calendars/"):], ".ics")}
	f.do(call{method: http.MethodGet, path: calendar}).ok(http.StatusOK)
	f.do(call{method: http.MethodPost, path: out}).ok(http.StatusOK)
	mama.post("/v1/calendar-feeds/"+id+"/revoke", nil).ok(http.StatusNoContent)
	for _, c := range []call{
		{method: http.MethodGet, path: calendar},
		{method: http.MethodPut, path: calendar, elsewhere: true},
		{method: http.MethodDelete, path: out, elsewhere: true},
		{method: http.MethodGet, path: calendar + "/x", elsewhere: true},
		{method: http.MethodGet, path: out + "/", elsewhere: true},
		{method: http.MethodGet, path: strings.Replace(calendar, "calendars", "%63alendars", 1), elsewhere: true},
		{method: http.MethodGet, path: calendar + "%2f..", elsewhere: true},
		{method: http.MethodPost, path: out, body: "{}", elsewhere: true},
	} {
		r := f.do(c)
		require.GreaterOrEqual(t, r.status, http.StatusBadRequest, "%s %s", c.method, c.path)
		assert.Contains(t, []string{"/v1/calendars", "/v1/unsubscribe"}, r.text("instance"))
		for _, secret := range secrets {
			assert.False(t, bytes.Contains(bytes.ToLower(r.body), []byte(strings.ToLower(secret))), "%s", r.body)
		}
	}
	assert.Contains(t, log.String(), "route=/v1/calendars/:secret")
	for _, secret := range secrets {
		assert.NotContains(t, strings.ToLower(log.String()), strings.ToLower(secret))
	}
}
