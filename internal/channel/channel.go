// Package channel holds the ways by which a reminder reaches somebody. It keeps no state and decides nothing: what to send,
// to whom, when and how often is the caller's.
//
// E-mail is one; another is a type with the three methods of Channel. What a channel has to get right is the difference
// between its errors, since a caller sends again after one and not after another.
package channel

import (
	"context"
	"errors"
)

// Message is one message to one destination.
type Message struct {
	Key           string // the same whenever the same message is sent again: reminder and destination
	To            string // the address, as the channel has it
	Subject, Text string // in UTF-8; the text in lines that end with a line feed
	Unsubscribe   string // an https (or, on loopback, http) address where one POST ends these messages (RFC 8058); empty where there is none
}

// Channel sends messages. Safe for concurrent use.
type Channel interface {
	// Name is what destinations call the channel, such as "email".
	Name() string

	// Recognises reports whether the channel recognises a Key it has taken already, so that sending again reaches nobody
	// twice. Where it does not, a message that went ErrUnclear must not be sent again.
	Recognises() bool

	// Send returns nil once the channel has acknowledged the message; otherwise an error that is ErrRefused, ErrLater or
	// ErrUnclear, and the context's error too where that ended the attempt. Its text holds no address and nothing of the
	// message, so that it may go to logs and to the clinic.
	Send(ctx context.Context, m Message) error
}

// What became of a message that was not acknowledged.
var (
	// ErrRefused says that this address will never take it. A message that the channel can't send is ErrLater.
	ErrRefused = errors.New("refused for good")
	// ErrLater says that it was certainly not taken, and may be tried again.
	ErrLater = errors.New("not taken, may be tried again")
	// ErrUnclear says that nobody can tell whether it was taken: the answer to it was lost.
	ErrUnclear = errors.New("may or may not have been taken")
)
