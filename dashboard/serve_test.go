package dashboard_test

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ringwarden/dashboard"
)

func TestCheckListen(t *testing.T) {
	for addr, ok := range map[string]bool{
		"127.0.0.1:27464": true, "127.8.8.8:1": true, "[::1]:27464": true, "localhost:27464": true, "[::ffff:127.0.0.1]:9": true,
		":27464": false, "0.0.0.0:27464": false, "[::]:27464": false, "192.168.4.2:27464": false, "mill.example:27464": false,
		"localhost.example:1": false, "127.0.0.1": false, "": false,
	} {
		err := dashboard.CheckListen(addr)
		if (err == nil) != ok {
			t.Errorf("CheckListen(%q) = %v, want ok %v", addr, err, ok)
		}
		if err != nil && !strings.Contains(err.Error(), "web: web.yaml") {
			t.Errorf("CheckListen(%q) = %v, which does not say what to do", addr, err)
		}
	}
}

func TestServeFinishesAnswersUnderWay(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	started, finish := make(chan struct{}), make(chan struct{})
	h := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		close(started)
		<-finish
		if r.Context().Err() == nil {
			_, _ = io.WriteString(w, "whole") // the client checks
		}
	})
	served := make(chan error, 1)
	go func() { served <- dashboard.Serve(ctx, l, h) }()
	got := make(chan string, 1)
	go func() {
		answer, err := http.Get("http://" + l.Addr().String())
		if err != nil {
			got <- err.Error()
			return
		}
		defer answer.Body.Close()
		body, _ := io.ReadAll(answer.Body)
		got <- string(body)
	}()
	<-started
	cancel()
	close(finish)
	if body := <-got; body != "whole" {
		t.Errorf("the answer under way was %q", body)
	}
	if err := <-served; err != nil {
		t.Errorf("Serve = %v, want nil after cancellation", err)
	}
	if c, err := net.Dial("tcp", l.Addr().String()); err == nil {
		c.Close()
		t.Error("something still listens")
	}
}

func TestServeReportsALostListener(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l.Close()
	if err := dashboard.Serve(t.Context(), l, http.NotFoundHandler()); !errors.Is(err, net.ErrClosed) {
		t.Errorf("Serve = %v, want net.ErrClosed", err)
	}
}

// A pipe listener hands out connections whose clock is the bubble's.
type pipes struct {
	conns chan net.Conn
	done  chan struct{}
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error   { close(p.done); return nil }
func (p *pipes) Addr() net.Addr { return &net.TCPAddr{} }

// A client that dawdles must not hold a connection and its memory for ever.
func TestDawdlersAreDropped(t *testing.T) {
	tests := []struct {
		name, sent string
		after      time.Duration
	}{
		{"half a header", "GET / HTTP/1.1\r\nHost: localhost\r\n", 5 * time.Second},
		{"idle after an answer", "GET / HTTP/1.1\r\nHost: localhost\r\n\r\n", time.Minute},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := &pipes{make(chan net.Conn), make(chan struct{})}
				ctx, cancel := context.WithCancel(t.Context())
				served := make(chan error, 1)
				go func() { served <- dashboard.Serve(ctx, l, http.NotFoundHandler()) }()
				client, server := net.Pipe()
				l.conns <- server
				start := time.Now()
				if _, err := io.WriteString(client, tt.sent); err != nil {
					t.Fatal(err)
				}
				_, _ = io.Copy(io.Discard, client) // until the server hangs up
				if took := time.Since(start); took < tt.after || took > tt.after+time.Second {
					t.Errorf("dropped after %v, want %v", took, tt.after)
				}
				cancel()
				if err := <-served; err != nil {
					t.Errorf("Serve = %v", err)
				}
			})
		})
	}
}
