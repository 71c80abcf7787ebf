package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"ringwarden/alerts/notify"
	"ringwarden/cmd/ringwarden/door"
	"ringwarden/fleet"
	"ringwarden/store"
)

func (a *app) notifyListCommand() *cobra.Command {
	var file string
	var asJSON bool
	c := &cobra.Command{
		Use:   "list [FLEET-FILE]",
		Short: "List the messages that wait, and those that were given up, with why",
		Long: `List the messages about alarms that were given up and those that wait, each with whom it is for, what it says, and what
went wrong last. A message is given up after about a day of trying, or when the other side says that it never wants it;
the newest 256 of those are kept. ringwarden notify retry tries them again.`,
		Example: `  ringwarden notify list fleet.yaml
  ringwarden notify list fleet.yaml --json`,
		Args: arguments(0, 1, "one fleet file at most"),
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 1 {
				file = args[0]
			}
			f, err := loadFleet([]string{file})
			if err != nil {
				return err
			}
			return a.listMessages(c.Context(), f, asJSON)
		},
	}
	fleetFlag(c, &file)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON instead of text")
	return c
}

func (a *app) listMessages(ctx context.Context, f *fleet.Fleet, asJSON bool) error {
	var all []notify.Entry
	err := withStore(ctx, f,
		func(s *store.Store) error {
			outbox, err := s.Outbox(ctx, "")
			all = notify.List(outbox)
			return err
		},
		func(d *door.Client) (err error) { all, err = d.Outbox(ctx); return err })
	if err != nil {
		return fmt.Errorf("listing messages: %w", err)
	}
	if asJSON {
		return writeJSON(a.out, append([]notify.Entry{}, all...))
	}
	now := time.Now()
	for i := range all {
		a.printMessage(&all[i], clocksOf(f), now)
	}
	if len(all) == 0 {
		fmt.Fprintln(a.out, "No message waits, and none was given up.")
	}
	return nil
}

func (a *app) printMessage(e *notify.Entry, clocks siteClocks, now time.Time) {
	state := "waits"
	switch {
	case !e.GivenUp.IsZero():
		state = "given up " + clocks.show(e.GivenUp, "")
	case e.Due.After(now) && e.Tries > 0:
		state = "waits, next try " + clocks.show(e.Due, "")
	case e.Due.After(now):
		state = "waits until " + clocks.show(e.Due, "")
	}
	fmt.Fprintf(a.out, "%s  %s, to %s\n", e.ID, state, e.To)
	fmt.Fprint(a.out, wrap(e.Subject, width(a.out), "  "))
	if e.Tries > 0 || e.Error != "" {
		fmt.Fprint(a.out, wrap(fmt.Sprintf("%s failed, the last one: %s", count(e.Tries, "try", "tries"), e.Error), width(a.out), "  "))
	}
	if !e.GivenUp.IsZero() {
		fmt.Fprintf(a.out, "  Again: ringwarden notify retry %s\n", e.ID)
	}
}

func (a *app) notifyRetryCommand() *cobra.Command {
	var file string
	var all bool
	c := &cobra.Command{
		Use:   "retry KEY | --all [FLEET-FILE]",
		Short: "Try messages again that were given up",
		Long: `Let the running daemon try a message again that it has given up, as ringwarden notify list shows it, or all of them. It
keeps its key, so that whoever has got it after all can tell. Mend first what was wrong: the list says what.`,
		Example: `  ringwarden notify retry rw_4f1c09a2b7d83e5566a0c1d2e3f40516 fleet.yaml
  ringwarden notify retry --all fleet.yaml`,
		Args: arguments(0, 2, "the key of one message, or --all, and one fleet file at most"),
		RunE: func(c *cobra.Command, args []string) error {
			args = fleetArgument(args, &file)
			if (len(args) == 1) == all {
				return hintedError{usageError{errors.New("say which message, or --all")}, "ringwarden notify list shows their keys"}
			}
			f, err := loadFleet([]string{file})
			if err != nil {
				return err
			}
			id := ""
			if !all {
				id = args[0]
			}
			n, err := door.NewClient(f.Store, userName()).Retry(c.Context(), id)
			switch {
			case errors.Is(err, fs.ErrPermission):
				return doorHint(f, err)
			case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
				return noDaemon(f)
			case err != nil:
				return hintedError{err, "ringwarden notify list shows what was given up"}
			}
			fmt.Fprintf(a.out, "%s again\n", count(n, "message is tried", "messages are tried"))
			return nil
		},
	}
	fleetFlag(c, &file)
	c.Flags().BoolVar(&all, "all", false, "all that were given up")
	return c
}
