// Package simulate plays a household's fortnight with everything against it, and checks that nothing of it is lost,
// doubled or bent.
//
// # The world
//
// A [World] is one server, a clinician, two to four caregivers and their phones. It drives the real server, from the bytes of a
// sync call down to the store, and the real device side (package api/client). Only what lies around them is simulated: the
// network, the clocks, the phones' storage, and the server's power.
//
// One schedule is a few dozen steps drawn from a seed, and then a healing. In a step somebody writes something, a message
// is lost, doubled, delayed or overtaken, a phone is killed at the worst moment, wiped or put back to an older state, a clock
// jumps, the server crashes before or after a commit or is put back to an older backup. Phones halt at each call to the
// server until the world goes on with them, so all of it is one line of control and the same seed gives the same trace.
//
// # What must hold
//
// The properties are the constants of type [Invariant]. Some are watched all the time, by looking over the shoulder of
// each phone's storage and at each answer of the server. The rest are checked after the healing, when every phone that
// still exists has synced in peace. They are worked out anew here, from the entries in the store, by other and simpler means
// than the fold's.
//
// # What is not simulated
//
// A disk that lies, a full disk, HTTP itself, and two servers at once are tested with real processes in cmd/swallowtail.
package simulate
