package api

import (
	"context"

	"swallowtail/api/oas"
	"swallowtail/internal/clinic"
)

func pairOf(t clinic.Tokens) oas.TokenPair {
	return oas.TokenPair{AccessToken: t.Access, ExpiresIn: int(t.ExpiresIn.Seconds()), RefreshToken: t.Refresh}
}

// SignIn signs a clinician in.
func (s *server) SignIn(ctx context.Context, r oas.SignInRequestObject) (oas.SignInResponseObject, error) {
	c := clinic.Credentials{Email: r.Body.Email, Password: r.Body.Password, OTP: textOr(r.Body.OTP), Device: textOr(r.Body.KnownDevice)}
	in, err := s.Service.SignIn(ctx, c, s.Now())
	pair := pairOf(in.Tokens)
	pair.RecoveryCodesLeft, pair.KnownDevice = in.CodesLeft, textOrNil(in.Device)
	return oas.SignIn200JSONResponse(pair), err
}

// SetUpSecondFactor sets up a clinician's second factor, or confirms it.
func (s *server) SetUpSecondFactor(ctx context.Context, r oas.SetUpSecondFactorRequestObject) (oas.SetUpSecondFactorResponseObject, error) {
	c := clinic.Credentials{Email: r.Body.Email, Password: r.Body.Password, OTP: textOr(r.Body.OTP)}
	f, err := s.Service.SetUpSecondFactor(ctx, c, s.Now())
	if f.Confirmed {
		return oas.SetUpSecondFactor200JSONResponse{Confirmed: &f.Confirmed, RecoveryCodes: f.Codes}, err
	}
	return oas.SetUpSecondFactor200JSONResponse{Secret: &f.Secret, OtpauthURI: &f.URI}, err
}

// RefreshTokens exchanges a refresh token for a new pair.
func (s *server) RefreshTokens(ctx context.Context, r oas.RefreshTokensRequestObject) (oas.RefreshTokensResponseObject, error) {
	tokens, err := s.Service.Refresh(ctx, r.Body.RefreshToken, s.Now())
	return oas.RefreshTokens200JSONResponse(pairOf(tokens)), err
}

// SignOut ends a session.
func (s *server) SignOut(ctx context.Context, r oas.SignOutRequestObject) (oas.SignOutResponseObject, error) {
	return oas.SignOut204Response{}, s.Service.SignOut(ctx, r.Body.RefreshToken, s.Now())
}

// ChangePassword changes a clinician's password.
func (s *server) ChangePassword(ctx context.Context, r oas.ChangePasswordRequestObject) (oas.ChangePasswordResponseObject, error) {
	err := s.Service.ChangePassword(ctx, caller(ctx), r.Body.Password, textOr(r.Body.OTP), r.Body.NewPassword, s.Now())
	return oas.ChangePassword204Response{}, err
}

// MakeRecoveryCodes makes a clinician's recovery codes anew.
func (s *server) MakeRecoveryCodes(ctx context.Context, r oas.MakeRecoveryCodesRequestObject) (oas.MakeRecoveryCodesResponseObject, error) {
	codes, err := s.Service.MakeRecoveryCodes(ctx, caller(ctx), r.Body.Password, textOr(r.Body.OTP), s.Now())
	return oas.MakeRecoveryCodes200JSONResponse{RecoveryCodes: codes}, err
}

// EnrolDevice lets a device into a household.
func (s *server) EnrolDevice(ctx context.Context, r oas.EnrolDeviceRequestObject) (oas.EnrolDeviceResponseObject, error) {
	caregiver, err := bodyID(r.Body.Caregiver.ID, "/caregiver/id")
	if err != nil {
		return nil, err
	}
	e, err := s.Service.EnrolDevice(ctx, clinic.NewDevice{
		Code: r.Body.InviteCode, Caregiver: caregiver, Name: r.Body.Caregiver.Name,
		Device: r.Body.Device.Name, Platform: r.Body.Device.Platform,
	}, s.Now())
	pair := pairOf(e.Tokens)
	return oas.EnrolDevice201JSONResponse{
		DeviceID: e.Device.ID.String(), CaregiverID: e.Device.Caregiver.String(), HouseholdID: e.Device.Household.String(),
		AccessToken: pair.AccessToken, ExpiresIn: pair.ExpiresIn, RefreshToken: pair.RefreshToken,
	}, err
}
