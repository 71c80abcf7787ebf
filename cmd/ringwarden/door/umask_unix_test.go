//go:build unix

package door_test

import "syscall"

func setUmask(mask int) (before int) { return syscall.Umask(mask) }
