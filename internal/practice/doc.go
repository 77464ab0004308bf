// Package practice is the heart of Swallowtail: the words of the home-practice programme as types, and the pure functions
// that turn a household's entries into what happened.
//
// # What goes in
//
// A household's knowledge is a growing set of immutable entries ([Entry]), each with the stamp it was given when first
// received ([Stamp]). With the learners' enrolments and plans ([Enrolment], [Plan]), the last contact of each device
// ([Contact]) and an instant, that set is all that [Fold] looks at. There is no clock, no database and no network in this
// package, and neither the order of the entries nor how often each appears can change an answer.
//
// # How it becomes nights
//
// The fold is a line of small steps, each in a file of its own. A second implementation can be written from these notes.
//
//  1. Voices (voice.go). What was set aside, quarantined or parked speaks only as its status, what is wrong with it as it is
//     read now, and the reviews let it. An entry speaks for its author. A clinician's copy of a paper sheet speaks for the
//     caregiver who filled it in, the witness; its tries speak for the witness of their session, and a clinician's
//     retraction for the witness of whatever copy it replaces. No clinician speaks for another.
//  2. Accounts and heads (account.go). Entries of one subject, author and kind form an account. Its heads are the entries
//     that no other entry of the account replaces; a retraction may replace any kind, but a clinician's copy nothing that
//     the witness wrote with their own hand. A ring of replacements, which only a broken client can make, replaces
//     nothing: all its members stand. An account whose only heads are retractions is withdrawn. A retraction beside a
//     head that its writer had not seen is without effect, and marks the account.
//  3. Sittings (sitting.go). Sessions become sittings by joining pairs, linked ones first, then the closest in time. In
//     time, a session is compared with the 32 that start next; only a broken device records more within the window.
//  4. Tries (reading.go). Tries of one sitting with the same position and number are readings of one try. The most
//     cautious whole reading counts, unless a settlement holds.
//  5. Nights (night.go, state.go). Each sitting falls on the night of its earliest session; each night of an enrolment has
//     exactly one state.
//  6. Streak, hold, marks (streak.go, hold.go, mark.go).
//
// # Instants, nights and zones
//
// A [Moment] is an instant together with the UTC offset at which it was written, since the wall clock at the place of
// practice decides the night. A [Night] is a civil date; the day turns at the plan's hour, 04:00 unless the plan says
// otherwise. Whether a night has closed is asked of the enrolment's home zone, in the IANA zone database.
package practice
