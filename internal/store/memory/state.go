package memory

import (
	"maps"

	"github.com/google/uuid"

	"swallowtail/internal/clinic"
)

// state is all that a store holds. Once committed, neither it nor anything it leads to is written to.
type state struct {
	epoch, journal uuid.UUID

	clinics       table[uuid.UUID, clinic.Clinic]
	members       table[uuid.UUID, clinic.Member]
	plans         table[uuid.UUID, clinic.Plan]
	households    table[uuid.UUID, *household]
	invites       table[string, clinic.Invite]       // by hash
	refreshTokens table[string, clinic.RefreshToken] // by hash
	serviceTokens table[uuid.UUID, clinic.ServiceToken]
	trails        table[uuid.UUID, *trail] // by clinic

	// Of each member; the lists are never written to.
	recoveryCodes  table[uuid.UUID, [][]byte]
	knownAddresses table[uuid.UUID, []clinic.KnownAddress]

	zoneRules table[string, [32]byte] // by zone

	// The households of what has an id of its own; the ids of each kind are unique in the store.
	homes [kinds]table[uuid.UUID, uuid.UUID]
}

// kind is one of what lies in a household and is also found by its id alone.
type kind int

const (
	caregivers kind = iota
	devices
	learners
	screenings
	enrolments
	addresses
	feeds
	deliveries
	followUps
	kinds // their number
)

var kindNames = [kinds]string{
	"caregiver", "device", "learner", "screening", "enrolment", "address", "calendar feed", "delivery", "follow-up",
}

// mark names the transaction that made a copy and may write to it until it ends. It has a size, so that no two are the
// same, and leads to nothing, so that a state does not keep those before it.
type mark struct{ _ byte }

// table is a map that the versions of a state share until one writes to it.
type table[K comparable, V any] struct {
	rows map[K]V
	by   *mark
}

func (t *table[K, V]) has(key K) bool {
	_, ok := t.rows[key]
	return ok
}

func (t *table[K, V]) put(by *mark, key K, row V) {
	t.own(by)
	t.rows[key] = row
}

func (t *table[K, V]) drop(by *mark, key K) {
	t.own(by)
	delete(t.rows, key)
}

// own makes the map one that may be written to.
func (t *table[K, V]) own(by *mark) {
	if t.by != by {
		t.rows, t.by = maps.Clone(t.rows), by
	}
	if t.rows == nil {
		t.rows = map[K]V{}
	}
}

// view implements clinic.View on a state.
type view struct{ *state }

// tx implements clinic.Tx on a state that nobody else sees yet. Every method looks at everything that may stand in its way
// before it writes, so that one which fails has written nothing.
type tx struct {
	view
	mark *mark
}

var _ clinic.Tx = (*tx)(nil)

// household returns the household of an id.
func (v view) household(id uuid.UUID) (*household, error) {
	h, ok := v.households.rows[id]
	if !ok {
		return nil, absent("household")
	}
	return h, nil
}

// home returns the household in which something lies.
func (v view) home(of kind, id uuid.UUID) (*household, error) {
	home, ok := v.homes[of].rows[id]
	if !ok {
		return nil, absent(kindNames[of])
	}
	return v.household(home)
}

// own returns a household that the transaction may write to. The lists in it are still shared: they are replaced, never
// written to.
func (t *tx) own(h *household) *household {
	if h.by == t.mark {
		return h
	}
	c := *h
	c.by = t.mark
	c.edition++
	t.households.put(t.mark, c.ID, &c)
	return &c
}

// unsettle notes that something is in no household any more.
func (t *tx) unsettle(of kind, id uuid.UUID) { t.homes[of].drop(t.mark, id) }

// settle notes in which household something new lies.
func (t *tx) settle(of kind, id uuid.UUID, in *household) { t.homes[of].put(t.mark, id, in.ID) }
