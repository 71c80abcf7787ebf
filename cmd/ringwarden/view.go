package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/term"

	"ringwarden/fleet"
)

// A view shows on a terminal, or in a file, what happens in one ring: a row whenever a stage changes and from time to
// time, and every change of an alarm in full. It is a [road.Watcher].
type view struct {
	out   io.Writer
	clock func() time.Time // what the plant's own clock says
	width int              // of a column

	mu      sync.Mutex // guards all below
	columns []column
	index   map[fleet.ControllerID]int
	dirty   bool
	rows    int
	silent  time.Time // no row before this, unless dirty
}

const unheard = "-"

// A column is the newest known of one controller.
type column struct {
	name                      string
	word                      string // stage, or the outcome of a poll that was not answered
	volts, amperes            float64
	hasVolts, hasAmperes      bool
	temperature               float64
	hasTemperature, reference bool
}

const (
	textWidth   = 96 // of sentences, where the terminal is not narrower
	leastWidth  = 40
	narrowest   = 10 // columns: the longest word of a stage
	widest      = 14
	headerEvery = 20 // rows
	rowEvery    = 10 * time.Second
)

func newView(out io.Writer, ring *fleet.Ring, clock func() time.Time) *view {
	v := &view{out: out, clock: clock, width: narrowest, index: map[fleet.ControllerID]int{}, dirty: true}
	for i := range ring.Controllers {
		c := &ring.Controllers[i]
		v.index[c.ID] = i
		v.columns = append(v.columns, column{name: c.ID.Slug(), word: unheard, reference: c.Intended.TemperatureReference})
		v.width = max(v.width, min(len(c.ID.Slug()), widest))
	}
	return v
}

// Put takes what a frame says of its controller.
func (v *view) Put(f *fleet.Frame) {
	i, ok := v.index[f.Controller]
	if !ok || f.Outcome == fleet.Skipped {
		return
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	c := &v.columns[i]
	word := c.word
	if stage, ok := f.Stage(); ok {
		word = stage.String()
	} else if f.Outcome != fleet.Answered {
		word = f.Outcome.String()
		c.hasVolts, c.hasAmperes, c.hasTemperature = false, false, false
	}
	if word != c.word {
		c.word, v.dirty = word, true
	}
	keep := func(q fleet.Quantity, value *float64, has *bool) {
		if n, ok := f.Number(q); ok {
			*value, *has = n, true
		}
	}
	keep(fleet.BatteryVoltage, &c.volts, &c.hasVolts)
	keep(fleet.BatteryCurrent, &c.amperes, &c.hasAmperes)
	keep(fleet.BatteryTemperature, &c.temperature, &c.hasTemperature)
}

// PutChanges prints what became of alarms.
func (v *view) PutChanges(changes []fleet.Change) {
	v.mu.Lock()
	defer v.mu.Unlock()
	for i := range changes {
		fmt.Fprint(v.out, v.describe(&changes[i]))
	}
}

func (v *view) describe(c *fleet.Change) string {
	a := &c.Alarm
	at := v.clock().Format("15:04")
	subject := string(a.Subject)[strings.LastIndexByte(string(a.Subject), '/')+1:]
	var b strings.Builder
	switch {
	case a.State == fleet.Suppressed:
		fmt.Fprintf(&b, "%s  hidden   %s %s: %s\n", at, a.Kind, subject, c.Why)
	case a.State.Active():
		fmt.Fprintf(&b, "%s  ALARM    %s on %s, priority %s\n", at, a.Kind, subject, a.Priority)
		b.WriteString(wrap(a.Text, width(v.out), "       "))
		if a.Advice != "" {
			b.WriteString(wrap("First: "+a.Advice, width(v.out), "       "))
		}
		if a.Caution != "" {
			b.WriteString(wrap("Caution: "+a.Caution, width(v.out), "       "))
		}
	default:
		fmt.Fprintf(&b, "%s  is over  %s on %s\n", at, a.Kind, subject)
	}
	return b.String()
}

// Run prints rows until ctx is done.
func (v *view) Run(ctx context.Context) error {
	ticker := time.NewTicker(time.Second)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case now := <-ticker.C:
			v.row(now)
		}
	}
}

func (v *view) row(now time.Time) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if !v.dirty && now.Before(v.silent) || v.rows == 0 && !v.allHeard() {
		return
	}
	v.dirty, v.silent = false, now.Add(rowEvery)
	var b strings.Builder
	if v.rows%headerEvery == 0 {
		b.WriteString("time ")
		for i := range v.columns {
			fmt.Fprintf(&b, " %-*s", v.width, fit(v.columns[i].name, v.width))
		}
		b.WriteString(" bank\n")
	}
	v.rows++
	b.WriteString(v.clock().Format("15:04"))
	for i := range v.columns {
		fmt.Fprintf(&b, " %-*s", v.width, fit(v.columns[i].word, v.width))
	}
	b.WriteString(" " + v.bank() + "\n")
	fmt.Fprint(v.out, b.String())
}

// allHeard reports whether every controller was polled once.
func (v *view) allHeard() bool {
	return !slices.ContainsFunc(v.columns, func(c column) bool { return c.word == unheard })
}

// bank sums up the ring: the middle of the voltages, all currents, the reference's temperature.
func (v *view) bank() string {
	var volts []float64
	var amperes float64
	var parts []string
	temperature := ""
	hasAmperes := false
	for i := range v.columns {
		c := &v.columns[i]
		if c.hasVolts {
			volts = append(volts, c.volts)
		}
		if c.hasAmperes {
			amperes, hasAmperes = amperes+c.amperes, true
		}
		if c.reference && c.hasTemperature {
			temperature = fmt.Sprintf("%.0f °C", c.temperature)
		}
	}
	if len(volts) > 0 {
		slices.Sort(volts)
		parts = append(parts, fmt.Sprintf("%.1f V", volts[len(volts)/2]))
	}
	if hasAmperes {
		parts = append(parts, fmt.Sprintf("%.0f A", amperes))
	}
	if temperature != "" {
		parts = append(parts, temperature)
	}
	return strings.Join(parts, "  ")
}

func fit(s string, width int) string {
	r := []rune(s)
	if len(r) <= width {
		return s
	}
	return string(r[:width-1]) + "…"
}

// width returns how wide sentences may be on w.
func width(w io.Writer) int {
	if f, ok := w.(*os.File); ok {
		if columns, _, err := term.GetSize(int(f.Fd())); err == nil && columns > 0 {
			return min(max(columns, leastWidth), textWidth)
		}
	}
	return textWidth
}

// wrap breaks text into lines of at most width columns, each behind the indent.
func wrap(text string, width int, indent string) string {
	var b strings.Builder
	line := indent
	for _, word := range strings.Fields(text) {
		if len(line) > len(indent) && len([]rune(line))+1+len([]rune(word)) > width {
			b.WriteString(line + "\n")
			line = indent
		}
		if len(line) > len(indent) {
			line += " "
		}
		line += word
	}
	if len(line) > len(indent) {
		b.WriteString(line + "\n")
	}
	return b.String()
}

// logHandler returns a log handler that shows what the simulator does as lines of the view.
func (v *view) logHandler() slog.Handler { return &viewLog{v} }

type viewLog struct{ view *view }

// Enabled leaves out what only a developer wants to know.
func (h *viewLog) Enabled(_ context.Context, level slog.Level) bool { return level >= slog.LevelInfo }

// Handle prints one line.
func (h *viewLog) Handle(_ context.Context, r slog.Record) error {
	line := h.view.clock().Format("15:04") + "  " + r.Message
	r.Attrs(func(a slog.Attr) bool {
		if a.Key != "simulated" { // the line begins with it
			line += " " + a.Value.String()
		}
		return true
	})
	h.view.mu.Lock()
	defer h.view.mu.Unlock()
	_, err := fmt.Fprintln(h.view.out, line)
	return err
}

// WithAttrs and WithGroup change nothing: the simulator uses neither.
func (h *viewLog) WithAttrs([]slog.Attr) slog.Handler { return h }

// WithGroup changes nothing.
func (h *viewLog) WithGroup(string) slog.Handler { return h }
