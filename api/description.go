package api

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"maps"
	"regexp"
	"slices"
	"strings"
	"sync"

	"github.com/go-json-experiment/json"

	"swallowtail/internal/clinic"
	"swallowtail/openapi"
)

//go:embed docs.html
var docsTemplate string

// description is what the server needs of its own description.
type description struct {
	operations []route
	page       []byte // for people
}

// route is where an operation is asked for.
type route struct {
	id     clinic.Operation
	method string // in capitals
	path   string // as echo spells it, /v1/plans/:plan
}

// braced finds the parameters in a path as the description spells it.
var braced = regexp.MustCompile(`\{([a-z_]+)\}`)

// document is the part of the OpenAPI document that the page shows.
type document struct {
	Info struct {
		Title       string `json:"title"`
		Version     string `json:"version"`
		Description string `json:"description"`
	} `json:"info"`
	Paths map[string]map[string]operation `json:"paths"`
}

type operation struct {
	ID          string   `json:"operationId"`
	Summary     string   `json:"summary"`
	Description string   `json:"description"`
	Tags        []string `json:"tags"`
	Parameters  []any    `json:"parameters"`
}

// listed is an operation in the page.
type listed struct {
	Method, Path string
	operation
}

// describe reads the description, which never changes, and so only once.
var describe = sync.OnceValues(func() (description, error) {
	encoded, err := openapi.JSON()
	if err != nil {
		return description{}, err
	}
	var doc document
	if err := json.Unmarshal(encoded, &doc); err != nil {
		return description{}, fmt.Errorf("decode: %w", err)
	}
	var d description
	byTag := map[string][]listed{}
	for _, path := range slices.Sorted(maps.Keys(doc.Paths)) {
		for _, method := range slices.Sorted(maps.Keys(doc.Paths[path])) {
			op := doc.Paths[path][method]
			d.operations = append(d.operations, route{
				id: clinic.Operation(op.ID), method: strings.ToUpper(method), path: braced.ReplaceAllString(path, ":$1"),
			})
			byTag[strings.Join(op.Tags, ", ")] = append(byTag[strings.Join(op.Tags, ", ")],
				listed{Method: strings.ToUpper(method), Path: path, operation: op})
		}
	}
	page, err := template.New("docs").Parse(docsTemplate)
	if err != nil {
		return description{}, fmt.Errorf("parse page: %w", err)
	}
	var b bytes.Buffer
	if err := page.Execute(&b, map[string]any{"Info": doc.Info, "Tags": byTag}); err != nil {
		return description{}, fmt.Errorf("make page: %w", err)
	}
	d.page = b.Bytes()
	return d, nil
})
