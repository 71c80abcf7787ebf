package main

import (
	"os"
	"syscall"
)

// hangup is never sent on Windows: restart the program there.
var hangup os.Signal = syscall.SIGHUP
