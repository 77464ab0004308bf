// Command swallowtail is the record-keeper of a home-practice programme for learning to swallow tablets and capsules:
// the server, and the commands of whoever runs it.
package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // the zone database goes with the binary
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], os.Getenv, streams{in: os.Stdin, out: os.Stdout, err: os.Stderr})
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "swallowtail:", err)
		os.Exit(1)
	}
}
