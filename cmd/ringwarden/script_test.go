package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/signal"
	"regexp"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"fetch": func() {
			if err := fetch(os.Args[1:], os.Stdout); err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
		},
		"desk": func() {
			ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
			defer stop()
			if err := desk(ctx, os.Args[1:]); err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
		},
		"certify": func() {
			if err := certify(os.Args[1], os.Args[2]); err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
		},
		"ringwarden": func() {
			ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
		},
	})
}

// freePorts returns ports of loopback that were free a moment ago.
func freePorts(n int) ([]string, error) {
	var ports []string
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return nil, err
		}
		defer l.Close()
		_, port, err := net.SplitHostPort(l.Addr().String())
		if err != nil {
			return nil, err
		}
		ports = append(ports, port)
	}
	return ports, nil
}

// until runs a command again and again until its standard output matches, for ten seconds at most:
//
//	until PATTERN COMMAND [ARGUMENT...]
func until(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: until PATTERN COMMAND [ARGUMENT...]")
	}
	want, err := regexp.Compile("(?m)" + args[0])
	ts.Check(err)
	var out string
	for deadline := time.Now().Add(10 * time.Second); time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		if err = ts.Exec(args[1], args[2:]...); err == nil {
			if out = ts.ReadFile("stdout"); want.MatchString(out) {
				return
			}
		}
	}
	ts.Fatalf("%v never printed %q: %v\n%s%s", args[1:], args[0], err, out, ts.ReadFile("stderr"))
}

// expand puts environment variables into files: expand FILE...
func expand(ts *testscript.TestScript, neg bool, args []string) {
	for _, name := range args {
		text := os.Expand(ts.ReadFile(name), ts.Getenv)
		ts.Check(os.WriteFile(ts.MkAbs(name), []byte(text), 0o644))
	}
}

// hangUp sends SIGHUP to the newest program in the background.
func hangUp(ts *testscript.TestScript, neg bool, args []string) {
	running := ts.BackgroundCmds()
	ts.Check(running[len(running)-1].Process.Signal(syscall.SIGHUP))
}

// fetch prints the body of a page: fetch URL.
func fetch(args []string, out io.Writer) error {
	answer, err := http.Get(args[0])
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	_, err = io.Copy(out, answer.Body)
	return err
}

// Every message that a person can meet on the command line stands in one of these scripts.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Cmds:                map[string]func(*testscript.TestScript, bool, []string){"until": until, "expand": expand, "hangup": hangUp},
		Setup: func(e *testscript.Env) error {
			root, err := os.Getwd()
			if err != nil {
				return err
			}
			e.Setenv("EXAMPLES", root+"/../../testdata")
			ports, err := freePorts(4)
			if err != nil {
				return err
			}
			for i, port := range ports {
				e.Setenv(fmt.Sprintf("PORT%d", i+1), port)
			}
			return nil
		},
	})
}
