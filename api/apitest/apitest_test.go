package apitest

import (
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestEveryDifferenceIsSeen bends an answer in each way that it can be.
func TestEveryDifferenceIsSeen(t *testing.T) {
	t.Parallel()
	answer := func(bend func(*Answer)) Answer {
		a := Answer{Status: http.StatusOK, Header: http.Header{"Etag": {"x"}, "Vary": {"a", "b"}}, Body: []byte(`{"ease":3}`)}
		bend(&a)
		return a
	}
	want := answer(func(*Answer) {})
	assert.Empty(t, Difference(want, answer(func(*Answer) {})))
	for name, c := range map[string]struct {
		bend func(*Answer)
		says string
	}{
		"status":             {func(a *Answer) { a.Status = http.StatusCreated }, "status 201, not 200"},
		"header":             {func(a *Answer) { a.Header.Set("Etag", "y") }, `header Etag: ["y"], not ["x"]`},
		"order of a header":  {func(a *Answer) { a.Header["Vary"] = []string{"b", "a"} }, "header Vary"},
		"header too much":    {func(a *Answer) { a.Header.Set("Allow", "GET") }, "header Allow"},
		"header missing":     {func(a *Answer) { a.Header.Del("Etag") }, "header Etag"},
		"one octet":          {func(a *Answer) { a.Body = []byte(`{"ease":4}`) }, "body differs from octet 8 on"},
		"a blank":            {func(a *Answer) { a.Body = []byte(`{"ease": 3}`) }, "body differs from octet 8 on"},
		"an octet more":      {func(a *Answer) { a.Body = append(a.Body, '\n') }, "body differs from octet 10 on"},
		"an octet too few":   {func(a *Answer) { a.Body = a.Body[:9] }, "body differs from octet 9 on"},
		"no body in the end": {func(a *Answer) { a.Body = nil }, "body differs from octet 0 on"},
	} {
		assert.Contains(t, Difference(want, answer(c.bend)), c.says, name)
		assert.NotEmpty(t, Difference(answer(c.bend), want), name)
	}
}

// TestServersAreToldTheSame has one of three servers answer otherwise, and count what it is told.
func TestServersAreToldTheSame(t *testing.T) {
	t.Parallel()
	echo := func(ending string) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			body, err := io.ReadAll(r.Body)
			assert.NoError(t, err)
			w.WriteHeader(http.StatusCreated)
			_, _ = w.Write([]byte(string(body) + ending + `"drawn":"` + ending + `",`))
		})
	}
	d, err := Describe()
	require.NoError(t, err)
	var seen []string
	s := &Servers{
		All:     []Server{{"one", echo("")}, {"other", echo("")}, {"bent", echo("!")}},
		Tally:   &Tally{Description: d},
		Differs: func(call, server, difference string) { seen = append(seen, call+" "+server+" "+difference) },
	}
	ask := func() {
		recorder := httptest.NewRecorder()
		s.ServeHTTP(recorder, httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/v1/sync?x=y", strings.NewReader("an evening")))
		assert.Equal(t, http.StatusCreated, recorder.Code)
		assert.Equal(t, `an evening"drawn":"",`, recorder.Body.String(), "it is the first who answers")
	}
	ask()
	require.Len(t, seen, 1)
	assert.Contains(t, seen[0], "POST /v1/sync?x=y bent body differs from octet 10 on")

	s.Apart = regexp.MustCompile(`!?"drawn":"[^"]*",`)
	ask()
	assert.Len(t, seen, 1, "what is drawn apart is not compared")
	assert.Equal(t, map[string]Count{"sync": {Calls: 2, Done: 2}}, s.Tally.Counts())
}

func TestOperationsByPath(t *testing.T) {
	t.Parallel()
	d, err := Describe()
	require.NoError(t, err)
	assert.Greater(t, len(d.Operations()), 50)
	assert.Contains(t, d.enums["RosterOrder"], "nickname")
	for call, operation := range map[string]string{
		"GET /v1/plans": "listPlans", "POST /v1/plans": "createPlan", "GET /v1/plans/x": "getPlan", "GET /v1/plans/x/y": "",
		"GET /v1/reminders/overdue": "listOverdue", "POST /v1/reminders/x/outcome": "reportReminder", "GET /v1/nowhere": "",
	} {
		method, path, _ := strings.Cut(call, " ")
		assert.Equal(t, operation, d.OperationOf(method, path), call)
	}
}
