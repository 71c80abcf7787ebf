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

// progress shows how far a job is, in bytes: as a bar on a terminal, as a line now and then elsewhere. The function that
// comes with it wipes the bar away.
func progress(w io.Writer, what string) (store.Progress, func()) {
	return showProgress(w, what, fleet.Size, progressbar.OptionShowBytes(true))
}

// periodProgress is progress in seconds of the time that a job goes over.
func periodProgress(w io.Writer, what string) (store.Progress, func()) {
	return showProgress(w, what, period, progressbar.OptionSetPredictTime(true)) // per cent alone: seconds of the past would puzzle
}

// period says how long so many seconds are, in hours or days.
func period(seconds int64) string {
	if hours := (seconds + 1800) / 3600; hours < 48 {
		return count(int(hours), "hour", "hours")
	}
	return count(int((seconds+43200)/86400), "day", "days")
}

func showProgress(w io.Writer, what string, size func(int64) string, unit progressbar.Option) (store.Progress, func()) {
	if !isTerminal(w) {
		return plainProgress(w, what, size, time.Now), func() {}
	}
	var bar *progressbar.ProgressBar
	known := int64(-1)
	return func(done, total int64) {
			if bar == nil { // now, so that it is one from its first drawing on
				bar, known = progressbar.NewOptions64(total,
					progressbar.OptionSetWriter(w), progressbar.OptionSetDescription(what), unit, progressbar.OptionSetRenderBlankState(true),
					progressbar.OptionThrottle(100*time.Millisecond), progressbar.OptionClearOnFinish(), progressbar.OptionSetWidth(30)), total
			}
			if total != known {
				bar.ChangeMax64(total)
				known = total
			}
			_ = bar.Set64(done) // a bar that cannot be drawn is no reason to stop
		}, func() {
			if bar != nil {
				_ = bar.Finish()
			}
		}
}

// plainProgress says nothing of a job that is done before plainEvery.
func plainProgress(w io.Writer, what string, size func(int64) string, now func() time.Time) store.Progress {
	said := now()
	return func(done, total int64) {
		at := now()
		if at.Sub(said) < plainEvery {
			return
		}
		said = at
		if total > 0 {
			fmt.Fprintf(w, "%s: %s of %s\n", what, size(done), size(total))
			return
		}
		fmt.Fprintf(w, "%s: %s\n", what, size(done))
	}
}

// countedWriter counts the bytes that have passed.
type countedWriter struct {
	w    io.Writer
	done int64
}

// Write passes b on.
func (w *countedWriter) Write(b []byte) (int, error) {
	n, err := w.w.Write(b)
	w.done += int64(n)
	return n, err
}
