//go:build !linux

package store

// ThisBoot returns the present start of this machine, of which this system says no name.
func ThisBoot() Boot { return Boot{Now: sinceProgram()} }
