// Package oas holds the types and the strict echo server generated from the description in openapi/openapi.yaml.
// Nothing in it is written by hand but this file, and only package api imports it.
package oas

//go:generate go run github.com/oapi-codegen/oapi-codegen/v2/cmd/oapi-codegen@v2.8.2 -config ../../openapi/oapi-codegen.yaml ../../openapi/openapi.yaml
