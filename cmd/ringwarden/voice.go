package main

// How ringwarden talks:
//
//   - What was asked for goes to standard output; everything else to standard error.
//   - An error is "ringwarden: what was being done, to what: what went wrong", in lower case, without a full stop.
//     Faults in a person's file come all at once, one a line, as file:line:column.
//   - Where there is a next step that the error does not already name, a "hint:" line follows.
//   - Exit status: 0 done, 1 it failed, 2 the command line was wrong.

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"
	"time"

	"github.com/lmittmann/tint"
	"golang.org/x/term"

	"ringwarden/fleet/userfile"
)

// The exit statuses.
const (
	exitDone  = 0
	exitFail  = 1
	exitUsage = 2
)

// A usageError is a fault of the command line.
type usageError struct{ err error }

func (e usageError) Error() string { return e.err.Error() }
func (e usageError) Unwrap() error { return e.err }

// A hintedError carries the next step for a person.
type hintedError struct {
	err  error
	hint string
}

func (e hintedError) Error() string { return e.err.Error() }
func (e hintedError) Unwrap() error { return e.err }

// tell prints an error for a person and returns the exit status.
func tell(w io.Writer, err error) int {
	if err == nil {
		return exitDone
	}
	faults := 0
	for _, part := range parts(err) {
		if _, ok := part.(*userfile.Error); ok { //nolint:errorlint // parts has taken it apart
			faults++
			fmt.Fprintln(w, part)
			continue
		}
		fmt.Fprintf(w, "ringwarden: %s\n", stopped.Replace(part.Error()))
	}
	if faults > 0 {
		fmt.Fprintf(w, "ringwarden: %s\n", count(faults, "fault to mend", "faults to mend"))
	}
	var hinted hintedError
	if errors.As(err, &hinted) {
		fmt.Fprintf(w, "hint: %s\n", hinted.hint)
	}
	var usage usageError
	if errors.As(err, &usage) {
		return exitUsage
	}
	return exitFail
}

// stopped says in words what Ctrl-C and a service manager do; the contexts of the library say it in their own.
var stopped = strings.NewReplacer("context canceled", "it was stopped", "interrupt signal received", "it was stopped", "terminated signal received", "it was stopped")

// parts takes joined errors apart, so that each gets a line of its own.
func parts(err error) []error {
	switch e := err.(type) { //nolint:errorlint // it walks the tree itself
	case interface{ Unwrap() []error }:
		if errors.Join(e.Unwrap()...).Error() != err.Error() {
			break // a sentence around several errors, not a list of them
		}
		var all []error
		for _, part := range e.Unwrap() {
			all = append(all, parts(part)...)
		}
		return all
	case hintedError:
		return parts(e.err)
	case usageError:
		return parts(e.err)
	}
	return []error{err}
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// newLog returns the log for the daemon: for people on a terminal, JSON under a service manager, plain text elsewhere.
func newLog(w io.Writer, format string, level slog.Level) (*slog.Logger, error) {
	if format == "auto" {
		format = autoFormat(w)
	}
	switch format {
	case "people":
		return slog.New(tint.NewTextHandler(w, &tint.Options{Level: level, TimeFormat: time.TimeOnly, NoColor: os.Getenv("NO_COLOR") != ""})), nil
	case "text":
		return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: level})), nil
	case "json":
		return slog.New(slog.NewJSONHandler(w, &slog.HandlerOptions{Level: level})), nil
	}
	return nil, usageError{fmt.Errorf("unknown log format %q; known are auto, people, text, json", format)}
}

func autoFormat(w io.Writer) string {
	switch {
	case isTerminal(w):
		return "people"
	case os.Getenv("INVOCATION_ID") != "" || os.Getenv("JOURNAL_STREAM") != "":
		return "json"
	}
	return "text"
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
