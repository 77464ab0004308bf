package main

import (
	"sync"
	"time"

	"github.com/prometheus/procfs"
)

// usage is what a process has used of the machine.
type usage struct {
	cpu      time.Duration // user and system
	resident int64         // octets of memory
}

// usageOf reads what a process has used and has in memory now; false where this system does not tell, as others than Linux.
func usageOf(pid int) (usage, bool) {
	p, err := procfs.NewProc(pid)
	if err != nil {
		return usage{}, false
	}
	s, err := p.Stat()
	if err != nil {
		return usage{}, false
	}
	return usage{cpu: time.Duration(s.CPUTime() * float64(time.Second)), resident: int64(s.ResidentMemory())}, true
}

// lookEvery is how often the memory of a process is looked at.
const lookEvery = 20 * time.Millisecond

// watchUsage looks at a process until what it returns is called, which tells what the process has used since, and the most memory
// it had.
func watchUsage(pid int) (stop func() (used usage, told bool)) {
	before, told := usageOf(pid)
	if !told {
		return func() (usage, bool) { return usage{}, false }
	}
	peak := before.resident
	end := make(chan struct{})
	var looking sync.WaitGroup
	looking.Go(func() {
		for {
			select {
			case <-end:
				return
			case <-time.After(lookEvery):
			}
			if now, told := usageOf(pid); told {
				peak = max(peak, now.resident)
			}
		}
	})
	return func() (usage, bool) {
		close(end)
		looking.Wait()
		after, told := usageOf(pid)
		return usage{cpu: after.cpu - before.cpu, resident: max(peak, after.resident)}, told
	}
}
