package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ringwarden/dashboard"
	"ringwarden/fleet"
	"ringwarden/store"
)

func (a *app) alarmsCommand() *cobra.Command {
	var past time.Duration
	var asJSON, figures bool
	var from remote
	c := &cobra.Command{
		Use:   "alarms [FLEET-FILE]",
		Short: "List the alarms that stand, or what became of past ones, and act on them",
		Long: `List the alarms of a fleet, the most urgent first, each with what to do first. While the daemon runs it is asked, and
says how each is by now; otherwise its database is read, which has how each was at its last change. Times are by each
site's own clock. Nothing is changed but by the commands below.

` + remoteHelp,
		Example: `  ringwarden alarms fleet.yaml
  ringwarden alarms fleet.yaml --past 24h    every change of the last day, oldest first
  ringwarden alarms fleet.yaml --figures     how many there were, which most often, beside what the standard asks for
  ringwarden alarms fleet.yaml --json
  ringwarden alarms shelve link-noisy 'mill/north/alder>birch' fleet.yaml --for 8h --why "cable is ordered"
  RINGWARDEN_PASSWORD=... ringwarden alarms --url https://mill.example:27464 --user maren --ca mill-ca.pem`,
		Args: arguments(0, 1, "one fleet file at most"),
		RunE: func(c *cobra.Command, args []string) error {
			book, clocks, done, err := from.openAlarms(c.Context(), a, args)
			if errors.Is(err, fs.ErrNotExist) && len(args) == 1 && len(nearCommands(c, args[0])) > 0 {
				return unknownCommand(c, args)
			}
			if err != nil {
				return err
			}
			defer done()
			if figures {
				return from.hint(a.alarmFigures(c.Context(), book, clocks, past, asJSON))
			}
			return from.hint(a.listAlarms(c.Context(), book, clocks, past, asJSON))
		},
	}
	lapseFlag(c.Flags(), &past, "past", "list every change of this time up to now instead, as in 24h or 7d")
	c.Flags().BoolVar(&figures, "figures", false, "print the performance figures of ISA-18.2 of the last 30 days, or of --past")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON instead of text")
	from.flags(c)
	c.AddCommand(a.actCommands(&from)...)
	return c
}

// An alarmBook is the running daemon or the file that it left.
type alarmBook interface {
	Standing(ctx context.Context) ([]fleet.Alarm, error)
	Changes(ctx context.Context, from, to time.Time) ([]fleet.Change, error)
}

func (a *app) listAlarms(ctx context.Context, book alarmBook, clocks siteClocks, past time.Duration, asJSON bool) error {
	now := time.Now()
	var changes []fleet.Change
	var err error
	if past > 0 {
		if changes, err = book.Changes(ctx, now.Add(-past), now); err != nil {
			return fmt.Errorf("reading past alarms: %w", err)
		}
	}
	standing, err := book.Standing(ctx)
	if err != nil {
		return fmt.Errorf("reading the alarms that stand: %w", err)
	}
	switch {
	case asJSON:
		return dashboard.WriteJSON(a.out, now, standing, changes)
	case past > 0:
		printChanges(a.out, clocks, changes)
	default:
		slices.SortStableFunc(standing, fleet.ByUrgency)
		printAlarms(a.out, clocks, standing, whoDid(ctx, book, standing, now))
	}
	return nil
}

// whoDid finds the changes by which people shelved or acknowledged alarms that stand. Where the history cannot be had, as when
// it is too long for one answer, the list goes without.
func whoDid(ctx context.Context, book alarmBook, standing []fleet.Alarm, now time.Time) map[fleet.AlarmKey]fleet.Change {
	by := map[fleet.AlarmKey]fleet.Change{}
	from := now
	for i := range standing {
		if s := &standing[i]; (s.State == fleet.Shelved || s.State == fleet.Acknowledged) && s.Since.Before(from) {
			from = s.Since
		}
	}
	if from.Equal(now) {
		return by
	}
	changes, err := book.Changes(ctx, from, now)
	if err != nil {
		return by
	}
	for _, c := range changes {
		if c.Who != "" {
			by[c.Alarm.AlarmKey] = c
		}
	}
	return by
}

// storedAlarms reads alarms from a database that no daemon has open.
type storedAlarms struct{ store *store.Store }

func (s storedAlarms) Standing(ctx context.Context) ([]fleet.Alarm, error) {
	return s.store.Standing(ctx)
}

func (s storedAlarms) Changes(ctx context.Context, from, to time.Time) ([]fleet.Change, error) {
	return collectChanges(s.store.Changes(ctx, from, to))
}

func collectChanges(changes iter.Seq2[fleet.Change, error]) ([]fleet.Change, error) {
	var all []fleet.Change
	for c, err := range changes {
		if err != nil {
			return nil, err
		}
		all = append(all, c)
	}
	return all, nil
}

func printAlarms(out io.Writer, clocks siteClocks, alarms []fleet.Alarm, by map[fleet.AlarmKey]fleet.Change) {
	if len(alarms) == 0 {
		fmt.Fprintln(out, "No alarm stands.")
		return
	}
	for i := range alarms {
		a := &alarms[i]
		fmt.Fprintf(out, "%s  %s on %s, %s, since %s\n", a.Priority, a.Kind, a.Subject, a.State, clocks.show(a.Since, a.Subject))
		fmt.Fprint(out, wrap(byWhom(a, clocks, by[a.AlarmKey]), width(out), "  "))
		fmt.Fprint(out, wrap(a.Text, width(out), "  "))
		if a.Advice != "" {
			fmt.Fprint(out, wrap("First: "+a.Advice, width(out), "  "))
		}
		if a.Caution != "" {
			fmt.Fprint(out, wrap("Caution: "+a.Caution, width(out), "  "))
		}
	}
}

// byWhom says until when a person has held an alarm back, or that somebody has seen it, and why.
func byWhom(a *fleet.Alarm, clocks siteClocks, c fleet.Change) string {
	if a.State != fleet.Shelved && a.State != fleet.Acknowledged {
		return ""
	}
	said := ""
	if !a.Until.IsZero() {
		said = "until " + clocks.show(a.Until, a.Subject)
	}
	if c.Alarm.State == a.State {
		said = strings.TrimSpace(said + " by " + c.Who)
		if c.Why != "" {
			said += ": " + c.Why
		}
	}
	if said == "" {
		return ""
	}
	return upperFirst(a.State.String()) + " " + said
}

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func printChanges(out io.Writer, clocks siteClocks, changes []fleet.Change) {
	if len(changes) == 0 {
		fmt.Fprintln(out, "No alarm changed in this time.")
		return
	}
	for i := range changes {
		c := &changes[i]
		fmt.Fprintf(out, "%s  %s on %s: %s, was %s", clocks.show(c.At, c.Alarm.Subject), c.Alarm.Kind, c.Alarm.Subject, c.Alarm.State, c.From)
		if c.Who != "" {
			fmt.Fprintf(out, ", by %s", c.Who)
		}
		if c.Why != "" {
			fmt.Fprintf(out, " (%s)", c.Why)
		}
		fmt.Fprintln(out)
		if c.Alarm.State == fleet.Unacknowledged {
			fmt.Fprint(out, wrap(c.Alarm.Text, width(out), "  "))
		}
	}
}
