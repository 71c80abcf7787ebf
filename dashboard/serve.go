package dashboard

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"

	"ringwarden/fleet"
)

// CheckListen refuses an address that other machines could reach. It is for daemons without users.
func CheckListen(addr string) error {
	if fleet.LoopbackOnly(addr) {
		return nil
	}
	return fmt.Errorf("listening on %s: other machines could reach it, and nobody has to log in; listen on %s, or name users: "+
		"web: web.yaml in the fleet file", addr, fleet.DefaultListen)
}

// Limits of the server. A client that is slower than these is dropped: it would hold memory that others need.
const (
	headerTime   = 5 * time.Second
	requestTime  = 10 * time.Second
	answerTime   = 30 * time.Second
	idleTime     = time.Minute
	headerBytes  = 16 << 10
	shutdownTime = 5 * time.Second // for answers under way
)

// Serve serves the handler on the listener, which it closes, until ctx is done; then it waits a few seconds for
// answers under way. It returns nil on cancellation.
func Serve(ctx context.Context, l net.Listener, h http.Handler) error {
	s := &http.Server{
		Handler: h, ReadHeaderTimeout: headerTime, ReadTimeout: requestTime, WriteTimeout: answerTime,
		IdleTimeout: idleTime, MaxHeaderBytes: headerBytes,
		BaseContext: func(net.Listener) context.Context {
			return context.WithValue(context.WithoutCancel(ctx), stoppingKey{}, ctx.Done())
		},
	}
	done := make(chan error, 1)
	go func() { done <- s.Serve(l) }()
	select {
	case err := <-done:
		return fmt.Errorf("serving on %s: %w", l.Addr(), err)
	case <-ctx.Done():
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownTime)
	defer cancel()
	err := s.Shutdown(last)
	if errors.Is(err, context.DeadlineExceeded) {
		err = s.Close() // whoever still reads has had its time
	}
	if stopped := <-done; err == nil && !errors.Is(stopped, http.ErrServerClosed) {
		err = stopped
	}
	return err
}
