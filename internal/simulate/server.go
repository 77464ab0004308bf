package simulate

import (
	"errors"

	"github.com/google/uuid"

	"swallowtail/api"
	"swallowtail/internal/access"
	"swallowtail/internal/clinic"
)

// server is the simulated server: the real one, but for its store's power and its connections.
type server struct {
	store   *powered
	service *clinic.Service
	*beside
}

// start starts the server on what the house knows.
func (s *server) start(w *World) error {
	storage, err := w.street.engine.From(w.ctx, w.house.before)
	if err != nil {
		return err
	}
	s.store = &powered{Storage: storage}
	s.beside = newBeside(w.house.made)
	s.restart(w)
	return nil
}

// restart starts the server anew. All that it knows lies in its store.
func (s *server) restart(w *World) {
	s.store.next = steady
	s.service = w.street.service(s.store, s.beside)
}

// ask lets the server answer a call. It notes what only the world can see of it.
func (w *World) ask(x *exchange) {
	w.operations++
	x.asked++
	w.watchArrival(x)
	answer, err := w.answer(x.from, x.request)
	if x.ready {
		return // the phone gets the first answer
	}
	x.ready, x.history = true, w.ledger.rollbacks
	switch {
	case errors.Is(err, errPowerCut):
		x.err = errLost
	case err != nil:
		x.problem = api.ProblemOf(err)
	default:
		x.answer = answer
	}
}

func (w *World) answer(from access.Principal, body []byte) ([]byte, error) {
	from.Unproven = true // as it is on the wire, where there is but a token
	answer, err := api.AnswerSync(access.WithPrincipal(w.ctx, from), w.server.service, body, w.now)
	if !errors.Is(err, errPowerCut) {
		err = w.server.service.Refusal(w.ctx, from, err)
	}
	if errors.Is(err, errPowerCut) {
		w.say("power cut")
		w.server.restart(w)
		return nil, err
	}
	w.server.store.next = steady
	if err != nil {
		w.heard("sync refused", api.ProblemOf(err))
		return nil, err
	}
	w.heard("sync", answer)
	w.watchAnswer(from, answer)
	return answer, nil
}

// clinicDoes lets the clinician do something, until it is done: a clinician who sees no answer tries again.
func (w *World) clinicDoes(what string, do func(s *clinic.Service) error) {
	for range 3 {
		err := do(w.server.service)
		if !errors.Is(err, errPowerCut) {
			w.server.store.next = steady
			if err != nil {
				w.broken("%s: %v", what, err)
			}
			return
		}
		w.server.restart(w)
	}
	w.broken("%s: the power is cut again and again", what)
}

// enrol lets a new phone of one of the people in, or one whose phone is not known any more.
func (w *World) enrol(caregiver uuid.UUID) (principal access.Principal) {
	w.clinicDoes("enrol a phone", func(s *clinic.Service) error {
		invite, err := s.CreateInvite(w.ctx, w.house.clinician, w.house.household, caregiver, w.now)
		if err != nil {
			return err
		}
		e, err := s.EnrolDevice(w.ctx, newPhone(invite.Code), w.now)
		principal = w.house.principal(e)
		w.heard("createInvite", invite)
		w.heard("enrolDevice", e)
		return err
	})
	return principal
}
