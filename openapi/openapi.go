// Package openapi holds the description of the HTTP interface, written by hand in openapi.yaml. The server is generated
// from it, serves it, and in the tests is held to it.
package openapi

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"slices"
	"sync"

	"go.yaml.in/yaml/v3"
)

//go:embed openapi.yaml
var document []byte

// YAML returns the description as it is written, an OpenAPI 3.1 document. The caller may change what it receives.
func YAML() []byte { return slices.Clone(document) }

// JSON returns the same document as JSON, its members in alphabetical order so that the bytes are always the same. The
// caller may change what it receives.
func JSON() ([]byte, error) {
	made, err := converted()
	return slices.Clone(made), err
}

// converted is made once: that takes some fifty milliseconds, and anybody may ask for it.
var converted = sync.OnceValues(func() ([]byte, error) {
	var tree map[string]any
	if err := yaml.Unmarshal(document, &tree); err != nil {
		return nil, fmt.Errorf("read the description: %w", err)
	}
	made, err := json.Marshal(tree)
	if err != nil {
		return nil, fmt.Errorf("write the description as JSON: %w", err)
	}
	return made, nil
})
