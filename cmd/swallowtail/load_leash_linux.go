package main

import (
	"os/exec"
	"runtime"
	"syscall"
)

// leash has a process told to end when this one is gone, however that came about. What is returned is to be called once the process is
// to be started, on the goroutine that then waits for its end: the signal comes when the thread ends that started it (PR_SET_PDEATHSIG
// in prctl(2)).
func leash(cmd *exec.Cmd) (hold func() (let func())) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGTERM}
	return func() func() {
		runtime.LockOSThread()
		return runtime.UnlockOSThread
	}
}
