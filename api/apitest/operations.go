package apitest

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"swallowtail/openapi"
)

// Description is what of the API's description tells calls apart.
type Description struct {
	routes []route
	enums  map[string][]string
}

type route struct {
	method, operation string
	segments          []string
}

// Describe reads the description that is served.
func Describe() (Description, error) {
	var d Description
	converted, err := openapi.JSON()
	if err != nil {
		return d, fmt.Errorf("read the description: %w", err)
	}
	var doc struct {
		Paths      map[string]map[string]struct{ OperationID string }
		Components struct {
			Schemas map[string]struct{ Enum []any }
		}
	}
	if err := json.Unmarshal(converted, &doc); err != nil {
		return d, fmt.Errorf("read the description: %w", err)
	}
	for path, item := range doc.Paths {
		for method, o := range item {
			d.routes = append(d.routes, route{strings.ToUpper(method), o.OperationID, strings.Split(path, "/")})
		}
	}
	// What is spelled out goes before what only has the same form.
	slices.SortFunc(d.routes, func(a, b route) int {
		return cmp.Or(cmp.Compare(a.open(), b.open()), strings.Compare(a.operation, b.operation))
	})
	d.enums = map[string][]string{}
	for name, schema := range doc.Components.Schemas {
		for _, value := range schema.Enum {
			if text, is := value.(string); is {
				d.enums[name] = append(d.enums[name], text)
			}
		}
	}
	return d, nil
}

// open returns how many segments are parameters.
func (r *route) open() (n int) {
	for _, s := range r.segments {
		n += strings.Count(s, "{")
	}
	return n
}

// Operations returns the ids of all operations.
func (d Description) Operations() (ids []string) {
	for _, r := range d.routes {
		ids = append(ids, r.operation)
	}
	return ids
}

// OperationOf returns the operation that a call is of; empty where it is of none.
func (d Description) OperationOf(method, path string) string {
	segments := strings.Split(path, "/")
	for _, r := range d.routes {
		if r.method == method && r.matches(segments) {
			return r.operation
		}
	}
	return ""
}

func (r *route) matches(segments []string) bool {
	if len(segments) != len(r.segments) {
		return false
	}
	for i, s := range r.segments {
		if s != segments[i] && !strings.HasPrefix(s, "{") {
			return false
		}
	}
	return true
}
