// Package journal keeps journals: clinic.Journal says what for. A File is one beside a database.
//
// The file is made of lines of JSON. The first names the journal and the form of the lines after it:
//
//	{"journal":"01953a10-…","format":1}
//
// Each other line is a record in its frame, which tells how long it is and what its checksum is:
//
//	{"bytes":59,"crc32c":"0f8e2b1c","record":{"at":"2027-03-02T19:50:00Z","kind":"device_revoked","event":{"device":"…"}}}
//
// What holds:
//
//   - A record is written by one call to the end of the file, begins with the end of the line before it, and is on the disk
//     before Append returns. So several processes may append at once, and a line that was cut off (the power went, the
//     disk was full) swallows nothing. A line that is shorter than its frame tells was cut off: it was never committed to,
//     and is passed over and counted. Any other line that is not what its frame tells is damage, and an error.
//   - A kind, or a member of an event, that this program does not know was written by a newer one, and is an error too. New
//     kinds are added beside those that are there; a kind never changes its meaning.
//   - The file is made whole, under its name or not at all, and is opened anew for each record: one that was taken away
//     is missed at once.
package journal
