// Package memory keeps everything in memory. It implements clinic.Store for tests alone: nothing in it is durable, and it
// is made for many small transactions on few households, as a simulation has them.
//
// What holds throughout:
//
//   - What has been committed is one value that never changes. A reader takes it as it is and waits for nobody; a writer
//     works on a copy, which takes its place at the commit and is dropped otherwise. Writers take turns.
//   - The copy is shallow. A writer makes its own copy of what it changes: of a table, of a household, of one list within
//     a household, in which entries are pointers. What two versions have in common is there once. The price grows with
//     the number of households, since each change of one copies the table of all.
//   - Lists and maps that come in or go out are copied, so that nobody changes what is kept by changing them. Bytes are
//     not: an entry as sent, a document, a hash are shared and only read from, by whoever handed them in too.
//   - Instants are cut to milliseconds of UTC, and empty bytes come back nil, as in every store.
package memory
