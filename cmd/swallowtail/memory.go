package main

import (
	"runtime"
	"runtime/debug"
	"sync"
)

// How much of what is in use, in per cent, a server's heap grows by before it is collected. It is more than Go's own, since little is in use and
// what a collection costs is the same however soon the next one is due; and less beside a database in a file, whose pages are kept in the
// same memory.
const (
	growthBesideFile = 120
	growthElsewhere  = 150
)

// settleMemory gives back to the system what only the start needed, and has the heap grow by so many per cent before it is collected, unless
// the operator has said by how much or how far, with GOGC or GOMEMLIMIT. Where nobody can look at profiles, none is taken of memory.
func settleMemory(getenv func(string) string, growth int, profiled bool) {
	if !profiled {
		withoutProfile()
	}
	if getenv("GOGC") == "" && getenv("GOMEMLIMIT") == "" {
		debug.SetGCPercent(growth)
	}
	debug.FreeOSMemory()
}

// withoutProfile spares the looks at who asks for memory, one in half a megabyte, which take one or two of a hundred of a busy server's
// processor time.
func withoutProfile() {
	profiling.Lock()
	defer profiling.Unlock()
	runtime.MemProfileRate = 0
}

// profiling is held by who changes what is profiled: several servers may start in one process.
var profiling sync.Mutex
