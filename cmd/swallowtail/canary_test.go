package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
	"swallowtail/openapi"
)

// canary returns a text that stands nowhere else, to be sent as something that nobody else is to read.
func canary(what string) string { return "kanari" + what + "vogel" }

// faultyStore fails or panics under a request when it is told to, with an error that quotes a value as those of the standard
// library do.
type faultyStore struct {
	clinic.Store
	fails, panics atomic.Bool
}

func (f *faultyStore) Read(ctx context.Context, fn func(ctx context.Context, view clinic.View) error) error {
	if err := f.fault(ctx); err != nil {
		return err
	}
	return f.Store.Read(ctx, fn)
}

func (f *faultyStore) TokenFamily(ctx context.Context, family uuid.UUID) (clinic.TokenFamily, error) {
	if err := f.fault(ctx); err != nil {
		return clinic.TokenFamily{}, err
	}
	return f.Store.TokenFamily(ctx, family)
}

func (f *faultyStore) fault(ctx context.Context) error {
	switch asked := access.OriginFrom(ctx).IsValid(); {
	case asked && f.fails.Load():
		_, err := strconv.Atoi(canary("Value"))
		return fmt.Errorf("read a column: %w", err)
	case asked && f.panics.Load():
		panic(canary("Panic"))
	}
	return nil
}

// aviary is a running server whose callers send canaries wherever anything can be sent.
type aviary struct {
	t      *testing.T
	server *serving
	store  *faultyStore
	client *http.Client

	mu       sync.Mutex
	problems []string
	statuses map[int]int
}

func newAviary(t *testing.T, db string) *aviary {
	t.Helper()
	a := &aviary{t: t, store: &faultyStore{}, client: &http.Client{Timeout: commandTime}, statuses: map[int]int{}}
	a.server = startServing(t, func(ctx context.Context, s streams) error {
		h, err := openHouse(ctx, db, logger(s, slog.LevelDebug), time.Now)
		if err != nil {
			return err
		}
		defer func() { assert.NoError(t, h.close()) }()
		a.store.Store = h.service.Store
		h.service.Store = a.store
		h.edges = edges{admin: "127.0.0.1:0"}
		return h.listen(ctx, "127.0.0.1:0", time.Now, func(address string) error {
			_, err := fmt.Fprintf(s.out, "Swallowtail serves at http://%s\n", address)
			return err
		})
	})
	t.Cleanup(a.client.CloseIdleConnections)
	return a
}

// send makes a call, keeps the problem if that is what comes back, and returns the document that does.
func (a *aviary) send(method, path, token string, body any) map[string]any {
	var sent []byte
	switch b := body.(type) {
	case nil:
	case string:
		sent = []byte(b)
	default:
		var err error
		sent, err = json.Marshal(b)
		require.NoError(a.t, err)
	}
	ctx, cancel := context.WithTimeout(a.t.Context(), commandTime)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, method, a.server.base+path, bytes.NewReader(sent))
	require.NoError(a.t, err)
	request.Header.Set("Content-Type", "application/json")
	request.Header.Set("User-Agent", canary("Agent"))
	if token != "" {
		request.Header.Set("Authorization", "Bearer "+token)
	}
	answer, err := a.client.Do(request)
	if err != nil {
		return nil // a stream, or a call that was broken off
	}
	defer answer.Body.Close()
	if answer.Header.Get("Content-Type") == "text/event-stream" {
		cancel()
		return nil
	}
	said, err := io.ReadAll(answer.Body)
	require.NoError(a.t, err)
	var document map[string]any
	_ = json.Unmarshal(said, &document) // not everything is JSON
	a.mu.Lock()
	defer a.mu.Unlock()
	a.statuses[answer.StatusCode]++
	if answer.StatusCode >= http.StatusBadRequest {
		// For whoever called, the path stands in it, and where in their own body something is wrong.
		delete(document, "instance")
		if places, is := document["errors"].([]any); is {
			for _, place := range places {
				delete(place.(map[string]any), "pointer")
			}
		}
		told, err := json.Marshal(document)
		require.NoError(a.t, err)
		a.problems = append(a.problems, string(told))
	}
	return document
}

// text returns a member of a document that must be there.
func (a *aviary) text(document map[string]any, name string) string {
	a.t.Helper()
	text, is := document[name].(string)
	require.True(a.t, is, "%q in %v", name, document)
	return text
}

var parameter = regexp.MustCompile(`\{[a-z_]+\}`)

// everyOperation calls each operation with canaries in path, query and body, as everybody named.
func (a *aviary) everyOperation(tokens map[string]string, ids []string) {
	converted, err := openapi.JSON()
	require.NoError(a.t, err)
	var doc struct {
		Paths map[string]map[string]struct{} `json:"paths"`
	}
	require.NoError(a.t, json.Unmarshal(converted, &doc))
	require.NotEmpty(a.t, doc.Paths)
	bodies := []any{
		nil, canary("Raw"), `{"` + canary("Member") + `":"` + canary("Text") + `"}`, `{"entries":[{"` + canary("Member") + `":"` + canary("Text") + `"}]}`,
		map[string]any{"email": canary("Mail") + "@example.org", "password": canary("Password"), "otp": canary("Code")},
		map[string]any{"refresh_token": canary("Refresh")},
		map[string]any{"name": canary("Plan"), "label": canary("Label"), "status": canary("Status")},
	}
	for _, path := range slices.Sorted(maps.Keys(doc.Paths)) {
		for method := range doc.Paths[path] {
			if strings.HasSuffix(path, "/stream") {
				continue
			}
			for _, who := range slices.Sorted(maps.Keys(tokens)) {
				for i, id := range append([]string{canary("Path")}, ids...) {
					at := parameter.ReplaceAllString(path, id) + "?cursor=" + canary("Query") + "&" + canary("Name") + "=1&limit=" + canary("Limit")
					if strings.ToUpper(method) == http.MethodGet {
						a.send(http.MethodGet, at, tokens[who], nil)
						continue
					}
					a.send(http.MethodPost, at, tokens[who], bodies[i%len(bodies)])
				}
				for _, body := range bodies {
					if strings.ToUpper(method) == http.MethodPost && (who == "clinician" || who == "device" || tokens[who] == "") {
						a.send(http.MethodPost, parameter.ReplaceAllString(path, ids[0]), tokens[who], body)
					}
				}
			}
		}
	}
	a.send(http.MethodGet, "/"+canary("Path")+"?"+canary("Query"), "", nil)
	a.send(strings.ToUpper(canary("Method")), "/healthz", canary("Token"), nil)
}

// seen returns all that tells of the server beside its answers: log, metrics, problems, profiles and a trace.
func (a *aviary) seen(meanwhile func()) map[string]string {
	inside := a.server.adminBase(a.t)
	seen := map[string]string{}
	var busy sync.WaitGroup
	busy.Go(meanwhile)
	for _, path := range []string{
		"/debug/pprof/trace?seconds=0.3", "/debug/pprof/goroutine?debug=2", "/debug/pprof/goroutine?debug=1", "/debug/pprof/heap?debug=1",
		"/debug/pprof/mutex?debug=1", "/debug/pprof/cmdline", "/metrics",
	} {
		answer, said := ask(a.t, a.client, inside+path)
		require.Equal(a.t, http.StatusOK, answer.StatusCode, path)
		require.NotEmpty(a.t, said, path)
		seen[path] = said
	}
	busy.Wait()
	_, seen["/metrics"] = ask(a.t, a.client, inside+"/metrics")
	seen["the log"] = a.server.said.String()
	seen["problems"] = strings.Join(a.problems, "\n")
	return seen
}

// TestCanaries sends canaries as everything that is nobody's business, lets every operation succeed or fail, and the store fail
// and panic. None is to be seen from outside but in the answers that are due.
func TestCanaries(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	a := newAviary(t, db)
	site := execute(t, "clinic", "add", "--db", db, "--name", canary("Clinic"), "--timezone", "Etc/UTC", "--second-factor", "none").made(t, "id")
	email, password := strings.ToLower(canary("Mail"))+"@example.org", canary("Password")+" and so on"
	invocation{stdin: password + "\n", args: []string{
		"clinician", "add", "--db", db, "--clinic", site, "--email", email, "--name", canary("Clinician"), "--password-stdin",
	}}.execute(t).made(t, "id")

	credentials := map[string]any{"email": email, "password": password}
	a.send(http.MethodPost, "/v1/auth/sign-in", "", map[string]any{"email": email, "password": canary("Wrong")})
	signedIn := a.send(http.MethodPost, "/v1/auth/sign-in", "", credentials)
	clinician, refresh := a.text(signedIn, "access_token"), a.text(signedIn, "refresh_token")
	household := a.text(a.send(http.MethodPost, "/v1/households", clinician, map[string]any{"label": canary("Label")}), "id")
	learner := a.text(a.send(http.MethodPost, "/v1/households/"+household+"/learners", clinician, map[string]any{"nickname": canary("Nick")}), "id")
	a.send(http.MethodPost, "/v1/plans", clinician, map[string]any{"name": canary("Plan")})
	code := a.text(a.send(http.MethodPost, "/v1/households/"+household+"/invites", clinician, map[string]any{}), "invite_code")
	enrolment := map[string]any{
		"invite_code": code, "caregiver": map[string]any{"name": canary("Caregiver")},
		"device": map[string]any{"name": canary("Device"), "platform": canary("Platform")},
	}
	enrolled := a.send(http.MethodPost, "/v1/devices/enrol", "", enrolment)
	device, deviceRefresh := a.text(enrolled, "access_token"), a.text(enrolled, "refresh_token")
	a.send(http.MethodPost, "/v1/devices/enrol", "", enrolment) // used up
	scheduler := execute(t, "token", "issue", "--db", db, "--clinic", site, "--ttl", "1h").made(t, "token")

	entry := func(kind string, body map[string]any) map[string]any {
		id := uuid.NewString()
		return map[string]any{
			"id": id, "subject": id, "kind": kind, "replaces": []any{}, "learner_id": learner,
			"recorded_at": time.Now().Format(time.RFC3339), "body": body,
		}
	}
	push := map[string]any{"schema": 1, "cursor": nil, "sent_at": time.Now().Format(time.RFC3339), "entries": []any{
		entry("incident", map[string]any{"session": nil, "what": "choking", "note": canary("Note")}),
		entry("excuse", map[string]any{"night": "2027-03-03", "reason": canary("Reason")}),
		entry(canary("Kind"), map[string]any{canary("Member"): canary("Text")}), canary("Entry"),
	}}
	pulled := a.send(http.MethodPost, "/v1/sync", device, push)
	require.Contains(t, fmt.Sprint(pulled["results"]), "accepted")
	rotated := a.send(http.MethodPost, "/v1/auth/refresh", "", map[string]any{"refresh_token": deviceRefresh})
	for range 2 {
		a.send(http.MethodPost, "/v1/auth/refresh", "", map[string]any{"refresh_token": refresh})
	}

	tokens := map[string]string{
		"nobody": "", "a canary": canary("Token"), "clinician": clinician, "device": device, "scheduler": scheduler,
		"altered": device[:len(device)-4] + "AAAA",
	}
	a.everyOperation(tokens, []string{household, learner, url.PathEscape(canary("Path") + "/" + canary("Path"))})
	known := map[string]string{"clinician": clinician, "device": device}
	everything := func() { a.everyOperation(known, []string{household}) }
	a.store.fails.Store(true)
	everything()
	a.store.fails.Store(false)
	a.store.panics.Store(true)
	seen := a.seen(everything)
	a.store.panics.Store(false)
	for _, status := range []int{200, 201, 400, 401, 403, 404, 405, 422, 500} {
		assert.Positive(t, a.statuses[status], "no answer has had status %d", status)
	}
	assert.Contains(t, seen["the log"], "read a column")
	assert.Contains(t, seen["the log"], "msg=panic")

	secrets := []string{clinician, refresh, device, deviceRefresh, scheduler, code, email, password, a.text(rotated, "refresh_token"), "kanari", "vogel"}
	ids := []string{household, learner, site}
	for place, text := range seen {
		folded := strings.ToLower(text)
		for _, secret := range secrets {
			if at := strings.Index(folded, strings.ToLower(secret)); at >= 0 {
				assert.Fail(t, "it is told", "%s in %s: …%.200s…", secret, place, text[max(0, at-100):])
			}
		}
		if place == "/metrics" {
			for _, id := range append(ids, "127.0.0.1") {
				assert.NotContains(t, text, id, place)
			}
		}
	}
}
