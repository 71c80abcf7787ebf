//go:build unix

package main

import (
	"os"
	"syscall"
)

// hangup asks the daemon to read its files again.
var hangup os.Signal = syscall.SIGHUP
