// Command ringwarden keeps watch over battery charge controllers that are joined in a ring.
//
// This package reads the command line, opens the rooms and connects them. What a room knows stays in the room.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // small boxes and empty containers have no zone files
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}
