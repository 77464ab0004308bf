package channel_test

import (
	"bytes"
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"swallowtail/internal/channel"
	"swallowtail/internal/channel/channeltest"
)

func TestMain(m *testing.M) {
	if channeltest.Main() {
		return
	}
	m.Run()
}

var evening = time.Date(2026, 3, 14, 18, 30, 0, 0, time.FixedZone("", 3600))

// toward is the configuration for a server: no TLS, as loopback allows, unless the server speaks it.
func toward(s *channeltest.Server) channel.EmailConfig {
	config := channel.EmailConfig{
		Host: s.Host, Port: s.Port, TLS: channel.NoTLS,
		From: "Practice <reminders@swallowtail.example.test>", HELO: "service.example.test",
		Now: func() time.Time { return evening },
	}
	if cert := s.Certificate(); len(cert) > 0 {
		config.TLS, config.RootCAs = channel.StartTLS, x509.NewCertPool()
		config.RootCAs.AppendCertsFromPEM(cert)
	}
	return config
}

func email(t *testing.T, c channel.EmailConfig) *channel.Email {
	t.Helper()
	e, err := channel.NewEmail(c)
	require.NoError(t, err)
	return e
}

func reminderTo(address string) channel.Message {
	return channel.Message{
		Key: "reminder-1 to " + address, To: address, Subject: "Practice time", Text: "It is practice time.\n",
	}
}

func TestAMessageArrivesAsItShould(t *testing.T) {
	t.Parallel()
	server := channeltest.Start(t, channeltest.Options{})
	e := email(t, toward(server))
	assert.Equal(t, "email", e.Name())
	assert.False(t, e.Recognises())

	m := channel.Message{
		Key: "r-1/d-1", To: "anna.o'hara+1@home.example.test", Subject: "Übungszeit – practice time",
		Text:        "Grüße.\r\n.\r\nA line of a dot, and one that is long: " + strings.Repeat("practice ", 30) + "\n",
		Unsubscribe: "https://clinic.example.test/v1/unsubscribe/" + strings.Repeat("aZ09-_", 20) + "?x=1",
	}
	require.NoError(t, e.Send(t.Context(), m))

	kept := server.Messages(t)
	require.Len(t, kept, 1)
	assert.Equal(t, "reminders@swallowtail.example.test", kept[0].From)
	assert.Equal(t, []string{m.To}, kept[0].To)
	assert.Equal(t, "service.example.test", kept[0].Hello)
	assert.False(t, kept[0].TLS)
	assert.Empty(t, kept[0].User)
	for line := range bytes.Lines(kept[0].Data) {
		assert.True(t, bytes.HasSuffix(line, []byte("\r\n")), "%q", line)
		assert.LessOrEqual(t, len(line), 1000, "RFC 5322, section 2.1.1")
	}

	parsed, err := mail.ReadMessage(bytes.NewReader(kept[0].Data))
	require.NoError(t, err)
	id := parsed.Header.Get("Message-Id")
	assert.Regexp(t, `^<[0-9a-f]{32}@swallowtail\.example\.test>$`, id)
	subject := parsed.Header.Get("Subject")
	decoded, err := new(mime.WordDecoder).DecodeHeader(subject)
	require.NoError(t, err)
	assert.Equal(t, m.Subject, decoded)
	assert.Equal(t, mail.Header{
		"From":                      {`"Practice" <reminders@swallowtail.example.test>`},
		"To":                        {"<anna.o'hara+1@home.example.test>"},
		"Subject":                   {subject},
		"Date":                      {"Sat, 14 Mar 2026 17:30:00 +0000"},
		"Message-Id":                {id},
		"Auto-Submitted":            {"auto-generated"},
		"List-Unsubscribe":          {"<" + m.Unsubscribe + ">"},
		"List-Unsubscribe-Post":     {"List-Unsubscribe=One-Click"},
		"Mime-Version":              {"1.0"},
		"Content-Type":              {"text/plain; charset=UTF-8"},
		"Content-Transfer-Encoding": {"quoted-printable"},
	}, parsed.Header)
	body, err := io.ReadAll(quotedprintable.NewReader(parsed.Body))
	require.NoError(t, err)
	assert.Equal(t, strings.ReplaceAll(m.Text, "\r\n", "\n"), strings.ReplaceAll(string(body), "\r\n", "\n"))
}

func TestAKeyMakesTheMessageID(t *testing.T) {
	t.Parallel()
	server := channeltest.Start(t, channeltest.Options{})
	e := email(t, toward(server))
	first := reminderTo("anna@home.example.test")
	other := first
	other.Key = "another"
	for _, m := range []channel.Message{first, other, first} {
		require.NoError(t, e.Send(t.Context(), m))
	}
	var ids []string
	for _, kept := range server.Messages(t) {
		parsed, err := mail.ReadMessage(bytes.NewReader(kept.Data))
		require.NoError(t, err)
		assert.NotContains(t, parsed.Header, "List-Unsubscribe", "nothing to unsubscribe at")
		assert.NotContains(t, parsed.Header, "List-Unsubscribe-Post")
		ids = append(ids, parsed.Header.Get("Message-Id"))
	}
	require.Len(t, ids, 3)
	assert.Equal(t, ids[0], ids[2])
	assert.NotEqual(t, ids[0], ids[1])
}

// kinds are all that an error of a channel may be.
var kinds = []error{channel.ErrRefused, channel.ErrLater, channel.ErrUnclear}

// assertKind checks that an error is of that kind alone, and that its words give nobody away.
func assertKind(t *testing.T, want, err error, address string) {
	t.Helper()
	require.Error(t, err)
	for _, kind := range kinds {
		assert.Equal(t, kind == want, errors.Is(err, kind), "%v: %v", kind, err) //nolint:errorlint // the very one
	}
	name, _, _ := strings.Cut(address, "@")
	assert.NotContains(t, err.Error(), name)
	assert.NotContains(t, err.Error(), "@")
	assert.NotContains(t, err.Error(), "home.example.test")
}

func TestWhatARelayAnswersDecidesWhetherToSendAgain(t *testing.T) {
	t.Parallel()
	server := channeltest.Start(t, channeltest.Options{})
	e := email(t, toward(server))
	cases := []struct {
		name  string // of the address
		want  error
		words string
		kept  int
	}{
		{name: "rcpt-550-5.1.1", want: channel.ErrRefused, words: "email: RCPT TO: answered 550 5.1.1: refused for good"},
		{name: "rcpt-550", want: channel.ErrRefused, words: "answered 550:"},
		{name: "rcpt-550-5.0.0", want: channel.ErrRefused},
		{name: "rcpt-550-5.2.1", want: channel.ErrRefused},
		{name: "rcpt-551", want: channel.ErrRefused},
		{name: "rcpt-553-5.1.3", want: channel.ErrRefused},
		{name: "rcpt-554", want: channel.ErrLater},
		{name: "rcpt-556-5.1.10", want: channel.ErrRefused},
		{name: "rcpt-450-4.2.1", want: channel.ErrLater, words: "email: RCPT TO: answered 450 4.2.1: not taken"},
		{name: "rcpt-421", want: channel.ErrLater},
		{name: "rcpt-450-5.1.1", want: channel.ErrLater, words: "answered 450:"},      // two answers in one: the first digit holds
		{name: "rcpt-552", want: channel.ErrLater},                                    // RFC 5321, section 4.5.3.1.10
		{name: "rcpt-552-5.2.2", want: channel.ErrLater},                              // a full mailbox
		{name: "rcpt-554-5.7.1", want: channel.ErrLater, words: "answered 554 5.7.1"}, // relaying denied
		{name: "rcpt-550-5.1.8", want: channel.ErrLater},                              // our own address
		{name: "rcpt-501-5.5.4", want: channel.ErrLater},
		{name: "rcpt-503", want: channel.ErrLater},
		{name: "rcpt-530-5.7.0", want: channel.ErrLater},
		{name: "end-550-5.1.1", want: channel.ErrRefused, words: "email: end of message: answered 550 5.1.1: refused for good"},
		{name: "end-550", want: channel.ErrLater},
		{name: "end-552", want: channel.ErrLater},
		{name: "end-552-5.2.2", want: channel.ErrLater},
		{name: "end-554", want: channel.ErrLater},
		{name: "end-554-5.6.0", want: channel.ErrLater},
		{name: "end-550-5.7.1", want: channel.ErrLater},
		{name: "end-451-4.3.0", want: channel.ErrLater, words: "email: end of message: answered 451 4.3.0: not taken"},
		{name: "end-421", want: channel.ErrLater},
		{name: "end-354", want: channel.ErrUnclear, words: "email: end of message: answered 354: may or may not"},
		{name: "end-251-2.0.0", kept: 1},
		{name: "end-lost", want: channel.ErrUnclear, words: "the relay closed the connection: may or may not", kept: 1},
	}
	expected := map[string]int{}
	for _, c := range cases {
		address := c.name + "@home.example.test"
		expected[address] = c.kept
		err := e.Send(t.Context(), reminderTo(address))
		if c.want == nil {
			require.NoError(t, err, c.name)
			continue
		}
		assertKind(t, c.want, err, address)
		assert.Contains(t, err.Error(), c.words)
	}
	got := map[string]int{}
	for _, kept := range server.Messages(t) {
		got[kept.To[0]]++
	}
	for address, count := range expected {
		assert.Equal(t, count, got[address], address)
	}
}

func TestWhatWasNotTakenMayBeSentAgain(t *testing.T) {
	t.Parallel()
	server := channeltest.Start(t, channeltest.Options{})
	config := toward(server)
	config.HELO = ""
	e := email(t, config)
	for _, address := range []string{"first-rcpt-450+anna@home.example.test", "first-end-451+anna@home.example.test"} {
		assertKind(t, channel.ErrLater, e.Send(t.Context(), reminderTo(address)), address)
		require.NoError(t, e.Send(t.Context(), reminderTo(address)))
	}
	server.Stop()
	kept := server.Messages(t)
	require.Len(t, kept, 2)
	assert.Equal(t, "swallowtail.example.test", kept[0].Hello, "the domain of From")
}

func TestAConnectionLostBeforeTheEndLeavesNothingTaken(t *testing.T) {
	t.Parallel()
	for _, tls := range []string{"", channeltest.StartTLS} {
		server := channeltest.Start(t, channeltest.Options{TLS: tls})
		m := reminderTo(channeltest.Cut)
		m.Text = strings.Repeat("More than fits into any buffer on the way to somebody who does not read.\n", 60_000)
		assertKind(t, channel.ErrLater, email(t, toward(server)).Send(t.Context(), m), m.To)
		assert.Empty(t, server.Messages(t))
	}
}

func TestTimeThatRunsOut(t *testing.T) {
	t.Parallel()
	server := channeltest.Start(t, channeltest.Options{})
	config := toward(server)

	// Only what is never answered can run out of these times.
	config.Timeout, config.AnswerTimeout = 50*time.Millisecond, time.Hour
	err := email(t, config).Send(t.Context(), reminderTo("rcpt-mute@home.example.test"))
	assertKind(t, channel.ErrLater, err, "rcpt-mute@home.example.test")
	require.ErrorIs(t, err, context.DeadlineExceeded)
	assert.Empty(t, server.Messages(t))

	config.Timeout, config.AnswerTimeout = time.Hour, 50*time.Millisecond
	err = email(t, config).Send(t.Context(), reminderTo(channeltest.Mute))
	assertKind(t, channel.ErrUnclear, err, channeltest.Mute)
	require.ErrorIs(t, err, context.DeadlineExceeded)
}

func TestACallerWhoGivesUp(t *testing.T) {
	t.Parallel()
	server := channeltest.Start(t, channeltest.Options{TLS: channeltest.StartTLS})
	e := email(t, toward(server))

	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	result := make(chan error, 1)
	go func() { result <- e.Send(ctx, reminderTo(channeltest.Mute)) }()
	require.Eventually(t, func() bool { return len(server.Messages(t)) == 1 }, time.Minute, time.Millisecond)
	cancel()
	err := <-result
	assertKind(t, channel.ErrUnclear, err, channeltest.Mute)
	require.ErrorIs(t, err, context.Canceled)

	err = e.Send(ctx, reminderTo("anna@home.example.test"))
	assertKind(t, channel.ErrLater, err, "anna@home.example.test")
	require.ErrorIs(t, err, context.Canceled)
	assert.Len(t, server.Messages(t), 1)
}

func TestARelayOutOfOrderSaysNothingOfTheAddress(t *testing.T) {
	t.Parallel()
	plain := channeltest.Start(t, channeltest.Options{})
	mute := channeltest.Start(t, channeltest.Options{Hello: 554})
	cases := map[string]struct {
		server *channeltest.Server
		change func(*channel.EmailConfig)
		words  string
	}{
		"away":              {plain, func(c *channel.EmailConfig) { c.Port = 1 }, "email: connecting: dial: "},
		"refuses everybody": {mute, func(*channel.EmailConfig) {}, "email: EHLO: answered 554"},
		"refuses us": {
			plain, func(c *channel.EmailConfig) { c.From = "mail-550@swallowtail.example.test" },
			"email: MAIL FROM: answered 550: not taken",
		},
		"without STARTTLS": {
			plain, func(c *channel.EmailConfig) { c.TLS = channel.StartTLS },
			"email: STARTTLS: the relay offers no STARTTLS: not taken",
		},
		"without TLS": {
			plain, func(c *channel.EmailConfig) { c.TLS, c.Timeout = channel.ImplicitTLS, time.Minute },
			"email: greeting: the relay does not speak TLS here",
		},
		"without AUTH": {
			plain, func(c *channel.EmailConfig) { c.Username, c.Password = "u", "p" },
			"email: AUTH: the relay offers neither",
		},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			config := toward(c.server)
			c.change(&config)
			err := email(t, config).Send(t.Context(), reminderTo("anna@home.example.test"))
			assertKind(t, channel.ErrLater, err, "anna@home.example.test")
			assert.Contains(t, err.Error(), c.words)
			assert.Empty(t, c.server.Messages(t))
		})
	}
}

func TestNothingIsRepeatedOfWhatIsNoSMTP(t *testing.T) {
	t.Parallel()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = listener.Close() })
	go func() {
		conn, err := listener.Accept()
		if err == nil {
			_, _ = io.WriteString(conn, "Is that you, anna@home.example.test?\r\n")
			_ = conn.Close()
		}
	}()
	addr, err := net.ResolveTCPAddr("tcp", listener.Addr().String())
	require.NoError(t, err)
	err = email(t, toward(&channeltest.Server{Host: "127.0.0.1", Port: addr.Port})).
		Send(t.Context(), reminderTo("anna@home.example.test"))
	assertKind(t, channel.ErrLater, err, "anna@home.example.test")
	assert.Contains(t, err.Error(), "email: greeting: the relay was not understood")
}

func TestEncryptionAndSigningIn(t *testing.T) {
	t.Parallel()
	for _, tls := range []channel.TLS{channel.StartTLS, channel.ImplicitTLS} {
		for _, mechanism := range []string{"PLAIN", "LOGIN"} {
			t.Run(fmt.Sprintf("%s %s", tls, mechanism), func(t *testing.T) {
				t.Parallel()
				server := channeltest.Start(t, channeltest.Options{
					TLS: string(tls), Username: "service", Password: "long and secret", Mechanism: mechanism,
				})
				config := toward(server)
				config.TLS, config.Username, config.Password = tls, "service", "long and secret"
				require.NoError(t, email(t, config).Send(t.Context(), reminderTo("anna@home.example.test")))
				kept := server.Messages(t)
				require.Len(t, kept, 1)
				assert.True(t, kept[0].TLS)
				assert.Equal(t, "service", kept[0].User)

				refused := func(change func(*channel.EmailConfig), words string) {
					t.Helper()
					config := config
					change(&config)
					err := email(t, config).Send(t.Context(), reminderTo("anna@home.example.test"))
					assertKind(t, channel.ErrLater, err, "anna@home.example.test")
					assert.Contains(t, err.Error(), words)
					assert.NotContains(t, err.Error(), "service")
					assert.NotContains(t, err.Error(), "secret")
				}
				refused(func(c *channel.EmailConfig) { c.Password = "another" }, "email: AUTH: answered 535 5.7.8: not taken")
				refused(func(c *channel.EmailConfig) { c.Username, c.Password = "", "" }, "email: MAIL FROM: answered 502 5.7.0")
				refused(func(c *channel.EmailConfig) { c.RootCAs = x509.NewCertPool() }, "certificate signed by unknown authority")
				refused(func(c *channel.EmailConfig) { c.RootCAs = nil }, "certificate")
				assert.Len(t, server.Messages(t), 1)
			})
		}
	}
}

func TestACertificateMustBeTheHosts(t *testing.T) {
	t.Parallel()
	server := channeltest.Start(t, channeltest.Options{TLS: channeltest.StartTLS})
	config := toward(server)
	config.Host = "localhost"
	err := email(t, config).Send(t.Context(), reminderTo("anna@home.example.test"))
	assertKind(t, channel.ErrLater, err, "anna@home.example.test")
	assert.Contains(t, err.Error(), "email: STARTTLS: tls: failed to verify certificate: x509: ")
	assert.Empty(t, server.Messages(t))
}

func TestManyAtOnceArriveOnceEach(t *testing.T) {
	t.Parallel()
	server := channeltest.Start(t, channeltest.Options{})
	e := email(t, toward(server))
	var want []string
	var sending sync.WaitGroup
	for i := range 24 {
		address := fmt.Sprintf("family-%02d@home.example.test", i)
		want = append(want, address)
		sending.Go(func() { assert.NoError(t, e.Send(t.Context(), reminderTo(address))) })
	}
	sending.Wait()
	var got []string
	for _, kept := range server.Messages(t) {
		require.Len(t, kept.To, 1)
		got = append(got, kept.To[0])
	}
	slices.Sort(got)
	assert.Equal(t, want, got)
}

func TestWhatIsNoMessageIsNotSent(t *testing.T) {
	t.Parallel()
	server := channeltest.Start(t, channeltest.Options{})
	e := email(t, toward(server))
	to := func(address string) func(*channel.Message) {
		return func(m *channel.Message) { m.To = address }
	}
	subject := func(subject string) func(*channel.Message) {
		return func(m *channel.Message) { m.Subject = subject }
	}
	unsubscribe := func(address string) func(*channel.Message) {
		return func(m *channel.Message) { m.Unsubscribe = address }
	}
	ofTheAddress := map[string]func(*channel.Message){
		"no address":         to(""),
		"no domain":          to("anna"),
		"a line more":        to("anna@home.example.test\r\nRCPT TO:<ben@home.example.test>"),
		"a line feed":        to("anna@home.example.test\n"),
		"two addresses":      to("anna@home.example.test, ben@home.example.test"),
		"a name":             to("Anna <anna@home.example.test>"),
		"angle brackets":     to("<anna@home.example.test>"),
		"an end of the path": to("anna@home.example.test> NOTIFY=NEVER"),
		"quotes":             to(`"anna b"@home.example.test`),
		"quoted line":        to("\"anna\r\n\"@home.example.test"),
		"a comment":          to("anna(hello)@home.example.test"),
		"an IP address":      to("anna@[127.0.0.1]"),
		"an underscore":      to("anna@home_example.test"),
		"not ASCII":          to("änna@home.example.test"),
		"not ASCII, domain":  to("anna@höme.example.test"),
		"a name too long":    to(strings.Repeat("a", 65) + "@home.example.test"),
		"too long":           to("anna@" + strings.Repeat("home.", 50) + "test"),
	}
	ofTheSender := map[string]func(*channel.Message){
		"subject of two lines":    subject("Practice time\r\nBcc: ben@home.example.test"),
		"subject and line feed":   subject("Practice time\n"),
		"subject and return":      subject("Practice\rtime"),
		"subject of another kind": subject("Practice \xff"),
		"subject and line break":  subject("Practice\u0085time"),
		"text of another kind":    func(m *channel.Message) { m.Text = "\xff" },
		"no key":                  func(m *channel.Message) { m.Key = "" },
		"plain http":              unsubscribe("http://clinic.example.test/u"),
		"a mail address":          unsubscribe("mailto:anna@home.example.test"),
		"a header more":           unsubscribe("https://clinic.example.test/u\r\nBcc: ben@home.example.test"),
		"an end of the URL":       unsubscribe("https://clinic.example.test/u>,<https://other.example.test/"),
		"a space":                 unsubscribe("https://clinic.example.test/u u"),
		"no host":                 unsubscribe("https:///u"),
		"a password":              unsubscribe("https://anna:b@clinic.example.test/u"),
		"nonsense":                unsubscribe("https://clinic.example.test/%zz"),
	}
	for _, cases := range []struct {
		are  error
		each map[string]func(*channel.Message)
	}{{channel.ErrRefused, ofTheAddress}, {channel.ErrLater, ofTheSender}} {
		for name, change := range cases.each {
			m := reminderTo("anna@home.example.test")
			change(&m)
			err := e.Send(t.Context(), m)
			require.ErrorIs(t, err, cases.are, name)
			assert.NotContains(t, err.Error(), "anna", name)
			assert.NotContains(t, err.Error(), "ben", name)
		}
	}
	assert.Empty(t, server.Messages(t))

	onLoopback := reminderTo("a@b")
	onLoopback.Unsubscribe = "http://127.0.0.1:8080/v1/unsubscribe/token"
	require.NoError(t, e.Send(t.Context(), onLoopback))
	assert.Len(t, server.Messages(t), 1)
}

func TestAConfigurationIsLookedAt(t *testing.T) {
	t.Parallel()
	good := channel.EmailConfig{Host: "relay.example.test", From: "a@b.example.test", Now: time.Now} //nolint:forbidigo // only handed on
	_, err := channel.NewEmail(good)
	require.NoError(t, err)
	for _, bad := range []struct {
		words  string
		change func(*channel.EmailConfig)
	}{
		{"From is not", func(c *channel.EmailConfig) { c.From = "nobody" }},
		{"From is not", func(c *channel.EmailConfig) { c.From = "a@b.example.test\r\nBcc: c@d.example.test" }},
		{"no Host", func(c *channel.EmailConfig) { c.Host = "" }},
		{"no Now", func(c *channel.EmailConfig) { c.Now = nil }},
		{`TLS is "ssl"`, func(c *channel.EmailConfig) { c.TLS = "ssl" }},
		{"on loopback", func(c *channel.EmailConfig) { c.TLS = channel.NoTLS }},
		{"on loopback", func(c *channel.EmailConfig) { c.TLS, c.Host = channel.NoTLS, "10.0.0.1" }},
		{"65536 is no port", func(c *channel.EmailConfig) { c.Port = 65536 }},
		{"-1 is no port", func(c *channel.EmailConfig) { c.Port = -1 }},
		{"time is negative", func(c *channel.EmailConfig) { c.AnswerTimeout = -1 }},
		{"time is negative", func(c *channel.EmailConfig) { c.Timeout = -1 }},
		{"without a Password", func(c *channel.EmailConfig) { c.Username = "u" }},
		{"without a Password", func(c *channel.EmailConfig) { c.Password = "p" }},
		{"the HELO", func(c *channel.EmailConfig) { c.HELO = "a\r\nRSET" }},
	} {
		config := good
		bad.change(&config)
		_, err := channel.NewEmail(config)
		require.ErrorContains(t, err, bad.words)
	}
}
