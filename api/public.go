package api

import (
	"bytes"
	"context"
	"fmt"

	"swallowtail/api/oas"
	"swallowtail/internal/clinic"
	"swallowtail/openapi"
)

// GetHealth says that the process is alive.
func (s *server) GetHealth(context.Context, oas.GetHealthRequestObject) (oas.GetHealthResponseObject, error) {
	return oas.GetHealth200JSONResponse{Status: oas.HealthStatusOk}, nil
}

// GetReadiness says whether the store can be reached and is migrated.
func (s *server) GetReadiness(ctx context.Context, _ oas.GetReadinessRequestObject) (oas.GetReadinessResponseObject, error) {
	if err := s.Service.Ready(ctx); err != nil {
		return nil, err
	}
	return oas.GetReadiness200JSONResponse{Status: oas.ReadinessStatusReady}, nil
}

// GetSpecYaml gives the description as it is written.
func (s *server) GetSpecYaml(context.Context, oas.GetSpecYamlRequestObject) (oas.GetSpecYamlResponseObject, error) {
	body := openapi.YAML()
	return oas.GetSpecYaml200ApplicationYamlResponse{Body: bytes.NewReader(body), ContentLength: int64(len(body))}, nil
}

// GetSpecJSON gives the description as JSON.
func (s *server) GetSpecJSON(context.Context, oas.GetSpecJSONRequestObject) (oas.GetSpecJSONResponseObject, error) {
	encoded, err := openapi.JSON()
	if err != nil {
		return nil, fmt.Errorf("encode the description: %w", err)
	}
	return ok(encoded), nil // which decoding it and encoding it again, for each stranger who asks, would change nothing about
}

// GetDocs gives the description as a page for people.
func (s *server) GetDocs(context.Context, oas.GetDocsRequestObject) (oas.GetDocsResponseObject, error) {
	return oas.GetDocs200TextHTMLResponse{Body: bytes.NewReader(s.docs), ContentLength: int64(len(s.docs))}, nil
}

// GetJwks gives the keys that access tokens are checked with.
func (s *server) GetJwks(context.Context, oas.GetJwksRequestObject) (oas.GetJwksResponseObject, error) {
	var jwks oas.GetJwks200JSONResponse
	for _, k := range s.Keys.JWKS(s.Now()).Keys {
		jwks.Keys = append(jwks.Keys, oas.Jwk{
			Kty: oas.JwkKty(k.KeyType), Crv: &k.Curve, X: &k.X, Kid: k.KeyID, Alg: k.Algorithm, Use: oas.JwkUse(k.Use),
		})
	}
	return jwks, nil
}

// GetConsentText gives the text that redeeming an invite consents to.
func (s *server) GetConsentText(context.Context, oas.GetConsentTextRequestObject) (oas.GetConsentTextResponseObject, error) {
	return oas.GetConsentText200JSONResponse{Version: clinic.ConsentVersion, Text: clinic.ConsentText}, nil
}
