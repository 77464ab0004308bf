package main

import (
	"runtime"
	"runtime/debug"
	"testing"

	"github.com/stretchr/testify/assert"
)

// TestMemorySettles takes much memory, lets go of it and looks whether the system has it back, and how far the heap may grow from there.
func TestMemorySettles(t *testing.T) { // alone, since it looks at the whole process
	before := debug.SetGCPercent(100)
	defer debug.SetGCPercent(before)
	for name, c := range map[string]struct {
		set  map[string]string
		want int
	}{
		"usually":      {nil, 70},
		"how far":      {map[string]string{"GOMEMLIMIT": "1GiB"}, 100},
		"by how much":  {map[string]string{"GOGC": "100"}, 100},
		"not an empty": {map[string]string{"GOGC": ""}, 70},
	} {
		const much = 64 << 20
		garbage := make([]byte, much)
		for i := range garbage {
			garbage[i] = 1
		}
		runtime.KeepAlive(garbage)
		settleMemory(func(name string) string { return c.set[name] }, 70, true)
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		assert.Less(t, m.HeapIdle-m.HeapReleased, uint64(much/4), "%s: what is free and has not been given back", name)
		assert.Equal(t, c.want, debug.SetGCPercent(100), name)
	}
}

// TestMemoryIsProfiledForSomebody asks for a profile of memory where there is somebody to look at it, and for none elsewhere.
func TestMemoryIsProfiledForSomebody(t *testing.T) { // alone, as above
	growth, rate := debug.SetGCPercent(100), runtime.MemProfileRate
	defer func() { runtime.MemProfileRate = rate; debug.SetGCPercent(growth) }()
	nothing := func(string) string { return "" }
	runtime.MemProfileRate = 512 << 10
	settleMemory(nothing, 100, true)
	assert.Equal(t, 512<<10, runtime.MemProfileRate)
	settleMemory(nothing, 100, false)
	assert.Zero(t, runtime.MemProfileRate)
}
