// Package sqlite keeps everything in one SQLite file. It implements clinic.Store.
//
// What holds throughout:
//
//   - Writers take turns: one connection writes, and its transactions take the write lock when they begin, so a
//     transaction that has begun cannot fail for want of it. Readers have connections of their own and see the state
//     before the writer's commit. Another process may use the same file at the same time; it waits for the lock.
//   - A commit is on the disk before InTx returns (synchronous=FULL, by fdatasync where the system has it). Writers who
//     come while another writes share its commit, each in a savepoint of its own, so that one who fails takes nothing
//     from the others; see group.
//   - Every setting of a connection is in its address, so that it holds for all of them, also for one that is opened later.
//   - Instants are UTC milliseconds, and NULL where an optional one is zero. Nights are days since 1970-01-01, as
//     practice.Night counts them. Ids are 16 bytes. JSON is kept as the bytes that came, and an empty slice comes back
//     nil. Rows name each other by integer keys that never leave the package.
//   - No statement is run while the rows of another are open: with one connection that would wait for itself.
package sqlite
