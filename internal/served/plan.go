package served

import (
	"github.com/go-json-experiment/json/jsontext"
	"github.com/google/uuid"
)

// Plan is one version of a plan.
type Plan struct {
	ID         uuid.UUID      `json:"id"`
	Name       string         `json:"name"`
	Version    int            `json:"version"`
	Builtin    bool           `json:"builtin"`
	Parameters jsontext.Value `json:"parameters"`
}
