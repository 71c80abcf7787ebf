package main

import (
	"context"
	"errors"
	"fmt"
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
		Use:   "test [NAME]",
		Short: "Send a test message to everybody, or to one of them",
		Long: `Send a test message to everybody under notify in the fleet file, or to the person, webhook or Alertmanager that is
named, by every way there is, and say what became of each. Nothing is stored and nothing is tried again; a running
daemon is not disturbed. An Alertmanager shows the test for a few minutes.`,
		Example: `  ringwarden notify test --fleet fleet.yaml
  ringwarden notify test Maren --fleet fleet.yaml`,
		Args: arguments(0, 1, "one name at most"),
		RunE: func(c *cobra.Command, args []string) error {
			name := ""
			if len(args) > 0 {
				name = args[0]
			}
			return a.testNotify(c.Context(), file, name)
		},
	}
	test.Flags().StringVar(&file, "fleet", defaultFleet, "the fleet file")
	return group("notify", "Try out who is told of alarms, and see what has not got through",
		`Who is told of alarms, and how, stands under notify in the fleet file; fleet/FORMAT.md describes it.`, test, a.notifyListCommand(), a.notifyRetryCommand())
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
