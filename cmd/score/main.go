// Command score plays made-up histories of rings to the detectors and to the diagnosis, prints a line for each bar, and
// writes docs/judgement.md. It is for contributors; people who run ringwarden have no need of it.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"strings"

	"ringwarden/diagnosis/score"
)

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, "score:", err)
		os.Exit(1)
	}
}

func run() error {
	page := flag.String("page", "", "also write the figures to this file, as in docs/judgement.md")
	tenth := flag.Bool("tenth", false, "play a tenth of the histories, as the tests do")
	only := flag.String("only", "", "play the faults with these words in their names alone, such as 'cut cable,month'")
	seed := flag.Uint64("seed", 0, "begin at this seed instead of the plan's own")
	times := flag.Int("times", 1, "play so many times as many histories")
	alarms := flag.Bool("alarms", false, "leave the diagnosis out")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	plan := score.Full()
	if *tenth {
		plan = score.Tenth()
	}
	plan = plan.Times(*times)
	if *only != "" {
		plan = plan.Only(strings.Split(*only, ",")...)
	}
	if *seed > 0 {
		plan.Seed = *seed
	}
	plan.Alarms = *alarms
	card, err := score.Run(ctx, plan, runtime.GOMAXPROCS(0))
	if err != nil {
		return err
	}
	card.Print(os.Stdout)
	if *page == "" {
		return nil
	}
	if err := os.MkdirAll(filepath.Dir(*page), 0o755); err != nil {
		return fmt.Errorf("making the folder of the page: %w", err)
	}
	if err := os.WriteFile(*page, []byte(card.Page()), 0o644); err != nil {
		return fmt.Errorf("writing the page: %w", err)
	}
	return nil
}
