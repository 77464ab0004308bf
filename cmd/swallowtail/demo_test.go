package main

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"log/slog"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
	"swallowtail/testdata"
)

// demoDays are instants at which the demo is started: at several hours, with a change of clocks behind or near, and at
// the turn of a day.
var demoDays = map[string]time.Time{
	"noon, after the clocks went back":      time.Date(2026, 11, 4, 16, 0, 0, 0, time.UTC),
	"in the small hours of a lost hour":     time.Date(2027, 3, 14, 6, 30, 0, 0, time.UTC),
	"as the day turns at the clinic":        time.Date(2027, 3, 28, 7, 0, 0, 0, time.UTC),
	"late, as summer ends in the far south": time.Date(2027, 4, 5, 2, 30, 0, 0, time.UTC),
}

// startDemo starts the demo on a clock that shows now when it starts.
func startDemo(t *testing.T, now time.Time) (*demonstration, *serving) {
	t.Helper()
	began := time.Now()
	clock := func() time.Time { return now.Add(time.Since(began)) }
	var d *demonstration
	s := startServing(t, func(ctx context.Context, s streams) (err error) {
		if d, err = openDemo(ctx, logger(s, slog.LevelWarn), clock); err != nil {
			return err
		}
		served := d.serve(ctx, "127.0.0.1:0", func(text string) error {
			_, err := io.WriteString(s.out, text)
			return err
		})
		return errors.Join(served, d.close())
	})
	return d, s
}

func TestTheDemoShowsWhatItSays(t *testing.T) {
	t.Parallel()
	for name, now := range demoDays {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d, s := startDemo(t, now)
			look := newDemoLook(t, d, s)
			look.rosterIsAsTold()
			for nickname, check := range demoFamilies() {
				t.Run(nickname, func(t *testing.T) {
					seen := *look
					seen.t, seen.line = t, look.lines[nickname]
					check(&seen)
				})
			}
			look.remindersAreDue()
			report, err := d.house.service.Check(t.Context())
			require.NoError(t, err)
			assert.Empty(t, report.Differences)
			assert.Len(t, look.lines, report.Learners)
			assert.Empty(t, s.said.String(), "nothing went wrong on the way")
		})
	}
}

func TestTheDemoCommand(t *testing.T) {
	folder := t.TempDir()
	t.Setenv("TMPDIR", folder)
	s := startServing(t, func(ctx context.Context, s streams) error {
		return run(ctx, []string{"demo", "--addr", "127.0.0.1:0"}, invocation{}.getenv, s)
	})
	kept, err := os.ReadDir(folder)
	require.NoError(t, err)
	assert.Len(t, kept, 1)

	lines := pasted(t, s.out.String())
	t.Run("says what people need", func(t *testing.T) {
		guideIsForPeople(t, s, lines)
	})
	t.Run("can be played line by line", func(t *testing.T) {
		answersAreAsSaid(t, typed(t, lines))
	})
	t.Run("can be pasted into a shell", func(t *testing.T) {
		for _, tool := range []string{"bash", "curl", "sed"} {
			if _, err := exec.LookPath(tool); err != nil {
				t.Logf("there is no %s here, so the lines were only played: %v", tool, err)
				return
			}
		}
		answersAreAsSaid(t, inShell(t, lines))
	})

	require.NoError(t, s.end())
	left, err := os.ReadDir(folder)
	require.NoError(t, err)
	assert.Empty(t, left, "everything is thrown away")
	assert.Empty(t, s.said.String(), "nothing went wrong on the way")
}

// guideIsForPeople holds what the demo says to what a person wants to read.
func guideIsForPeople(t *testing.T, s *serving, lines []string) {
	t.Helper()
	text := s.out.String()
	assert.Regexp(t, `^Swallowtail serves at http://127\.0\.0\.1:\d+\n\n`, text)
	assert.LessOrEqual(t, strings.Count(text, "\n"), 60)
	told, err := readScript(testdata.Demo())
	require.NoError(t, err)
	for _, family := range told.families {
		assert.Contains(t, text, family.Shows)
	}
	assert.Contains(t, text, "(invented)")
	assert.Contains(t, text, "never makes one")
	assert.Contains(t, text, s.base+"/docs")
	for _, line := range lines {
		// Some shells take no comment at a prompt: what stands in one must do no harm as a command either.
		if comment, is := strings.CutPrefix(line, "#"); is {
			assert.NotRegexp(t, "['\"`$;&<>|*?()\\[\\]{}~!]", comment)
		}
	}
	answer, err := caller(s.base).HTTP.Get(s.base + "/docs")
	require.NoError(t, err)
	require.NoError(t, answer.Body.Close())
	assert.Equal(t, http.StatusOK, answer.StatusCode)
}

func TestTheDemoStopsWhileItIsFilled(t *testing.T) {
	t.Parallel()
	d, err := openDemo(t.Context(), slog.New(slog.DiscardHandler), time.Now)
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	assert.NoError(t, d.serve(ctx, "127.0.0.1:0", func(string) error {
		return errors.New("there is nothing to say yet")
	}))
	require.NoError(t, d.close())
	assert.NoDirExists(t, d.folder)
}

func TestTheDemoIsTheSameAllDay(t *testing.T) {
	t.Parallel()
	idsAt := func(now time.Time) []string {
		p := newPlayer(&demonstration{now: now}, "")
		return []string{p.newID(), p.newID()}
	}
	noon := demoDays["noon, after the clocks went back"]
	assert.Equal(t, idsAt(noon), idsAt(noon.Add(5*time.Hour)), "ids are all that is not written out")
	assert.NotEqual(t, idsAt(noon), idsAt(noon.AddDate(0, 0, 1)))
}

func TestWhatAScenarioMayNotSay(t *testing.T) {
	t.Parallel()
	for _, evening := range []string{"", "centre", "centre three", "centre 3,", "centre x"} {
		_, err := eveningScript{Evening: evening}.tries()
		require.Error(t, err, evening)
	}
	tries, err := eveningScript{Evening: "centre 3, left 2x water gag, up -", MM: 5}.tries()
	require.NoError(t, err)
	assert.Equal(t, []client.Try{
		{Position: "centre", SizeMM: 5, Outcome: "swallowed", Ease: 3, Snags: []string{}},
		{Position: "left", SizeMM: 5, Outcome: "not_swallowed", Ease: 2, Snags: []string{"water", "gag"}},
		{Position: "up", SizeMM: 5, Outcome: "refused", Snags: []string{}},
	}, tries)

	_, err = readScript(fstest.MapFS{"clinic.json": {Data: []byte(`{"nom": "x"}`)}})
	require.ErrorContains(t, err, "nom")
	_, err = readScript(fstest.MapFS{"clinic.json": {Data: []byte(`{"families": ["nobody"]}`)}})
	require.ErrorIs(t, err, fs.ErrNotExist)

	now := demoDays["noon, after the clocks went back"]
	for want, step := range map[string]string{
		"Vole, day 0 at 23:00: lies in the future": `{"day": 0, "at": "23:00", "open": true}`,
		"time of day":        `{"day": -1, "at": "25:00", "open": true}`,
		`zone "Fern/Hollow"`: `{"day": -1, "at": "19:00", "zone": "Fern/Hollow", "open": true}`,
	} {
		told := &familyScript{Learner: "Vole", Home: "Etc/UTC", Story: make([]stepScript, 1)}
		require.NoError(t, json.Unmarshal([]byte(step), &told.Story[0]))
		c, err := calendarAt(told.Home, now)
		require.NoError(t, err)
		_, err = scenes([]*family{{calendar: c, script: told}}, now)
		require.ErrorContains(t, err, want)
	}
	clock := &movedClock{at: now}
	require.NoError(t, clock.moveTo(now))
	require.Error(t, clock.moveTo(now.Add(-time.Second)), "the clock is never set back")
}

// inShell pastes the lines into a shell and returns what they print.
func inShell(t *testing.T, lines []string) []string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), commandTime)
	defer cancel()
	shell := exec.CommandContext(ctx, "bash", "-eu", "-c", strings.Join(lines, "\n"))
	shell.Stderr = os.Stderr
	out, err := shell.Output()
	require.NoError(t, err)
	return strings.FieldsFunc(string(out), func(r rune) bool { return r == '\n' })
}

// pasted returns the lines that the guide asks to paste, and the one for later at the end.
func pasted(t *testing.T, text string) []string {
	t.Helper()
	_, block, found := strings.Cut(text, "from the top.")
	require.True(t, found)
	var lines []string
	for line := range strings.Lines(block) {
		if regexp.MustCompile(`^(#|[A-Z]+=|curl )`).MatchString(line) {
			lines = append(lines, strings.TrimSuffix(line, "\n"))
		}
	}
	require.Len(t, lines, 20, "eight comments, four variables, seven questions, and one for later")
	return lines
}

// answersAreAsSaid holds the answers of the pasted lines to what the guide says they are.
func answersAreAsSaid(t *testing.T, answers []string) {
	t.Helper()
	require.Len(t, answers, 7)
	var roster client.Roster
	require.NoError(t, json.Unmarshal([]byte(answers[0]), &roster), answers[0])
	require.Len(t, roster.Learners, 14)
	assert.Equal(t, "Hare", roster.Learners[0].Learner.Nickname, "who is on hold needs a call first")
	assert.Contains(t, answers[1], `"reason":"run"`)
	assert.Contains(t, answers[2], `"nickname":"Lynx"`)
	assert.Contains(t, answers[2], `"criteria":[{`)
	assert.Contains(t, answers[3], `"nickname":"Teal"`)
	assert.Contains(t, answers[3], `"verdict":"cannot_tell_yet"`)
	assert.Contains(t, answers[4], `"agreement":"disagreed"`)
	assert.Contains(t, answers[4], `"agreement":"settled"`)
	assert.Contains(t, answers[5], `"kind":"follow_up"`)
	assert.Contains(t, answers[6], `"nickname":"Wren"`)
	assert.NotContains(t, answers[6], "readiness")
}

// typed plays the lines as a shell would, as far as the guide makes use of one, and returns what they print.
func typed(t *testing.T, lines []string) []string {
	t.Helper()
	assignment := regexp.MustCompile(`^([A-Z]+)=(.*)$`)
	variables := map[string]string{}
	var printed []string
	for _, line := range lines {
		if strings.HasPrefix(line, "#") {
			continue
		}
		found := assignment.FindStringSubmatch(line)
		switch {
		case found == nil:
			printed = append(printed, curled(t, line, variables))
		case strings.HasPrefix(found[2], "$(curl "):
			call, _, piped := strings.Cut(found[2], " | sed ")
			require.True(t, piped)
			var pair client.Pair
			require.NoError(t, json.Unmarshal([]byte(curled(t, call, variables)), &pair))
			variables[found[1]] = pair.Access
		default:
			variables[found[1]] = found[2]
		}
	}
	return printed
}

// curled makes the call of a line.
func curled(t *testing.T, line string, variables map[string]string) string {
	t.Helper()
	words := regexp.MustCompile(`"[^"]*"|'[^']*'|[^\s"']+`).FindAllString(line, -1)
	for i, word := range words {
		if strings.HasPrefix(word, `"`) {
			word = os.Expand(word, func(name string) string { return variables[name] })
		}
		words[i] = strings.Trim(word, `"'`)
	}
	method, body, header := http.MethodGet, "", http.Header{}
	url := ""
	for i, word := range words {
		switch {
		case word == "-d":
			method, body = http.MethodPost, words[i+1]
		case word == "-H":
			name, value, _ := strings.Cut(words[i+1], ": ")
			header.Set(name, value)
		case strings.HasPrefix(word, "http://"):
			url = word
		}
	}
	request, err := http.NewRequestWithContext(t.Context(), method, url, strings.NewReader(body))
	require.NoError(t, err)
	request.Header = header
	answer, err := http.DefaultClient.Do(request)
	require.NoError(t, err)
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, answer.StatusCode, string(text))
	return string(text)
}
