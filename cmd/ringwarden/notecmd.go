package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os/user"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"ringwarden/cmd/ringwarden/door"
	"ringwarden/fleet"
	"ringwarden/store"
)

func (a *app) noteCommand() *cobra.Command {
	var n fleet.Note
	var at, when string
	c := &cobra.Command{
		Use:   "note TEXT [FLEET-FILE]",
		Short: "Write down what somebody did or saw",
		Long: `Write down what somebody did or saw, such as that two cables were swapped, with the readings of that time. Notes are
kept for ever, and none is changed or removed. ringwarden notes lists them.

A note about a ring that says "swapped cables 2 and 5" begins a swap test: from then on diagnose and the page of the
cables judge each of the two where it is. Cables count in the order of the ring; cable 1 leaves the first controller.`,
		Example: `  ringwarden note "swapped cables 2 and 5" fleet.yaml --at mill/north
  ringwarden note "lightning nearby" --when 2026-06-01T17:40`,
		Args: arguments(1, 2, "a text and one fleet file at most"),
		RunE: func(c *cobra.Command, args []string) error {
			f, err := loadFleet(args[1:])
			if err != nil {
				return err
			}
			n.Text = args[0]
			if n.Subject, err = namedPlace(f, at); err == nil {
				n.At, err = noteTime(f, n.Subject, when)
			}
			if err != nil {
				return hintedError{usageError{err}, "see ringwarden note --help"}
			}
			if n.Who == "" {
				n.Who = userName()
			}
			return a.putNote(c.Context(), f, n)
		},
	}
	c.Flags().StringVar(&at, "at", "", "the site, ring, controller or link that it is about, by its id, as in mill/north")
	c.Flags().StringVar(&when, "when", "", "when it was, as in 2026-06-01T17:40 on the clock of the site, or 2h ago; if left out, now")
	c.Flags().StringVar(&n.Who, "by", "", "who writes it; if left out, the user of this machine")
	return c
}

// namedPlace finds what a note is about.
func namedPlace(f *fleet.Fleet, at string) (fleet.Subject, error) {
	if at == "" {
		return "", nil
	}
	known := places(f)
	if slices.Contains(known, at) {
		return fleet.Subject(at), nil
	}
	return "", fmt.Errorf("--at %s names nothing in the fleet file%s", at, placeHint(at, known))
}

func noteTime(f *fleet.Fleet, at fleet.Subject, when string) (time.Time, error) {
	now := time.Now()
	if when == "" {
		return now, nil
	}
	t, err := parseInstant("--when", when, now, clocksOf(f).zone(at))
	if err == nil && t.After(now) {
		err = fmt.Errorf("--when %s is still to come", when)
	}
	return t, err
}

func userName() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return ""
}

// putNote stores a note, through the daemon if one has the store open.
func (a *app) putNote(ctx context.Context, f *fleet.Fleet, n fleet.Note) error {
	s, err := store.Open(f.Store, store.Options{Wait: lockTime, Existing: true}) // a note alone is no reason to make a store
	switch {
	case err == nil:
		err = errors.Join(s.PutNote(ctx, n), s.Close())
	case errors.Is(err, store.ErrLocked):
		err = doorHint(f, door.NewClient(f.Store, userName()).PutNote(ctx, n))
	default:
		err = withNextStep(fmt.Errorf("storing a note: %w", err))
	}
	if err != nil {
		return err
	}
	printNote(a.out, clocksOf(f), &n)
	return nil
}

func (a *app) notesCommand() *cobra.Command {
	var from string
	c := &cobra.Command{
		Use:     "notes [FLEET-FILE]",
		Short:   "List what people wrote down",
		Long:    "List the notes that people wrote, in the order of what they tell of. While the daemon runs it is asked.",
		Example: "  ringwarden notes fleet.yaml --from 30d",
		Args:    arguments(0, 1, "one fleet file at most"),
		RunE: func(c *cobra.Command, args []string) error {
			f, err := loadFleet(args)
			if err != nil {
				return err
			}
			since, err := parseInstant("--from", from, time.Now(), clocksOf(f).zone(""))
			if err != nil {
				return hintedError{usageError{err}, "see ringwarden notes --help"}
			}
			return a.listNotes(c.Context(), f, since)
		},
	}
	c.Flags().StringVar(&from, "from", "", "only those since then, as in 2026-06-01 or 30d")
	return c
}

func (a *app) listNotes(ctx context.Context, f *fleet.Fleet, since time.Time) error {
	var notes []fleet.Note
	err := a.withHistory(ctx, f, "", func(h history) error {
		for n, err := range h.Notes(ctx, since, time.Time{}) {
			if err != nil {
				return err
			}
			notes = append(notes, n)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for i := range notes {
		printNote(a.out, clocksOf(f), &notes[i])
	}
	if len(notes) == 0 {
		fmt.Fprintln(a.out, "Nobody wrote anything down.")
	}
	return nil
}

func printNote(w io.Writer, clocks siteClocks, n *fleet.Note) {
	fmt.Fprint(w, clocks.show(n.At, n.Subject))
	if n.Subject != "" {
		fmt.Fprintf(w, "  %s", n.Subject)
	}
	if n.Who != "" {
		fmt.Fprintf(w, ", %s", n.Who)
	}
	fmt.Fprintf(w, "\n%s", wrap(n.Text, width(w), "  "))
}
