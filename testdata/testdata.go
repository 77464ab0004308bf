// Package testdata holds the data that the program itself shows: the demo scenario.
package testdata

import (
	"embed"
	"io/fs"
)

//go:embed demo/*.json
var files embed.FS

// Demo returns the invented clinic of the demo: clinic.json, and one file for each family, as demo/README.md tells.
func Demo() fs.FS {
	demo, err := fs.Sub(files, "demo")
	if err != nil {
		panic(err) // the name is a valid one
	}
	return demo
}
