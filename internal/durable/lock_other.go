//go:build !unix

package durable

import "os"

// lock does nothing where there is no such lock: there only one may update a file at a time.
func lock(*os.File) error { return nil }

func giveTo(string, *os.File) error { return nil }
