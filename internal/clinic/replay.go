package clinic

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"swallowtail/internal/fault"
)

// Replayed is what the replay of a journal did.
type Replayed struct {
	Records    int `json:"records"`    // in the journal
	Devices    int `json:"devices"`    // let in
	Caregivers int `json:"caregivers"` // added, since they came with such a device
	Invites    int `json:"invites"`    // spent
	Tokens     int `json:"tokens"`     // added
	Revoked    int `json:"revoked"`    // devices
	Ended      int `json:"ended"`      // records of an end; the families may have ended before
	Consents   int `json:"consents"`   // withdrawn or given again
	// ServiceTokens counts the tokens of programs that were revoked.
	ServiceTokens int `json:"service_tokens"`
	Told          int `json:"told"`       // reminders that may have reached a family
	Channels      int `json:"channels"`   // addresses and calendar feeds that were removed
	Clinicians    int `json:"clinicians"` // records of how one signs in; of those about the same thing the last counts
	// Homeless counts the records about a household, a device or a clinician that the store does not hold.
	Homeless int `json:"homeless"`
}

// Replay brings what a journal tells into a store that may have been restored from an older backup, and folds the
// households that it touched anew. Records that the store holds already change nothing, so a replay can be repeated.
//
// Afterwards a clinician signs in as they did last: disabled, with the password, the second factor and the recovery codes that
// they had. A revoked device is revoked, an ended family of tokens is over, a device that was let in since is let in, and
// the invite that it redeemed is spent. Of each family the tokens issued last are good, and so is, once, the one that was
// exchanged for them. Whether their answer ever arrived nobody knows any more: it may have been cut off by the very crash
// that made a backup necessary, and a device that still holds the former token must not be locked out. Whichever is used
// first supersedes the others. All older tokens are superseded.
func (s *Service) Replay(ctx context.Context, tx Tx, records []JournalRecord, now time.Time) (Replayed, error) {
	r := &replay{
		tx: tx, holders: map[uuid.UUID]bool{}, exchanged: map[string]bool{}, touched: map[uuid.UUID]bool{},
		consents: map[uuid.UUID]consentSaid{},
		done:     Replayed{Records: len(records)},
	}
	for i := range records {
		if err := r.apply(ctx, records[i]); err != nil {
			return r.done, fmt.Errorf("replay record %d of the journal: %w", i+1, err)
		}
	}
	if err := r.settleConsents(ctx); err != nil {
		return r.done, fmt.Errorf("replay consents: %w", err)
	}
	for household := range r.touched {
		if err := s.refold(ctx, tx, household, now); err != nil {
			return r.done, err
		}
	}
	return r.done, nil
}

// NewHistory is what beginning a history anew did.
type NewHistory struct {
	BackupEpoch uuid.UUID
	Epoch       uuid.UUID
	Replayed    Replayed
}

// BeginAnew makes of what a backup held the beginning of a new history: it gets an epoch of its own, so that every phone
// notices and hands in again what it holds; the journal is replayed, and is the one beside the store from now on.
func (s *Service) BeginAnew(
	ctx context.Context, tx Tx, journal uuid.UUID, records []JournalRecord, now time.Time,
) (NewHistory, error) {
	h := NewHistory{Epoch: s.NewID()}
	var err error
	if h.BackupEpoch, err = tx.Epoch(ctx); err != nil {
		return h, err
	}
	if err := tx.RenewEpoch(ctx, h.Epoch); err != nil {
		return h, err
	}
	if h.Replayed, err = s.Replay(ctx, tx, records, now); err != nil {
		return h, err
	}
	if err := tellOfHistory(ctx, tx, "restore", h.Epoch, now); err != nil {
		return h, err
	}
	return h, tx.SetJournal(ctx, journal)
}

// tellOfHistory puts the command by which another history has begun on the trail of every clinic.
func tellOfHistory(ctx context.Context, tx Tx, command string, epoch uuid.UUID, now time.Time) error {
	clinics, err := clinicsIn(ctx, tx)
	if err != nil {
		return err
	}
	for _, id := range clinics {
		row := operatorRow(ctx, id, command, now)
		row.Thing = epoch
		if err := enter(ctx, tx, &row); err != nil {
			return err
		}
	}
	return nil
}

// replay is a replay under way.
type replay struct {
	tx        Tx
	holders   map[uuid.UUID]bool // devices and members that were looked for, and whether the store holds them
	exchanged map[string]bool    // the hashes of tokens in whose place this replay has added another
	touched   map[uuid.UUID]bool // households to fold anew
	consents  map[uuid.UUID]consentSaid
	done      Replayed
}

func (r *replay) apply(ctx context.Context, record JournalRecord) error {
	switch event := record.Event.(type) {
	case DeviceEnrolled:
		return r.enrolled(ctx, event, record.At)
	case TokenIssued:
		return r.issued(ctx, event)
	case DeviceRevoked:
		return r.revoked(ctx, event, record.At)
	case ConsentChanged:
		r.consent(event, record.At)
		return nil
	case ClinicSet:
		return r.clinicSet(ctx, event)
	case FamilyEnded:
		r.done.Ended++
		return r.tx.EndTokenFamily(ctx, event.Family)
	case ServiceTokenRevoked:
		return r.revokedService(ctx, event, record.At)
	case FamilyTold:
		return r.told(ctx, event, record.At)
	case AddressRemoved:
		return r.removed(ctx, event)
	case CalendarFeedRevoked:
		return r.feedRevoked(ctx, event)
	case memberEvent:
		return r.member(ctx, event, record.At)
	default:
		return fmt.Errorf("a journal can't tell of %T", event)
	}
}

func (r *replay) enrolled(ctx context.Context, e DeviceEnrolled, at time.Time) error {
	there, err := found(r.tx.Household(ctx, e.Device.Household))
	if err != nil {
		return err
	}
	if !there {
		r.done.Homeless++
		return nil
	}
	if err := r.spendInvite(ctx, e.Invite, at); err != nil {
		return err
	}
	if err := r.letIn(ctx, e.Caregiver); err != nil {
		return err
	}
	if there, err = found(r.tx.Device(ctx, e.Device.ID)); there || err != nil {
		return err
	}
	r.done.Devices++
	r.touched[e.Device.Household] = true
	return r.tx.AddDevice(ctx, e.Device)
}

// letIn adds the caregiver of a device where there is none of that id, and notes the consent that they gave by enrolling it.
func (r *replay) letIn(ctx context.Context, p Person) error {
	r.consents[p.ID] = consentSaid{at: p.Consented, version: p.ConsentVersion}
	there, err := found(r.tx.Caregiver(ctx, p.ID))
	if there || err != nil {
		return err
	}
	r.done.Caregivers++
	return r.tx.AddCaregiver(ctx, p)
}

// spendInvite spends an invite, unless it is spent or was made after the backup, so that nobody can redeem it any more.
func (r *replay) spendInvite(ctx context.Context, hash []byte, at time.Time) error {
	invite, err := r.tx.InviteByHash(ctx, hash)
	if fault.KindOf(err) == fault.NotFound || (err == nil && !invite.Used.IsZero()) {
		return nil
	}
	if err != nil {
		return err
	}
	r.done.Invites++
	return r.tx.SpendInvite(ctx, hash, at)
}

func (r *replay) issued(ctx context.Context, e TokenIssued) error {
	there, err := r.holds(ctx, &e.Token)
	if err != nil {
		return err
	}
	if !there {
		r.done.Homeless++
		return nil
	}
	if there, err = found(r.tx.RefreshTokenByHash(ctx, e.Token.Hash)); there || err != nil {
		return err
	}
	r.done.Tokens++
	return r.addToken(ctx, e.Token, e.Replaces)
}

// holds reports whether the store knows the device or the member whose token it is.
func (r *replay) holds(ctx context.Context, t *RefreshToken) (bool, error) {
	id := t.Device
	if id == uuid.Nil {
		id = t.Member
	}
	there, known := r.holders[id]
	if known {
		return there, nil
	}
	var err error
	if t.Device != uuid.Nil {
		there, err = found(r.tx.Device(ctx, id))
	} else {
		there, err = found(r.tx.Member(ctx, id))
	}
	r.holders[id] = there
	return there, err
}

// addToken adds a token that the store lacks, and supersedes what is older than the one that was exchanged for it.
func (r *replay) addToken(ctx context.Context, t RefreshToken, replaces []byte) error {
	again := r.exchanged[string(replaces)] // its answer was lost
	r.exchanged[string(replaces)] = true
	former, err := r.tx.RefreshTokenByHash(ctx, replaces)
	if fault.KindOf(err) == fault.NotFound {
		return r.addAfterUnknown(ctx, t, len(replaces) == 0 || again)
	}
	if err != nil {
		return err
	}
	if !again && former.Spent.IsZero() && !former.Superseded {
		// Only its elders are superseded; it is left unspent itself: see Replay.
		if err := r.tx.SpendRefreshToken(ctx, replaces, time.Time{}); err != nil {
			return err
		}
	}
	// Where something later of the family is known, the new token is as old as the former.
	t.Superseded, t.Ended = former.Superseded, former.Ended
	return r.tx.AddRefreshToken(ctx, t)
}

// addAfterUnknown adds a token that begins its family, or that was exchanged for one which neither the store nor the
// journal has: then whatever the store has of the family is older.
func (r *replay) addAfterUnknown(ctx context.Context, t RefreshToken, eldest bool) error {
	if err := r.tx.AddRefreshToken(ctx, t); err != nil || eldest {
		return err
	}
	return r.tx.SpendRefreshToken(ctx, t.Hash, time.Time{})
}

func (r *replay) revoked(ctx context.Context, e DeviceRevoked, at time.Time) error {
	device, err := r.tx.Device(ctx, e.Device)
	if fault.KindOf(err) == fault.NotFound {
		r.done.Homeless++
		return nil
	}
	if err != nil || !device.Revoked.IsZero() {
		return err
	}
	r.done.Revoked++
	r.touched[device.Household] = true
	return r.tx.RevokeDevice(ctx, e.Device, at)
}

// clinicSet brings what a clinic changed about itself to where it was left; of several records the last counts.
func (r *replay) clinicSet(ctx context.Context, e ClinicSet) error {
	c, err := r.tx.Clinic(ctx, e.Clinic)
	if fault.KindOf(err) == fault.NotFound {
		r.done.Homeless++
		return nil
	}
	if err != nil {
		return err
	}
	c.SecondFactor, c.InviteWindow = e.SecondFactor, e.InviteWindow
	return r.tx.SetClinic(ctx, c)
}

// consentSaid is the last that a journal says of a caregiver's consent.
type consentSaid struct {
	at        time.Time
	version   string
	withdrawn bool
}

// consent notes what a journal says of a caregiver's consent: its order decides, whatever clocks did.
func (r *replay) consent(e ConsentChanged, at time.Time) {
	r.consents[e.Caregiver] = consentSaid{at: at, version: e.Version, withdrawn: e.Withdrawn}
}

// settleConsents brings every caregiver's consent to where it was left.
func (r *replay) settleConsents(ctx context.Context) error {
	for id, said := range r.consents {
		p, err := r.tx.Caregiver(ctx, id)
		if fault.KindOf(err) == fault.NotFound {
			r.done.Homeless++
			continue
		}
		if err != nil {
			return err
		}
		if said.withdrawn == !p.Withdrawn.IsZero() && (said.withdrawn || p.Consented.Equal(said.at)) {
			continue
		}
		r.done.Consents++
		r.touched[p.Household] = true
		if said.withdrawn {
			err = r.tx.WithdrawConsent(ctx, id, said.at)
		} else {
			err = r.tx.RecordConsent(ctx, id, said.version, said.at)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// found turns the answer to a search into whether it found anything.
func found[T any](_ T, err error) (bool, error) {
	if fault.KindOf(err) == fault.NotFound {
		return false, nil
	}
	return err == nil, err
}
