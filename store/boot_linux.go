package store

import (
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// ThisBoot returns the present start of this machine.
//
// Linux names each start (random(4)), and has a clock that counts from it on, sleep included, and that nobody can set
// (CLOCK_BOOTTIME, clock_gettime(2)). A container may be given a start of its own, from which that clock counts
// (time_namespaces(7)): so that belongs to the name.
func ThisBoot() Boot {
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if _, ok := sinceStart(); err != nil || !ok {
		return Boot{Now: sinceProgram()}
	}
	offsets, _ := os.ReadFile("/proc/self/timens_offsets") // a kernel without such containers has no such file
	return Boot{ID: strings.Join(strings.Fields(string(id)+" "+string(offsets)), " "), Now: func() (time.Time, time.Duration) {
		up, _ := sinceStart()
		return time.Now(), up
	}}
}

func sinceStart() (time.Duration, bool) {
	var t unix.Timespec
	err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &t)
	return time.Duration(t.Nano()), err == nil
}
