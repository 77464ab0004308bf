// Package access answers two questions: who is calling, and is this something we made? It knows neither HTTP nor SQL
// and reads no clock: time and randomness are arguments.
//
// # What it holds
//
//   - Principal: the caller, as an access token states them, carried in a context.
//   - Keys: the server's secrets, in one file. Ed25519 keys sign access tokens; one secret of 32 bytes yields, by HKDF
//     (RFC 5869), a separate HMAC key for each other purpose. Rotation puts a new signing key before the others, each of
//     which verifies until an instant of its own, and leaves the secret as it is: what it seals and hashes must outlive
//     any signing key. A file that may have been read by somebody wants more than a rotation.
//   - Access tokens: signed JWTs that live at most AccessTTL for people and are therefore checked without a look-up.
//     A service token lives as long as its issuer said, so the caller also looks its TokenID up among the revoked.
//   - Refresh tokens and invite codes: random, opaque, stored only as a keyed hash, so that neither a stolen database
//     nor a stolen backup (without the key file) yields one that works.
//   - JudgeRefresh: what to do with a refresh token that is presented, as a pure function.
//   - Passwords (Argon2id) and the second factor (TOTP) of clinicians.
//   - Seals and cursors: values that leave the server and come back, with a proof that they came from here.
//
// # What it leaves to others
//
// Rights (which principal may do what) belong to the use cases, storing to the store, counting failed attempts to the
// edge. Errors that a caller should act upon are fault.Error values; any other error is a failure of the machinery.
package access
