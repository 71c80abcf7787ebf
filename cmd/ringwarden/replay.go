package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"time"

	"github.com/spf13/cobra"

	"ringwarden/alerts"
	"ringwarden/fleet"
	"ringwarden/store"
)

func (a *app) replayCommand() *cobra.Command {
	var o replayOptions
	var from, to string
	c := &cobra.Command{
		Use:   "replay [FLEET-FILE]",
		Short: "Judge stored readings anew: what would other rules have raised?",
		Long: `Run the stored readings of a time through a fresh alarm engine and print what it would have raised, beside what was
raised then. With --rules the rules of another file are tried: format and rules alone, written as in the fleet file. So
rules are tuned on history and not on anybody's sleep. Nothing is changed.

While the daemon runs it is asked for the readings; it goes on meanwhile. --store names another database, such as a backup.`,
		Example: `  ringwarden replay fleet.yaml --from 2026-03-01 --to 2026-04-01
  ringwarden replay fleet.yaml --from 7d --rules quieter.yaml   the last week, by other rules
  ringwarden replay fleet.yaml --from 7d --store copy.db`,
		Args: arguments(0, 1, "one fleet file at most"),
		RunE: func(c *cobra.Command, args []string) error {
			p, err := loadPlant(fleetPath(args))
			if err != nil {
				return err
			}
			now, zone := time.Now(), clocksOf(p.fleet).zone("")
			if o.from, err = instant("--from", from, now, zone); err != nil {
				return err
			}
			if o.to = now; to != "" {
				if o.to, err = instant("--to", to, now, zone); err != nil {
					return err
				}
			}
			return a.replay(c.Context(), p.fleet, o)
		},
	}
	c.Flags().StringVar(&from, "from", "24h", "where to begin: an instant or a day by the clock of the site, or how long ago, as in 7d")
	c.Flags().StringVar(&to, "to", "", "where to end, in the same ways; if left out, now")
	c.Flags().StringVar(&o.rules, "rules", "", "file with rules to try in place of the fleet file's")
	c.Flags().StringVar(&o.store, "store", "", "database to read in place of the fleet file's, such as a backup")
	o.warmUp = 24 * time.Hour
	lapseFlag(c.Flags(), &o.warmUp, "warm-up", "how much to read before --from, from which the engine learns what is usual")
	return c
}

type replayOptions struct {
	from, to     time.Time
	warmUp       time.Duration
	rules, store string
}

// instant reads a time of the command line: an instant, a day by the clock of a place, or how long ago.
func instant(flag, text string, now time.Time, zone *time.Location) (time.Time, error) {
	at, err := parseInstant(flag, text, now, zone)
	if err != nil {
		return at, usageError{err}
	}
	return at, nil
}

func (a *app) replay(ctx context.Context, f *fleet.Fleet, o replayOptions) error {
	if !o.from.Before(o.to) {
		return usageError{errors.New("--from must be before --to")}
	}
	if o.rules != "" {
		rules, err := fleet.LoadRules(o.rules, alerts.Kinds(), f)
		if err != nil {
			return err
		}
		f.Rules = rules
	}
	r := newReplay(f, o, a.out)
	err := a.withHistory(ctx, f, o.store, func(h history) error {
		return r.run(h.Frames(ctx, store.Query{From: o.from.Add(-o.warmUp), To: o.to}), h.Changes(ctx, o.from, o.to))
	})
	if err != nil {
		return err
	}
	r.report()
	return nil
}

// A replay runs frames through a fresh engine and holds what it raises against what was raised. It keeps a window of
// both alone, so its memory does not grow with the time.
type replay struct {
	engine   *alerts.Engine
	from     time.Time
	out      io.Writer
	clocks   siteClocks
	frames   uint64
	readings uint64
	stood    int     // alarms that stood when the time began
	waiting  []heard // raised on one side, in the order of time, and not yet found on the other
	both     int
	only     [2]int // by side
	after    int    // alarms of the time that were raised after its last frame
}

// The sides of a comparison.
const (
	inReplay = iota
	inHistory
)

// A heard is an alarm that was raised on one side.
type heard struct {
	side  int
	alarm fleet.Alarm
	at    time.Time
}

// apart is how far the raising of an alarm may lie apart on the two sides and still count as the same: other delays,
// and a judgement at each poll instead of at each tick, move it.
const apart = 15 * time.Minute

func newReplay(f *fleet.Fleet, o replayOptions, out io.Writer) *replay {
	return &replay{engine: alerts.New(f), from: o.from, out: out, clocks: clocksOf(f)}
}

// run judges all frames; history are the changes of the time without the warm-up.
func (r *replay) run(frames iter.Seq2[fleet.Frame, error], history iter.Seq2[fleet.Change, error]) error {
	next, stop := iter.Pull2(history)
	defer stop()
	past := pastRaises{next: next}
	var now time.Time
	begun := false
	for f, err := range frames {
		if err != nil {
			return err
		}
		if !f.At.Equal(now) {
			if !now.IsZero() {
				if err := r.judge(now, &past, &begun); err != nil {
					return err
				}
			}
			now = f.At
		}
		r.engine.Put(&f)
		if !f.At.Before(r.from) {
			r.frames++
			r.readings += uint64(len(f.Values))
		}
	}
	if !now.IsZero() {
		if err := r.judge(now, &past, &begun); err != nil {
			return err
		}
	}
	// What was raised after the newest reading that is stored, as in the last minute before now, cannot be found anew.
	if err := past.until(now, r.hear); err != nil {
		return err
	}
	if err := past.until(time.Time{}, func(heard) { r.after++ }); err != nil {
		return err
	}
	r.settle(time.Time{})
	return nil
}

// judge lets the engine judge an instant of which all frames have come.
func (r *replay) judge(now time.Time, past *pastRaises, begun *bool) error {
	var then []heard
	if !now.Before(r.from) {
		if err := past.until(now, func(h heard) { then = append(then, h) }); err != nil {
			return err
		}
		r.tellSteps(then)
	}
	changes := r.engine.Advance(now)
	if now.Before(r.from) {
		return nil
	}
	if !*begun {
		*begun = true
		r.stood = len(r.engine.Alarms()) - len(changes)
	}
	for _, h := range then {
		r.hear(h)
	}
	for i := range changes {
		if changes[i].Alarm.State == fleet.Unacknowledged {
			r.hear(heard{side: inReplay, alarm: changes[i].Alarm, at: now})
		}
	}
	r.settle(now)
	return nil
}

// tellSteps tells the engine what the program saw of its own clock then: of that the readings say nothing, or less.
func (r *replay) tellSteps(then []heard) {
	for _, h := range then {
		if h.alarm.Kind != alerts.ClockStepped || h.alarm.Subject != fleet.OwnStore {
			continue
		}
		for _, f := range h.alarm.Figures {
			if by := time.Duration(f.Value * float64(time.Second)); f.Name == "step" {
				r.engine.StepClock(h.alarm.Since.Add(-by), h.alarm.Since, false)
			}
		}
	}
}

// hear looks for an alarm among those of the other side, the oldest first.
func (r *replay) hear(h heard) {
	for i := range r.waiting {
		w := &r.waiting[i]
		if w.side != h.side && w.alarm.AlarmKey == h.alarm.AlarmKey && h.at.Sub(w.at) <= apart {
			r.both++
			r.waiting = append(r.waiting[:i], r.waiting[i+1:]...)
			return
		}
	}
	r.waiting = append(r.waiting, h)
}

// settle says what one side alone has raised, once the other cannot any more; a zero now ends the wait of all.
func (r *replay) settle(now time.Time) {
	for len(r.waiting) > 0 && (now.IsZero() || now.Sub(r.waiting[0].at) > apart) {
		h := r.waiting[0]
		r.waiting = r.waiting[1:]
		r.only[h.side]++
		title := "only now "
		if h.side == inHistory {
			title = "only then"
		}
		fmt.Fprintf(r.out, "%s  %s  %s  %s on %s\n", title, r.clocks.show(h.at, h.alarm.Subject), h.alarm.Priority, h.alarm.Kind, h.alarm.Subject)
		fmt.Fprint(r.out, wrap(h.alarm.Text, width(r.out), "  "))
	}
}

func (r *replay) report() {
	if r.frames == 0 {
		fmt.Fprintln(r.out, "The database has no readings of this time.")
		return
	}
	if r.stood > 0 {
		fmt.Fprintf(r.out, "%d stood already when the time began.\n", r.stood)
	}
	fmt.Fprintf(r.out, "%d raised now and then, %d only now, %d only then; %d readings in %d frames.\n",
		r.both, r.only[inReplay], r.only[inHistory], r.readings, r.frames)
	if r.after > 0 {
		fmt.Fprintf(r.out, "Not compared: %s then, after the newest reading that is stored.\n", count(r.after, "alarm that was raised", "alarms that were raised"))
	}
	if odd := oddities(r.engine.Counts()); odd != "" {
		fmt.Fprintf(r.out, "Not believed: %s.\n", odd)
	}
}

// oddities lists what an engine did not believe.
func oddities(c alerts.Counts) string {
	var text string
	for _, odd := range []struct {
		n    uint64
		what string
	}{
		{c.UnknownController, "frames of controllers that are not in the fleet file"},
		{c.Late, "late frames"},
		{c.Doubled, "doubled frames"},
		{c.Future, "frames from the future"},
		{c.Malformed, "malformed frames"},
		{c.NotFinite, "values that are no number"},
		{c.Undefined, "values that the map cannot name"},
		{c.Implausible, "implausible values"},
		{c.Backwards, "instants before the last one"},
	} {
		if odd.n == 0 {
			continue
		}
		if text != "" {
			text += ", "
		}
		text += fmt.Sprintf("%d %s", odd.n, odd.what)
	}
	return text
}

// pastRaises gives the alarms that were raised, in the order of time, as far as they are asked for.
type pastRaises struct {
	next  func() (fleet.Change, error, bool)
	held  fleet.Change
	holds bool
	done  bool
}

// until gives those up to an instant; zero: all that are left.
func (p *pastRaises) until(now time.Time, give func(heard)) error {
	for !p.done {
		if !p.holds {
			c, err, ok := p.next()
			if err != nil {
				return err
			}
			if !ok {
				p.done = true
				return nil
			}
			p.held, p.holds = c, true
		}
		if !now.IsZero() && p.held.At.After(now) {
			return nil
		}
		// What stands when people stop holding it back was raised before, or meanwhile; a fresh engine knows of no people.
		if p.held.Alarm.State == fleet.Unacknowledged && p.held.From != fleet.Shelved && p.held.From != fleet.OutOfService {
			give(heard{side: inHistory, alarm: p.held.Alarm, at: p.held.At})
		}
		p.holds = false
	}
	return nil
}
