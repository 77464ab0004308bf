// Package scheduler sends the reminders that are due: it claims some, asks for the go-ahead for each, sends it, and reports what
// became of it. Any number may run beside each other, on clocks of their own: who may send what is decided where reminders are
// claimed (package reminder), and a scheduler measures nothing but how long ago it was given something.
//
// A crash at any place is harmless. Before the go-ahead nothing has been sent, and another scheduler takes over once the lease has
// run out. After it the message may be on its way: through a channel that recognises what it has had it is sent again, through
// any other it is not.
package scheduler
