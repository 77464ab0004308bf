package access

import "time"

// Lifetimes of refresh tokens.
const (
	// DeviceRefreshIdle is how long a device may stay away before it must be enrolled again. It is far longer than a
	// programme of two weeks, since a phone that comes back late still holds what was practised. A device has no
	// limit on its whole session: it ends by revocation.
	DeviceRefreshIdle = 90 * 24 * time.Hour

	// ClinicianRefreshIdle and ClinicianSession are how long a clinician may be idle, and how long one sign-in lasts
	// whatever they do: the limits of NIST SP 800-63B-4 for two factors.
	ClinicianRefreshIdle = time.Hour
	ClinicianSession     = 24 * time.Hour

	// RefreshGrace is how long after its use a refresh token may be presented again by a client that lost the answer.
	RefreshGrace = 60 * time.Second
)

// RefreshExpiry is when a refresh token expires that is handed out at now, in a family that began with a sign-in or an
// enrolment at began.
func RefreshExpiry(role Role, began, now time.Time) time.Time {
	if role == RoleDevice {
		return now.Add(DeviceRefreshIdle)
	}
	idle, session := now.Add(ClinicianRefreshIdle), began.Add(ClinicianSession)
	if session.Before(idle) {
		return session
	}
	return idle
}

// TokenTTL is how long an access token may last that is handed out at now, in whole seconds: AccessTTL, and never beyond the end
// of a clinician's session, which began at began. It is zero or less once the session is over.
func TokenTTL(role Role, began, now time.Time) time.Duration {
	if role == RoleDevice {
		return AccessTTL
	}
	left := began.Add(ClinicianSession).Sub(now.Truncate(time.Second)) // a token is issued on the second
	return min(AccessTTL, left.Truncate(time.Second))
}

// RefreshState is what is stored about a refresh token. Tokens handed out in exchange for one another, from one
// sign-in or enrolment on, are a family.
type RefreshState struct {
	ExpiresAt  time.Time
	SpentAt    time.Time // when it was first accepted; zero: never
	Superseded bool      // another token of the family was accepted while this one existed
	Ended      bool      // the family was ended: by sign-out, revocation or reuse
}

// RefreshVerdict is what to do with a refresh token that is presented.
type RefreshVerdict int

// The verdicts, and what each asks of the caller, in one transaction.
const (
	// EndFamily: refuse, and mark every token of the family as ended. Two holders share it, or it is over already.
	EndFamily RefreshVerdict = iota
	// Expired: refuse; nothing to change.
	Expired
	// Accept: mark this token as spent now and every other token of the family as superseded, then hand out a new
	// pair in the same family.
	Accept
	// RetryWithinGrace: hand out a new pair in the same family and change nothing else. Which of the pairs the client
	// got is seen when it uses one.
	RetryWithinGrace
)

// JudgeRefresh decides what becomes of a refresh token presented at now.
//
// A token works once. A spent one may come back within RefreshGrace as long as no token handed out for it has been
// used, since then the answer may have been lost. After that, whoever presents it, or an unused twin of a token that
// was used instead, is a second holder: thief and owner cannot be told apart, so both lose the family.
func JudgeRefresh(s RefreshState, now time.Time) RefreshVerdict {
	switch {
	case s.Ended || s.Superseded:
		return EndFamily
	case !s.SpentAt.IsZero():
		// The absolute value, lest a server clock that was set back stretch the grace.
		if now.Sub(s.SpentAt).Abs() <= RefreshGrace {
			return RetryWithinGrace
		}
		return EndFamily
	case !now.Before(s.ExpiresAt):
		return Expired
	default:
		return Accept
	}
}
