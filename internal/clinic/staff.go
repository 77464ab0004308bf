package clinic

import (
	"context"
	"time"

	"github.com/google/uuid"
)

// TokenFamily is a family of tokens as a whole, one sign-in or one enrolment, and how its holder stands: all that each call asks.
type TokenFamily struct {
	Member   uuid.UUID // the clinician, or zero
	Device   uuid.UUID // the device, or zero
	Ended    bool
	Disabled time.Time // the clinician, since when; zero while they may sign in
	Revoked  time.Time // the device, since when; zero while it is active
	// Withdrawn is since when the consent of the device's caregiver is withdrawn; zero while it stands.
	Withdrawn time.Time
}

// GoodFor tells whether the tokens of a family let in the clinician or the device, the other of which is zero, that they name.
func (f TokenFamily) GoodFor(member, device uuid.UUID) bool {
	return !f.Ended && f.Disabled.IsZero() && f.Member == member && f.Device == device
}

// Glances tell what the methods of a View of the same names tell, for every call anew: of whom a token names, and whether what is kept in
// memory of a household is as it is. Each is one look at what has been committed when it is called: it begins no transaction and
// waits for no writer.
type Glances interface {
	// TokenFamily returns a family of which the store holds a token.
	TokenFamily(ctx context.Context, family uuid.UUID) (TokenFamily, error)
	ServiceToken(ctx context.Context, id uuid.UUID) (ServiceToken, error)
	Edition(ctx context.Context, household uuid.UUID) (Edition, error)
}

// KnownAddress is a network from which a clinician has signed in.
type KnownAddress struct {
	Hash []byte // keyed, so that a copy of the store doesn't tell where people live
	Last time.Time
}

// StaffView reads how clinicians are let in.
type StaffView interface {
	// Members returns a clinic's clinicians by id, disabled ones too.
	Members(ctx context.Context, clinic uuid.UUID) ([]Member, error)
	// TokenFamily returns a family of which the store holds a token.
	TokenFamily(ctx context.Context, family uuid.UUID) (TokenFamily, error)
	// OpenFamilies returns, by id, the families of a clinician that have not ended and have a token which expires after an
	// instant.
	OpenFamilies(ctx context.Context, member uuid.UUID, at time.Time) ([]uuid.UUID, error)
	// RecoveryCodes returns the hashes of a clinician's unused recovery codes, in their own order.
	RecoveryCodes(ctx context.Context, member uuid.UUID) ([][]byte, error)
	// KnownAddresses returns from where a clinician has signed in, the latest first, then by hash.
	KnownAddresses(ctx context.Context, member uuid.UUID) ([]KnownAddress, error)
}

// StaffTx writes how clinicians are let in.
type StaffTx interface {
	SetPassword(ctx context.Context, member uuid.UUID, hash string) error
	// SetDisabled notes since when a clinician may not sign in; at the zero instant they may again.
	SetDisabled(ctx context.Context, member uuid.UUID, at time.Time) error
	// SetRecoveryCodes puts hashes, no two of which are the same, in the place of all those that a clinician had.
	SetRecoveryCodes(ctx context.Context, member uuid.UUID, hashes [][]byte) error
	// SpendRecoveryCode takes away one code; NotFound where the clinician has none of this hash.
	SpendRecoveryCode(ctx context.Context, member uuid.UUID, hash []byte) error
	// KeepAddress adds an address, or notes when it was used last.
	KeepAddress(ctx context.Context, member uuid.UUID, address KnownAddress) error
	// ForgetAddress takes away an address; NotFound where it is none of the clinician's.
	ForgetAddress(ctx context.Context, member uuid.UUID, hash []byte) error
}
