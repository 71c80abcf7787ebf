package poller

import (
	"context"
	"fmt"
	"net"
	"syscall"
	"testing"
	"time"

	"ringwarden/fleet"
)

// blackHole returns an address that swallows connections: a listener that never accepts and whose queue is full, where
// Linux drops further attempts.
func blackHole(t *testing.T) string {
	t.Helper()
	fd, err := syscall.Socket(syscall.AF_INET, syscall.SOCK_STREAM|syscall.SOCK_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = syscall.Close(fd) })
	if err := syscall.Bind(fd, &syscall.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Listen(fd, 0); err != nil {
		t.Fatal(err)
	}
	name, err := syscall.Getsockname(fd)
	if err != nil {
		t.Fatal(err)
	}
	addr := fmt.Sprintf("127.0.0.1:%d", name.(*syscall.SockaddrInet4).Port)
	for range 8 {
		conn, err := net.DialTimeout("tcp", addr, 500*time.Millisecond)
		if err != nil {
			return addr
		}
		t.Cleanup(func() { conn.Close() })
	}
	t.Fatal("the queue of a listener that does not accept never fills")
	return ""
}

// The library's connecting into nowhere takes 5 s, whatever its time-out. The poller says every instant that it is
// not there, ends without waiting for that, and can still say when the last of it is over.
func TestRealBlackHole(t *testing.T) {
	t.Parallel()
	sink := &notebook{}
	p := New(Config{Timeout: 100 * time.Millisecond, Grace: time.Millisecond}, sink)
	d := Device{ID: "mill/north/alder", Host: blackHole(t), Unit: 1, Map: mapOf(t, threeGroups)}
	p.Update([]Device{d}, fleet.Periods{Fast: 200 * time.Millisecond})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	sink.until(t, "news that it is not there", func(all []*fleet.Frame) bool { return outcomes(all)[fleet.Unreachable] >= 3 })
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	select {
	case <-p.dials.ended():
		t.Errorf("Run has waited for the connecting, or there was none")
	default:
	}
	p.Wait()
	frames := sink.of(d.ID, fleet.Fast)
	everyInstant(t, frames, 200*time.Millisecond, 0)
	if n := outcomes(frames); n[fleet.Unreachable]+n[fleet.Skipped] != len(frames) {
		t.Errorf("outcomes %v", n)
	}
}
