package api

import (
	"context"

	"swallowtail/api/oas"
	"swallowtail/internal/clinic"
)

// ListOwnDevices lists the devices of the caregiver who asks.
func (s *server) ListOwnDevices(ctx context.Context, _ oas.ListOwnDevicesRequestObject) (oas.ListOwnDevicesResponseObject, error) {
	devices, err := s.Service.OwnDevices(ctx, caller(ctx), s.Now())
	if err != nil {
		return nil, err
	}
	doc := oas.ListOwnDevices200JSONResponse{Devices: []oas.Device{}}
	for _, d := range devices {
		doc.Devices = append(doc.Devices, deviceOf(d))
	}
	return doc, nil
}

func consentOf(c clinic.Consent) oas.Consent {
	return oas.Consent{
		CaregiverID: c.Caregiver.String(), Version: c.Version, GivenAt: instantOrNull(c.Given), WithdrawnAt: instantOrNull(c.Withdrawn),
	}
}

// GetConsent tells where the consent of the caregiver who asks stands.
func (s *server) GetConsent(ctx context.Context, _ oas.GetConsentRequestObject) (oas.GetConsentResponseObject, error) {
	consent, err := s.Service.OwnConsent(ctx, caller(ctx), s.Now())
	return oas.GetConsent200JSONResponse(consentOf(consent)), err
}

// GiveConsent gives consent again, or to a new text.
func (s *server) GiveConsent(ctx context.Context, r oas.GiveConsentRequestObject) (oas.GiveConsentResponseObject, error) {
	consent, err := s.Service.GiveConsent(ctx, caller(ctx), r.Body.Version, s.Now())
	return oas.GiveConsent200JSONResponse(consentOf(consent)), err
}

// WithdrawConsent withdraws a caregiver's consent.
func (s *server) WithdrawConsent(ctx context.Context, r oas.WithdrawConsentRequestObject) (oas.WithdrawConsentResponseObject, error) {
	caregiver, err := pathID(r.Caregiver)
	if err != nil {
		return nil, err
	}
	consent, err := s.Service.WithdrawConsent(ctx, caller(ctx), caregiver, s.Now())
	return oas.WithdrawConsent200JSONResponse(consentOf(consent)), err
}
