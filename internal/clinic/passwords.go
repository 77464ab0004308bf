package clinic

import (
	"context"

	"github.com/google/uuid"

	"swallowtail/internal/access"
)

// checkNewPassword refuses a password that does not fit a clinician of a clinic, as access.CheckNewPassword has it; NotFound where
// there is no such clinic.
func (s *Service) checkNewPassword(ctx context.Context, clinicID uuid.UUID, password, email, name string) error {
	var c Clinic
	err := s.Store.Read(ctx, func(ctx context.Context, view View) error {
		var err error
		c, err = view.Clinic(ctx, clinicID)
		return notThere(err)
	})
	if err != nil {
		return err
	}
	return access.CheckNewPassword(password, email, name, c.Name)
}
