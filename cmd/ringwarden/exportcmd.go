package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ringwarden/cmd/ringwarden/door"
	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/export"
)

// exportOptions are the flags of export.
type exportOptions struct {
	format, output, resolution string
	from, to                   string
	at, points                 []string
}

func (a *app) exportCommand() *cobra.Command {
	var o exportOptions
	c := &cobra.Command{
		Use:   "export [FLEET-FILE]",
		Short: "Write readings as CSV or Parquet",
		Long: `Write readings, or rollups of 5 minutes, hours or days, as a table: one row for each value. While the daemon runs it is
asked; otherwise its database is read. store/export/EXPORT.md describes the columns.

An instant is written as 2026-06-01, 2026-06-01T12:00 (on the clock of the sites, or UTC where they share none),
2026-06-01T12:00:00Z, or as a time before now, such as 7d.`,
		Example: `  ringwarden export fleet.yaml --from 2d >two-days.csv
  ringwarden export fleet.yaml --at mill/north --point battery.voltage --from 2026-06-01 --to 2026-06-02
  ringwarden export fleet.yaml --resolution 1d --point output.power --output power.parquet`,
		Args: arguments(0, 1, "one fleet file at most"),
		RunE: func(c *cobra.Command, args []string) error {
			f, err := loadFleet(args)
			if err != nil {
				return err
			}
			q, err := o.query(f, time.Now())
			if err != nil {
				return hintedError{usageError{err}, "see ringwarden export --help"}
			}
			a.tellUnknownPoints(f, q.Points)
			return a.exportTable(c.Context(), f, q, o.output)
		},
	}
	c.Flags().StringVar(&o.format, "format", "", "csv or parquet; if left out, as the name of the output says, else csv")
	c.Flags().StringVarP(&o.output, "output", "o", "-", "file to write, which must not be there yet; - is standard output")
	c.Flags().StringVar(&o.resolution, "resolution", "raw", "raw, 5m, 1h or 1d")
	choose(c, "format", "csv", "parquet")
	choose(c, "resolution", "raw", "5m", "1h", "1d")
	c.Flags().StringVar(&o.from, "from", "", "first instant; if left out, the oldest reading")
	c.Flags().StringVar(&o.to, "to", "", "instant to stop before; if left out, the newest reading")
	c.Flags().StringArrayVar(&o.at, "at", nil, "only this site, ring or controller, by its id; can be given again")
	c.Flags().StringArrayVar(&o.points, "point", nil, "only this point, by its name in the map or its quantity; can be given again")
	return c
}

// query makes the flags into a query, and refuses what makes none.
func (o *exportOptions) query(f *fleet.Fleet, now time.Time) (q export.Query, err error) {
	if q.Controllers, err = chosen(f, o.at); err != nil {
		return q, err
	}
	q.Points = o.points
	zone := cmp.Or(sharedClock(f, q.Controllers), time.UTC) // as in the table
	if q.From, err = parseInstant("--from", o.from, now, zone); err != nil {
		return q, err
	}
	if q.To, err = parseInstant("--to", o.to, now, zone); err != nil {
		return q, err
	}
	if !q.From.IsZero() && !q.To.IsZero() && !q.From.Before(q.To) {
		return q, fmt.Errorf("--from %s is not before --to %s", o.from, o.to)
	}
	if o.resolution != "raw" {
		r, ok := door.ParseResolution(o.resolution)
		if !ok {
			return q, fmt.Errorf("unknown resolution %q; known are raw, 5m, 1h, 1d", o.resolution)
		}
		q.Rollups = &r
	} else if len(o.at) == 0 {
		q.Controllers = nil // those that left the fleet file, too
	}
	q.Format, err = o.kind()
	return q, err
}

// kind returns the format that was asked for.
func (o *exportOptions) kind() (export.Format, error) {
	f := export.Format(o.format)
	switch {
	case o.format == "" && strings.HasSuffix(o.output, ".parquet"):
		return export.Parquet, nil
	case o.format == "":
		return export.CSV, nil
	case !slices.Contains(export.Formats, f):
		return "", fmt.Errorf("unknown format %q; known are csv and parquet", o.format)
	}
	return f, nil
}

// chosen returns the controllers at the places named, all if none is.
func chosen(f *fleet.Fleet, at []string) ([]fleet.ControllerID, error) {
	var ids []fleet.ControllerID
	met := map[string]bool{}
	var known []string
	f.All(func(s *fleet.Site, r *fleet.Ring, c *fleet.Controller) bool {
		known = append(known, string(s.ID), string(r.ID), string(c.ID))
		wanted := len(at) == 0
		for _, place := range at {
			if place != "" && fleet.Subject(c.ID).Inside(fleet.Subject(place)) {
				met[place], wanted = true, true
			}
		}
		if wanted {
			ids = append(ids, c.ID)
		}
		return true
	})
	for _, place := range at {
		if !met[place] {
			return nil, fmt.Errorf("--at %s names nothing in the fleet file%s", place, placeHint(place, known))
		}
	}
	return ids, nil
}

// sharedClock returns the clock that the sites of controllers share; nil: they share none.
func sharedClock(f *fleet.Fleet, ids []fleet.ControllerID) *time.Location {
	of, zone := map[fleet.SiteID]*time.Location{}, zones(f)
	for _, id := range ids {
		of[id.Site()] = zone(id)
	}
	return newClocks(of).shared
}

// parseInstant reads an instant as people write it; nothing is the zero time.
func parseInstant(flag, word string, now time.Time, zone *time.Location) (time.Time, error) {
	if word == "" {
		return time.Time{}, nil
	}
	if at, err := time.Parse(time.RFC3339, word); err == nil {
		return at, nil
	}
	for _, layout := range []string{time.DateOnly, "2006-01-02T15:04", "2006-01-02 15:04", "2006-01-02T15:04:05", time.DateTime} {
		if at, err := time.ParseInLocation(layout, word, zone); err == nil {
			return at, nil
		}
	}
	if days, ok := strings.CutSuffix(word, "d"); ok {
		if n, err := strconv.ParseUint(days, 10, 16); err == nil {
			return now.Add(-time.Duration(n) * 24 * time.Hour), nil
		}
	}
	if ago, err := time.ParseDuration(word); err == nil && ago >= 0 {
		return now.Add(-ago), nil
	}
	return time.Time{}, fmt.Errorf("%s %q is no instant; write 2026-06-01, 2026-06-01T12:00, 2026-06-01T12:00:00Z, or a time before now such as 7d or 12h", flag, word)
}

// exportTable writes the table to standard output, or to a file that gets its name once it is whole.
func (a *app) exportTable(ctx context.Context, f *fleet.Fleet, q export.Query, output string) error {
	if output == "-" {
		if q.Format == export.Parquet && isTerminal(a.out) {
			return usageError{errors.New("a terminal cannot show Parquet; name a file with --output")}
		}
		return a.writeTable(ctx, f, q, a.out, output)
	}
	if _, err := os.Lstat(output); !errors.Is(err, fs.ErrNotExist) {
		return hintedError{fmt.Errorf("exporting to %s: it is there already", output), "name another file, or remove that one"}
	}
	part := output + ".part"
	file, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return fmt.Errorf("exporting: %w", err)
	}
	defer os.Remove(part) // by then it has its name, or is not whole
	err = a.writeTable(ctx, f, q, file, output)
	if err = errors.Join(err, file.Close()); err != nil {
		return err
	}
	return os.Rename(part, output)
}

func (a *app) writeTable(ctx context.Context, f *fleet.Fleet, q export.Query, to io.Writer, name string) error {
	p, done := periodProgress(a.err, "exporting")
	out := &countedWriter{w: to}
	buffered := bufio.NewWriterSize(out, 64<<10)
	err := withStore(ctx, f,
		func(s *store.Store) error {
			if _, err := export.Write(ctx, buffered, s, q, p); err != nil {
				return err
			}
			return a.tellDamage(s)
		},
		func(d *door.Client) error {
			damaged, err := d.Export(ctx, buffered, q, p)
			a.tellDamaged(damaged)
			return err
		})
	if err == nil {
		err = buffered.Flush()
	}
	done()
	if err != nil {
		return fmt.Errorf("exporting: %w", err)
	}
	if name != "-" {
		fmt.Fprintf(a.out, "%s: %s\n", name, fleet.Size(out.done))
	}
	return nil
}
