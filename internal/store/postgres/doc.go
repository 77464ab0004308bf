// Package postgres keeps everything in a PostgreSQL database, of version 15 or newer. It implements clinic.Store. Any number of
// servers may use one database.
//
// What holds throughout:
//
//   - A commit is on the disk before InTx returns, whatever the database has for synchronous_commit. Others may see it a moment before,
//     since who has written to a trail lets go of their locks first; but the log is written in order, so whatever they commit is on the disk only after it, and
//     they answer nobody before that. If the connection is lost while it is committed, InTx returns Unavailable and nobody knows:
//     whoever asked asks again, and every call can bear that.
//   - Instants, nights and JSON are kept as in package sqlite, to the millisecond and to the byte. Texts are kept as their bytes: a
//     text of PostgreSQL holds no U+0000, and its order depends on the machine's language.
//   - After any error but NotFound the transaction is gone. An error of the server is given its kind by its SQLSTATE alone, and none of
//     its details, which hold values, get into an error's text.
//   - Every round trip counts. A transaction begins with its first statement, locks go along with what is read under them, and entries,
//     projections, contacts and rows of a trail with whatever is run next or with the commit: an error of theirs shows then. So does
//     that a household is not as Assume takes it to be, so that an upload to one that is known is a single trip. Nobody waits for the
//     trip that ends what was only read.
//   - Uploads of which all is known, and that come while an eighth of the connections are under way with others, share the next trip and the
//     wait for the disk at its end; each is a transaction of its own in it (queue). Where one is refused, or somebody holds its household or
//     its trail, it goes again alone, as do those behind it.
//   - Waiting is bounded: for a connection, for the next shared trip and for a lock as long as Options.Patience says, and for any statement or
//     shared trip six times as long, after which the error is Unavailable; and a server that goes silent in the midst of a transaction
//     loses it after a minute. A migration, and filling from another store, take the time that they take.
//
// # What is safe beside others, and why
//
// Read is one snapshot (REPEATABLE READ, READ ONLY). It waits for nobody and keeps nobody out. Finding out who asks is one statement, and
// so a snapshot without a transaction around it; of an upload it is part of the statement that Assume comes to.
//
// InTx is READ COMMITTED: each statement sees what has been committed when it begins. The use cases read and then write by what they
// have read, and were written for a store with one writer at a time. So a transaction that may write locks whatever it reads of a
// thing by, first and until its end:
//
//   - Of a household: its row, by whatever method the household is come upon, be it Head, Edition, a list, or a device, an invite or a token
//     of it that is found by its own id, which is read again once the lock is held. So writers of one household take turns from their
//     first look at it on, as with SQLite: revisions are gapless, an invite is redeemed once, a refresh token is exchanged once, and a
//     projection misses no enrolment, consent or delivery. Those of different households don't meet. Assume locks the row by the
//     statement that looks whether the household is of the edition known, which goes before all else and divides by zero where it is not.
//   - Of a clinician: their row, and with it their second factor, codes, known networks and sessions. No one-time code works twice.
//   - Of a clinic: its row, with its settings, members, plans and programs' tokens. Rotating keys takes all of them, and so no token is
//     issued meanwhile.
//   - The audit trail of a clinic: an advisory lock, which also a trail without a row has. It is the one lock for which families wait
//     for each other, so that it is taken last, just before the commit.
//   - Claims of a clinic's reminders take turns by another advisory lock, taken first; then the households of what is ready are locked,
//     and what is ready is read again, so that no upload goes on from what it was before the claim.
//   - Preparing a store at a start: the one row of meta, by asking for the journal.
//
// Filling a database from another store is the one exception: it locks every table, so that nobody else comes in, and needs no other lock.
//
// A conditional update would do for some of these; it would ask the use cases, which know nothing of engines, to look at how many rows
// were changed. SERIALIZABLE would do for all, and would refuse most of what meets at a clinic's trail.
//
// Locks are taken in the order claims, households by their ids, clinicians, clinics, trails. Whoever changes several households calls
// LockHouseholds first. Should two transactions wait for each other nevertheless, the server gives one of them up, which then is
// Unavailable, and its caller tries again. The locks are FOR NO KEY UPDATE and so don't stop others from adding rows that refer to
// the row locked.
//
// # If it were distributed
//
// No transaction of a family's call reads or writes another household. What it touches beside its own household: the clinic's trail,
// and the unique ids by which devices, learners, invites and tokens are found before it is known whose they are. Claims go through the
// households of a clinic. See DEVELOPERS.md.
package postgres
