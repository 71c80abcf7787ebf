package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ringwarden/alerts/notify"
	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
	"ringwarden/metrics"
	"ringwarden/store"
)

// telling is a journal that stores, beside each change of an alarm, the messages about it.
type telling struct {
	*store.Store
	desk *notify.Desk
}

// PutChanges stores changes and what people are told of them in one commit.
func (t telling) PutChanges(ctx context.Context, changes []fleet.Change) error {
	return t.desk.PutChanges(ctx, changes)
}

func notifyHealth(desk *notify.Desk) []metrics.NotifyHealth {
	var all []metrics.NotifyHealth
	for _, h := range desk.Health() {
		all = append(all, metrics.NotifyHealth(h))
	}
	return all
}

func (a *app) notifyCommand() *cobra.Command {
	var file string
	test := &cobra.Command{
		Use:   "test [NAME] [FLEET-FILE]",
		Short: "Send a test message to everybody, or to one of them",
		Long: `Send a test message to everybody under notify in the fleet file, or to the person, webhook or Alertmanager that is
named, by every way there is, and say what became of each. Nothing is stored and nothing is tried again; a running
daemon is not disturbed. An Alertmanager shows the test for a few minutes.`,
		Example: `  ringwarden notify test fleet.yaml
  ringwarden notify test Maren fleet.yaml`,
		Args: arguments(0, 2, "one name and one fleet file at most"),
		RunE: func(c *cobra.Command, args []string) error {
			args = fleetArgument(args, &file)
			if len(args) > 1 {
				return hintedError{usageError{fmt.Errorf("%q is no fleet file: its name would end in .yaml", args[1])}, "usage: " + c.UseLine()}
			}
			name := ""
			if len(args) > 0 {
				name = args[0]
			}
			return a.testNotify(c.Context(), file, name)
		},
	}
	fleetFlag(test, &file)
	return group("notify", "Try out who is told of alarms, and see what has not got through",
		`Who is told of alarms, and how, stands under notify in the fleet file; fleet/FORMAT.md describes it.`, test, a.notifyListCommand(), a.notifyRetryCommand())
}

// fleetFlag is for command lines on which a fleet file would not be told from a name or a key if it does not end in .yaml.
func fleetFlag(c *cobra.Command, file *string) {
	c.Flags().StringVar(file, "fleet", defaultFleet, "the fleet file; needed only if its name does not end in .yaml")
}

// fleetArgument takes the fleet file from the end of the arguments, if it is there, and returns the others.
func fleetArgument(args []string, file *string) []string {
	if n := len(args) - 1; n >= 0 && (strings.HasSuffix(args[n], ".yaml") || strings.HasSuffix(args[n], ".yml")) {
		*file = args[n]
		return args[:n]
	}
	return args
}

func (a *app) testNotify(ctx context.Context, file, name string) error {
	p, err := loadPlant(file)
	if err != nil {
		return err
	}
	known := notify.Recipients(p.fleet)
	if len(known) == 0 {
		return hintedError{fmt.Errorf("testing who is told of alarms: %s names nobody", file), "put them under notify; fleet/FORMAT.md describes it"}
	}
	failed := 0
	err = notify.SendTest(ctx, p.fleet, name, time.Now(), func(o notify.Outcome) {
		if o.Err != nil {
			failed++
			fmt.Fprintf(a.out, "%s: failed after %s: %v\n", o.To, o.Took.Round(time.Millisecond), o.Err)
			return
		}
		fmt.Fprintf(a.out, "%s: sent in %s\n", o.To, o.Took.Round(time.Millisecond))
	})
	switch {
	case errors.Is(err, notify.ErrUnknown):
		return fmt.Errorf("testing %q: %w%s", name, err, userfile.Hint(name, known))
	case err != nil:
		return err
	case failed > 0:
		return fmt.Errorf("testing who is told of alarms: %s failed", count(failed, "way", "ways"))
	}
	return nil
}
