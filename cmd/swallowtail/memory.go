package main

import "runtime/debug"

// usualGrowth is by how much of what is in use, in per cent, a server's heap grows before it is collected. Go's own 100 takes twice of
// it; much less than this takes processor time, since what a collection costs is the same however soon the next one is due.
const usualGrowth = 80

// settleMemory gives back to the system what only the start needed, and has the heap grow by less before it is collected, unless the
// operator has said by how much or how far, with GOGC or GOMEMLIMIT.
func settleMemory(getenv func(string) string) {
	if getenv("GOGC") == "" && getenv("GOMEMLIMIT") == "" {
		debug.SetGCPercent(usualGrowth)
	}
	debug.FreeOSMemory()
}
