// Package client is the device side of Swallowtail: what a caregiver's phone does to record an evening without a
// signal, hand it in later and see what the others wrote. Beside it stand thin clients for the clinic's calls (API) and for those
// of a program that sends reminders (Scheduler).
//
// # What a device knows
//
// A household's record is a growing set of immutable entries, so a device never merges anything: it adds to a set. It
// keeps (State)
//
//   - the outbox: its own entries that it has not yet seen come back in the feed;
//   - the entries it has seen, with the revision, status, author and stamp that the server gave them;
//   - the latest document of each night, computed by the server;
//   - the cursor: how far into the household's history the above reaches. It is opaque; none means from the beginning.
//
// All of it lies in one local store, the Disk, and every change is one atomic Save. A change that could not be saved did
// not happen: the Device goes on from what it had. A Device can therefore be dropped at any moment and opened again from
// its Disk.
//
// # Recording
//
// Record saves an entry in the outbox before anything is sent. From then on it is lost only with the Disk. An edit and
// a withdrawal are entries as well: they keep the subject and replace the heads of that subject which this device has
// seen from its own caregiver.
//
// # Keeping in step
//
// One call pushes a batch of the outbox and pulls the page after the cursor. Four rules make it safe to lose, double,
// delay or overtake calls and answers:
//
//  1. Only sight in the feed takes an entry out of the outbox, never the result of a push. An answer may be lost, or
//     the server restored to a time before the push; then the entry is simply offered again.
//  2. A page is applied only when it answers the cursor the device holds now. When another call was faster, the answer
//     is dropped, whatever it says.
//  3. A page and its new cursor are saved together.
//  4. What the server asks for is believed only as far as it can be checked: after the last page the ids of everything
//     known must give the server's digest. If they do not, the device pulls once from the beginning; if they still do
//     not, Sync says so with ErrDigest.
//
// When the server no longer bears out the cursor, because it was restored from an older backup, it answers 409. The
// device then starts over: it pulls from the beginning and offers its own entries again, each with the stamp it was
// seen with, so that the restored server dates them as before. What it knows from the former history stays in sight
// until that pull is complete; then whatever the new history lacks is forgotten, except for what waits in the outbox.
//
// When to call Sync is for the caller to decide. A Stream tells when there is something new; it saves time, and nothing is
// lost without it.
//
// A revoked device is answered results alone. By these it empties its outbox of what the server holds, most of it set aside
// for review, and keeps those entries in State.HandedIn.
//
// # What is handed in
//
// The transport, the store, the clock and the source of ids are arguments. The clock may be as wrong as a phone's: no
// decision here rests on it.
package client
