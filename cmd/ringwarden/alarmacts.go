package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"ringwarden/alerts"
	"ringwarden/dashboard"
	"ringwarden/fleet"
	"ringwarden/fleet/userfile"
)

// actCommands are what a person can do about alarms, by the daemon that judges.
func (a *app) actCommands(to *remote) []*cobra.Command {
	return []*cobra.Command{
		a.actCommand(to, dashboard.Acknowledge, &cobra.Command{
			Use: "acknowledge KIND PLACE [FLEET-FILE]", Short: "Note that you have seen an alarm",
			Long: `Note that you have seen an alarm, so that nobody is reminded of it. KIND and PLACE are as ringwarden alarms lists them.`,
			Example: `  ringwarden alarms acknowledge link-down 'mill/north/alder>birch' fleet.yaml
  ringwarden alarms acknowledge controller-silent mill/north/alder fleet.yaml --why "switched off for the winter"`,
		}),
		a.actCommand(to, dashboard.Shelve, &cobra.Command{
			Use: "shelve KIND PLACE [FLEET-FILE] --for TIME --why REASON", Short: "Hide an alarm for a time",
			Long: `Hide an alarm for a time, at most 30 days, whether it stands or not. With --once it is shown again earlier: as soon as it
has gone away, so that it is told when it next comes.`,
			Example: `  ringwarden alarms shelve link-noisy 'mill/north/alder>birch' fleet.yaml --for 72h --why "a new cable is ordered"
  ringwarden alarms shelve no-full-charge mill/north fleet.yaml --for 240h --once --why "cloudy; the generator runs tomorrow"`,
		}),
		a.actCommand(to, dashboard.Unshelve, &cobra.Command{
			Use: "unshelve KIND PLACE [FLEET-FILE]", Short: "Show a shelved alarm again",
			Long:    "Show a shelved alarm again before its time: it goes to the state that its condition has.",
			Example: "  ringwarden alarms unshelve link-noisy 'mill/north/alder>birch' fleet.yaml",
		}),
		a.actCommand(to, dashboard.TakeOut, &cobra.Command{
			Use: "take-out PLACE [FLEET-FILE] --for TIME --why REASON", Short: "Take a place out of service while people work there",
			Long: `Take a site, ring, controller or cable out of service for at most 180 days: nothing inside it is raised. With --kind, which
can be given again, alarms of those kinds alone are held back; then PLACE may be the word everywhere. A controller brings
the cables at its jacks. What is taken out for the same place before is replaced.`,
			Example: `  ringwarden alarms take-out mill/north/alder fleet.yaml --for 4h --why "new fan"
  ringwarden alarms take-out mill fleet.yaml --for 48h --kind temperature-stuck --kind temperature-split --why "sensor is at the bench"
  ringwarden alarms take-out everywhere fleet.yaml --for 24h --kind clock-stepped --why "new time server"`,
		}),
		a.actCommand(to, dashboard.Return, &cobra.Command{
			Use: "return PLACE [FLEET-FILE]", Short: "Return a place to service",
			Long:    "Return a place to service before its time: its alarms go to the states that their conditions have.",
			Example: "  ringwarden alarms return mill/north/alder fleet.yaml",
		}),
		a.actCommand(to, dashboard.Comment, &cobra.Command{
			Use: "comment KIND PLACE [FLEET-FILE] --why TEXT", Short: "Write down something about an alarm, for whoever comes next",
			Long: `Write down something about an alarm, for whoever comes next: the pages show it under the alarm, and ringwarden notes
lists it. What is about a place and no alarm, ringwarden note writes down.`,
			Example: `  ringwarden alarms comment link-noisy 'mill/north/alder>birch' fleet.yaml --why "worse when it rains"`,
		}),
	}
}

// actCommand finishes the command of a verb: its arguments, its flags, and what it does.
func (a *app) actCommand(to *remote, verb dashboard.Verb, c *cobra.Command) *cobra.Command {
	act := dashboard.Action{Verb: verb}
	var kinds []string
	named, what := 2, "a kind and a place"
	if verb == dashboard.TakeOut || verb == dashboard.Return {
		named, what = 1, "a place"
	}
	c.Args = arguments(named, named+1, what+", then one fleet file at most")
	c.Flags().StringVar(&act.Why, "why", "", "the reason, for whoever asks later")
	if verb == dashboard.Shelve || verb == dashboard.TakeOut {
		lapseFlag(c.Flags(), &act.For, "for", "for how long, as in 8h or 3d")
	}
	switch verb {
	case dashboard.Shelve:
		c.Flags().BoolVar(&act.OneShot, "once", false, "until it next goes away, if that is earlier")
	case dashboard.TakeOut:
		c.Flags().StringArrayVar(&kinds, "kind", nil, "only alarms of this kind; can be given again")
		choose(c, "kind", kindWords()...)
	}
	c.ValidArgsFunction = func(_ *cobra.Command, args []string, _ string) ([]cobra.Completion, cobra.ShellCompDirective) {
		switch {
		case named == 2 && len(args) == 0:
			return kindWords(), cobra.ShellCompDirectiveNoFileComp
		case len(args) == named-1:
			return placesHere(), cobra.ShellCompDirectiveNoFileComp
		}
		return nil, cobra.ShellCompDirectiveDefault
	}
	c.RunE = func(c *cobra.Command, args []string) error {
		if last := ""; len(fleetArgument(args[:named], &last)) < named {
			err := fmt.Errorf("%s is the fleet file, which comes last; %s wants %s before it", last, c.CommandPath(), what)
			return hintedError{usageError{err}, "usage: " + c.UseLine()}
		}
		if named == 2 {
			kinds = args[:1]
		}
		for _, word := range kinds {
			if err := knownKind(word); err != nil {
				return err
			}
			if act.Kinds = append(act.Kinds, fleet.Kind(word)); named == 2 {
				act.Key.Kind, act.Kinds = fleet.Kind(word), nil
			}
		}
		if act.Key.Subject = fleet.Subject(args[named-1]); named == 1 && act.Key.Subject == "everywhere" {
			act.Key.Subject = fleet.Everywhere
		}
		if err := complete(&act); err != nil {
			return hintedError{usageError{err}, "see " + c.CommandPath() + " --help"}
		}
		return to.hint(a.act(c.Context(), to, act, args[named:]))
	}
	return c
}

// complete says what the command line lacks.
func complete(act *dashboard.Action) error {
	held := act.Verb == dashboard.Shelve || act.Verb == dashboard.TakeOut
	switch {
	case held && act.For <= 0:
		return errors.New("say for how long, as in --for 8h")
	case act.Why == "" && (held || act.Verb == dashboard.Comment):
		return errors.New("say --why, for whoever asks later")
	}
	return nil
}

func knownKind(word string) error {
	var known []string
	for _, k := range alerts.Kinds() {
		known = append(known, string(k.Kind))
	}
	if slices.Contains(known, word) {
		return nil
	}
	return hintedError{usageError{fmt.Errorf("there is no kind of alarm %q%s", word, userfile.Hint(word, known))}, "ringwarden alarms lists what stands, each with its kind and place"}
}

// act asks the daemon for something and prints how the alarm, or the place, is then.
func (a *app) act(ctx context.Context, to *remote, act dashboard.Action, args []string) error {
	c, err := to.daemon(ctx, a, args)
	if err != nil {
		return err
	}
	if err := c.Act(ctx, act); err != nil {
		return to.placeHint(err, act.Key.Subject, args)
	}
	if act.Verb == dashboard.Comment {
		fmt.Fprintf(a.out, "written down: %s on %s\n%s", act.Key.Kind, act.Key.Subject, wrap(act.Why, width(a.out), "  "))
		return nil
	}
	if act.Key.Kind == "" {
		act.Key.Kind = alerts.KindOutOfService
	}
	standing, err := c.Standing(ctx)
	if err != nil {
		return fmt.Errorf("it is done; reading how it stands now: %w", err)
	}
	now := fleet.Alarm{AlarmKey: act.Key, State: fleet.AlarmNormal}
	if i := slices.IndexFunc(standing, func(s fleet.Alarm) bool { return s.AlarmKey == act.Key }); i >= 0 {
		now = standing[i]
	}
	fmt.Fprintln(a.out, standsNow(&now, clocksThere(ctx, c)))
	return nil
}

// standsNow says how an alarm, or the service of a place, is.
func standsNow(s *fleet.Alarm, clocks siteClocks) string {
	until := ""
	if !s.Until.IsZero() {
		until = " until " + clocks.show(s.Until, s.Subject)
	}
	if s.Kind != alerts.KindOutOfService {
		return fmt.Sprintf("%s on %s: %s%s", s.Kind, s.Subject, s.State, until)
	}
	place := string(s.Subject)
	if s.Subject == fleet.Everywhere {
		place = "everywhere"
	}
	if s.State == fleet.AlarmNormal {
		return place + ": in service"
	}
	return place + ": out of service" + until
}

// placeHint adds what the place may be called that a daemon on this machine does not know.
func (r *remote) placeHint(err error, place fleet.Subject, args []string) error {
	if r.url != "" || place == fleet.Everywhere {
		return err
	}
	f, noFleet := loadFleet(args)
	if noFleet != nil {
		return err
	}
	known := places(f)
	if slices.Contains(known, string(place)) {
		return err
	}
	if hint := placeHint(string(place), known); hint != "" {
		return hintedError{err, strings.TrimPrefix(hint, "; ")}
	}
	return err
}
