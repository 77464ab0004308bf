package channel

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A message that fits into one buffer is not written before its end unless it is flushed. The relay here closes the
// connection when it should read it; a pipe has no buffer of its own in which it could seem sent.
func TestAShortMessageLostBeforeItsEndIsNotTaken(t *testing.T) {
	t.Parallel()
	e, err := NewEmail(EmailConfig{
		Host: "localhost", TLS: NoTLS, From: "a@swallowtail.example.test", Now: func() time.Time { return time.Unix(0, 0) },
	})
	require.NoError(t, err)
	l, err := e.compose(Message{Key: "k", To: "anna@home.example.test", Subject: "Practice time", Text: "Now.\n"})
	require.NoError(t, err)
	require.Less(t, len(l.text), 4096)

	near, far := net.Pipe()
	go func() {
		defer func() { _ = far.Close() }()
		fmt.Fprint(far, "220 relay.example.test\r\n")
		for lines := bufio.NewScanner(far); lines.Scan(); {
			if strings.HasPrefix(lines.Text(), "DATA") {
				fmt.Fprint(far, "354 go on\r\n")
				return
			}
			fmt.Fprint(far, "250 yes\r\n")
		}
	}()
	talk := &talk{conn: near}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	err = talk.during(ctx, func() error { return talk.hand(e, l) })
	require.ErrorIs(t, err, ErrLater)
	require.NotErrorIs(t, err, ErrUnclear)
	require.Equal(t, message, talk.step)
}
