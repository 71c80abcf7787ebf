package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

// figuresPast is the time that figures are of if none is named: the standard wants thirty days at least.
const figuresPast = 30 * 24 * time.Hour

// fewAlarms is below how many alarms shares say little.
const fewAlarms = 50

// alarmFigures prints how well the alarms of a time served the people who get them.
func (a *app) alarmFigures(ctx context.Context, book alarmBook, clocks siteClocks, past time.Duration, asJSON bool) error {
	if past <= 0 {
		past = figuresPast
	}
	now := time.Now()
	changes, err := book.Changes(ctx, now.Add(-past), now)
	if err != nil {
		return fmt.Errorf("reading past alarms: %w", err)
	}
	standing, err := book.Standing(ctx)
	if err != nil {
		return fmt.Errorf("reading the alarms that stand: %w", err)
	}
	p, err := alerts.Measure(now.Add(-past), now, standing, func(yield func(fleet.Change, error) bool) {
		for i := range changes {
			if !yield(changes[i], nil) {
				return
			}
		}
	})
	if err != nil {
		return err
	}
	if asJSON {
		return writeJSON(a.out, performanceJSON(&p))
	}
	printFigures(a.out, clocks, &p)
	return nil
}

// printFigures shows each figure beside what the standard asks for (ISA-18.2-2016, 16.4).
func printFigures(out io.Writer, clocks siteClocks, p *alerts.Performance) {
	line := func(what, is, target string) {
		fmt.Fprintln(out, strings.TrimRight(fmt.Sprintf("%-34s %-12s %s", what, is, target), " "))
	}
	percent := func(share float64) string { return fmt.Sprintf("%.3g %%", 100*share) }
	fmt.Fprintf(out, "Alarms from %s to %s\n\n", clocks.show(p.From, ""), clocks.show(p.To, ""))
	line("", "is", "ISA-18.2 asks for")
	line("alarms", fmt.Sprint(p.Alarms), "")
	line("an hour", fmt.Sprintf("%.3g", p.PerHour), "about 6, at most about 12")
	line("most in ten minutes", fmt.Sprint(p.MostIn10), "at most 10")
	line("ten minutes with more than 10", percent(p.Over10), "less than 1 %")
	line("hours with more than 30", percent(p.Over30), "less than 1 %")
	line("floods", fmt.Sprint(p.Floods), "")
	line("time in a flood", percent(p.FloodShare), "less than 1 %")
	line("share of the ten most frequent", percent(p.TopTenShare), "about 1 %, at most 5 %")
	line("chattering", fmt.Sprint(len(p.Chattering)), "none")
	line("fleeting", fmt.Sprint(len(p.Fleeting)), "none")
	line("stale (more than 24 h)", fmt.Sprint(len(p.Stale)), "fewer than 5")
	line("low, medium, high", fmt.Sprintf("%.0f/%.0f/%.0f %%", 100*p.ByPriority[0], 100*p.ByPriority[1], 100*p.ByPriority[2]), "80/15/5 %")
	line("shelved, suppressed by design", fmt.Sprintf("%d, %d", p.Shelved, p.Suppressed), "")
	if p.Alarms > 0 && p.Alarms < fewAlarms {
		fmt.Fprintln(out, "\nOf so few alarms, shares say little.")
	}
	printFrequencies(out, "Most frequent", p.TopTen)
	printFrequencies(out, "Chattering (came or went within a quarter of an hour)", p.Chattering)
	printFrequencies(out, "Fleeting (gone within 30 s)", p.Fleeting)
	if len(p.Stale) > 0 {
		fmt.Fprintf(out, "\nStale\n")
		for _, s := range p.Stale {
			fmt.Fprintf(out, "  %8s  %s on %s\n", s.For.Round(time.Hour), s.Kind, s.Subject)
		}
	}
}

func printFrequencies(out io.Writer, title string, list []alerts.Frequency) {
	if len(list) == 0 {
		return
	}
	fmt.Fprintf(out, "\n%s\n", title)
	for _, f := range list {
		fmt.Fprintf(out, "  %6d  %s on %s\n", f.Count, f.Kind, f.Subject)
	}
}
