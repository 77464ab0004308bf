package main

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/api/client"
)

func TestTheCommandsWorkBesideARunningServer(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	server := startServe(t, db, nil)
	id := addClinicBeside(t, db)
	clinician := signIn(t, server.base, clinicEmail)

	invocation{stdin: somePassword + "\r\n", args: []string{
		"clinician", "add", "--db", db, "--clinic", id, "--email", leadEmail, "--name", "Lead", "--role", "lead", "--password-stdin",
	}}.execute(t).made(t, "id")
	signIn(t, server.base, leadEmail) // the end of the line is not of the password, in either form

	token := execute(t, "token", "issue", "--db", db, "--clinic", id, "--ttl", "1h").made(t, "token")
	overdue, err := as(caller(server.base), token).Overdue(t.Context(), time.Time{}, client.Page{})
	require.NoError(t, err)
	assert.Empty(t, overdue.Overdue)

	addLearner(t, clinician, addHousehold(t, clinician, "Two homes"), "Otter", "2019-05", client.NewEnrolment{
		FirstNight: time.Now().UTC().Format(time.DateOnly), Timezone: "Etc/UTC", ReminderTime: "19:30",
	})
	require.NoError(t, execute(t, "migrate", "--db", db).err)
	checked := execute(t, "check", "--db", db)
	require.NoError(t, checked.err)
	assert.JSONEq(t, `{"households":1,"entries":0,"learners":1,"differences":[]}`, checked.out)

	assert.Equal(t, "Swallowtail serves at "+server.base+"\n", server.out.String(), "one line, and no logs among it")
	require.NoError(t, server.end())
	for _, secret := range []string{somePassword, token, "Otter", "Two homes"} {
		assert.NotContains(t, server.said.String(), secret)
	}
}

func TestTwoServersOnOneDatabase(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	one := startServe(t, db, nil)
	addClinicBeside(t, db)
	other := startServe(t, db, nil)
	here, there := signIn(t, one.base, clinicEmail), signIn(t, other.base, clinicEmail)
	household := addHousehold(t, here, "Two homes")
	seen, err := there.Household(t.Context(), household)
	require.NoError(t, err)
	assert.Equal(t, "Two homes", seen.Label)
	_, err = as(there, here.Token).Household(t.Context(), household)
	require.NoError(t, err, "both have the same keys")

	require.NoError(t, other.end())
	_, err = here.Household(t.Context(), household)
	require.NoError(t, err, "the other one goes on")
}

func TestAnAddressInUseIsSaidPlainly(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	server := startServe(t, filepath.Join(folder, "one.db"), nil)
	address := strings.TrimPrefix(server.base, "http://")
	second := execute(t, "serve", "--db", filepath.Join(folder, "other.db"), "--addr", address)
	require.ErrorContains(t, second.err, "address already in use")
	assert.Empty(t, second.out, "an address is told once it can be reached")
}

func TestTheKeysAreTheirOwnersAndPersist(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	first := startServe(t, db, nil)
	addClinicBeside(t, db)
	clinician := signIn(t, first.base, clinicEmail)
	files, err := filepath.Glob(db + "*")
	require.NoError(t, err)
	require.Contains(t, files, db+".keys")
	for _, file := range files {
		info, err := os.Stat(file)
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(0o600), info.Mode().Perm(), file)
	}
	household := addHousehold(t, clinician, "Two homes")
	require.NoError(t, first.end())

	second := startServe(t, db, nil)
	clinician.Base = second.base
	_, err = clinician.Household(t.Context(), household)
	require.NoError(t, err, "a token outlives a restart, at another address too")
	require.NoError(t, second.end())

	require.NoError(t, os.Chmod(db+".keys", 0o644))
	third := execute(t, "serve", "--db", db, "--addr", "127.0.0.1:0")
	require.ErrorContains(t, third.err, "is open to other users")
	require.ErrorContains(t, third.err, "chmod 600")
}

func TestHealthAsksARunningServer(t *testing.T) {
	t.Parallel()
	server := startServe(t, filepath.Join(t.TempDir(), "practice.db"), nil)
	address := strings.TrimPrefix(server.base, "http://")
	alive := execute(t, "health", "--addr", address)
	require.NoError(t, alive.err)
	assert.Empty(t, alive.out)
	require.NoError(t, caller(server.base).Call(t.Context(), http.MethodGet, "/readyz", nil, nil))
	require.NoError(t, server.end())
	require.Error(t, execute(t, "health", "--addr", address).err)

	unwell := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusServiceUnavailable)
	}))
	defer unwell.Close()
	sick := execute(t, "health", "--addr", strings.TrimPrefix(unwell.URL, "http://"))
	require.EqualError(t, sick.err, "the server answers with status 503")
}

// TestStoppedAServerAnswersWhatItHasBegun stops a server while the body of a request is still on its way.
func TestStoppedAServerAnswersWhatItHasBegun(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "practice.db")
	server := startServe(t, db, nil)
	addClinicBeside(t, db)
	address := strings.TrimPrefix(server.base, "http://")
	body := fmt.Sprintf(`{"email":%q,"password":%q}`, clinicEmail, somePassword)
	conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", address)
	require.NoError(t, err)
	defer func() { _ = conn.Close() }()
	require.NoError(t, conn.SetDeadline(time.Now().Add(startTime)))
	_, err = fmt.Fprintf(conn, "POST /v1/auth/sign-in HTTP/1.1\r\nHost: %s\r\nContent-Type: application/json\r\n"+
		"Content-Length: %d\r\nExpect: 100-continue\r\nConnection: close\r\n\r\n", address, len(body))
	require.NoError(t, err)
	answers := bufio.NewReader(conn)
	line, err := answers.ReadString('\n')
	require.NoError(t, err)
	require.Contains(t, line, "100 Continue") // now the server is at work on it
	_, err = answers.ReadString('\n')
	require.NoError(t, err)

	server.stop()
	require.Eventually(t, func() bool {
		late, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", address)
		if err == nil {
			_ = late.Close()
		}
		return err != nil
	}, startTime, 5*time.Millisecond, "nobody else is let in any more")
	_, err = fmt.Fprint(conn, body)
	require.NoError(t, err)
	answer, err := http.ReadResponse(answers, nil)
	require.NoError(t, err)
	defer answer.Body.Close()
	assert.Equal(t, http.StatusOK, answer.StatusCode)
	var pair client.Pair
	require.NoError(t, json.UnmarshalRead(answer.Body, &pair))
	assert.NotEmpty(t, pair.Access)
	require.NoError(t, server.end())
}

// listenUntilItEnds opens streams, hears where things stand on each, and returns what the rest of them say.
func listenUntilItEnds(t *testing.T, base, token string, streams int) (rests chan string) {
	t.Helper()
	rests = make(chan string, streams)
	for range streams {
		request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, base+"/v1/sync/stream", nil)
		require.NoError(t, err)
		request.Header.Set("Authorization", "Bearer "+token)
		answer, err := http.DefaultClient.Do(request)
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, answer.StatusCode)
		lines := bufio.NewReader(answer.Body)
		for _, wanted := range []string{"retry: 3000\n", "data: {", "\n"} {
			line, err := lines.ReadString('\n')
			require.NoError(t, err)
			require.True(t, strings.HasPrefix(line, wanted), line)
		}
		go func() {
			defer answer.Body.Close()
			rest, err := io.ReadAll(lines)
			rests <- fmt.Sprint(strings.ReplaceAll(string(rest), ":\n\n", ""), err) // comments may come at any time
		}()
	}
	return rests
}

// TestListenersDoNotHoldUpTheEnd: a server that waited for them to go would be at work until its patience ran out, which is
// an error.
func TestListenersDoNotHoldUpTheEnd(t *testing.T) {
	t.Parallel()
	enrolled := func(db, base string) string {
		addClinicBeside(t, db)
		clinician := signIn(t, base, clinicEmail)
		return enrolPhone(t, clinician, addHousehold(t, clinician, "Two homes"), "", "Mum", "phone").Access
	}
	t.Run("in this process", func(t *testing.T) {
		t.Parallel()
		db := filepath.Join(t.TempDir(), "practice.db")
		server := startServe(t, db, nil)
		rests := listenUntilItEnds(t, server.base, enrolled(db, server.base), 3)
		require.NoError(t, server.end())
		for range 3 {
			assert.Equal(t, "<nil>", <-rests, "each ends, and in order")
		}
	})
	t.Run("by a signal", func(t *testing.T) {
		t.Parallel()
		db := filepath.Join(t.TempDir(), "practice.db")
		server := spawn(t, db)
		rests := listenUntilItEnds(t, server.base(t), enrolled(db, server.base(t)), 3)
		require.NoError(t, server.cmd.Process.Signal(syscall.SIGTERM))
		server.await(t)
		require.NoError(t, server.err, server.said)
		for range 3 {
			assert.Equal(t, "<nil>", <-rests)
		}
	})
}

// TestNoDatabaseIsMadeByTheWay: a mistyped name must not pass for a sound database.
func TestNoDatabaseIsMadeByTheWay(t *testing.T) {
	t.Parallel()
	db := filepath.Join(t.TempDir(), "mistyped.db")
	for _, args := range [][]string{
		{"check"},
		{"clinician", "add", "--clinic", "01940000-0000-7000-8000-000000000002", "--email", "wren@example.test", "--name", "Wren", "--password-stdin"},
		{"token", "issue", "--clinic", "01940000-0000-7000-8000-000000000002"},
	} {
		refused := execute(t, append(args, "--db", db)...)
		require.ErrorContains(t, refused.err, "there is no database", args)
		assert.NoFileExists(t, db)
	}
}
