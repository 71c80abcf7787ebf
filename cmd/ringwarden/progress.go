package main

import (
	"fmt"
	"io"
	"time"

	"github.com/schollz/progressbar/v3"

	"ringwarden/fleet"
	"ringwarden/store"
)

// plainEvery is how often a long job that no terminal watches says how far it is.
const plainEvery = 10 * time.Second

// progress shows how far a job is: as a bar on a terminal, as a line now and then elsewhere. The function that comes with
// it wipes the bar away.
func progress(w io.Writer, what string) (store.Progress, func()) {
	if !isTerminal(w) {
		return plainProgress(w, what, time.Now), func() {}
	}
	bar := progressbar.NewOptions64(-1,
		progressbar.OptionSetWriter(w), progressbar.OptionSetDescription(what), progressbar.OptionShowBytes(true),
		progressbar.OptionThrottle(100*time.Millisecond), progressbar.OptionClearOnFinish(), progressbar.OptionSetWidth(30))
	known := int64(-1)
	return func(done, total int64) {
		if total != known {
			bar.ChangeMax64(total)
			known = total
		}
		_ = bar.Set64(done) // a bar that cannot be drawn is no reason to stop
	}, func() { _ = bar.Finish() }
}

// plainProgress says nothing of a job that is done before plainEvery.
func plainProgress(w io.Writer, what string, now func() time.Time) store.Progress {
	said := now()
	return func(done, total int64) {
		at := now()
		if at.Sub(said) < plainEvery {
			return
		}
		said = at
		if total > 0 {
			fmt.Fprintf(w, "%s: %s of %s\n", what, fleet.Size(done), fleet.Size(total))
			return
		}
		fmt.Fprintf(w, "%s: %s\n", what, fleet.Size(done))
	}
}

// watchedWriter tells progress how many bytes have passed.
type watchedWriter struct {
	w    io.Writer
	done int64
	p    store.Progress
}

// Write passes b on.
func (w *watchedWriter) Write(b []byte) (int, error) {
	n, err := w.w.Write(b)
	w.done += int64(n)
	w.p(w.done, -1)
	return n, err
}
