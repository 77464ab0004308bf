// Package door looks at one entry as it was sent and says what becomes of it: accepted, quarantined with all that is to
// be mended, or parked because its kind or schema is not known yet.
//
// The door sees the entry alone, with the role of its author. It knows no household, no clock and no other entry; what
// depends on those is decided in the fold. Nothing is refused for being wrong in time, and nothing is lost: whatever was
// sent has an id to be kept under. So the same bytes always get the same answer, and a stored entry can be looked at again
// after an upgrade.
//
// # Reading
//
// JSON is read strictly (RFC 7493): each member of an object once and spelt exactly, valid UTF-8, one value and nothing
// after it; the NUL character is not allowed anywhere. All that is wrong is told at once, each [Flaw] with a pointer and
// what would be right, and never with what stood there, since that may be about somebody's health. A member that stands
// twice counts as unread: which of the two was meant can't be told.
//
// # Incidents
//
// An incident must hold the learner even when it is malformed. An entry that is not accepted is therefore marked
// [Offered.MayBeIncident] when it calls itself an incident, in whatever letters, or when its kind can't be read.
//
// # Content
//
// Two offers of an id are the same when their content is: the canonical form (RFC 8785) of the entry without its stamp. What
// has no canonical form is compared byte by byte, as it is kept in [Offered.Sent].
package door
