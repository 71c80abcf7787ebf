package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/door"
	"ringwarden/fleet"
	"ringwarden/store"
)

func (a *app) storeCommand() *cobra.Command {
	return group("store", "Look after the database: sizes, checks, backups",
		`The database holds every reading, alarm and note. A running daemon keeps it for itself: stat and backup ask the
daemon then, and verify checks a copy that it makes. None of them changes what is stored. ringwarden export takes
readings out as tables.`,
		a.storeStatCommand(), a.storeVerifyCommand(), a.storeCompactCommand(), a.storeBackupCommand())
}

func (a *app) storeStatCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "stat [FLEET-FILE]",
		Short: "Say what takes how much room, and from when to when readings reach",
		Long: `Say what takes how much room in the database, how many bytes a reading takes, and from when to when the readings of each
controller reach. The whole file is read for it. While the daemon runs it is asked.`,
		Example: "  ringwarden store stat fleet.yaml",
		Args:    arguments(0, 1, "one fleet file at most"),
		RunE: func(c *cobra.Command, args []string) error {
			f, err := loadFleet(args)
			if err != nil {
				return err
			}
			var v door.Survey
			err = withStore(c.Context(), f,
				func(s *store.Store) error { v, err = door.Take(c.Context(), s); return err },
				func(d *door.Client) error { v, err = d.Stat(c.Context()); return err })
			if err != nil {
				return err
			}
			if asJSON {
				return writeJSON(a.out, surveyJSON(&v))
			}
			printSurvey(a.out, clocksOf(f), &v)
			return nil
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON instead of text")
	return c
}

func (a *app) storeVerifyCommand() *cobra.Command {
	var file string
	c := &cobra.Command{
		Use:   "verify [FLEET-FILE]",
		Short: "Check every page and every record, and name what is damaged",
		Long: `Check that every page of the database is in its place and every record has its checksum, and name all that is damaged and
what is still in good order. The exit status is 1 if anything is damaged. While the daemon runs, a copy is checked, which
takes room in the folder for temporary files and beside the database.`,
		Example: `  ringwarden store verify fleet.yaml
  ringwarden store verify --file /media/stick/ringwarden.db    a backup`,
		Args: arguments(0, 1, "one fleet file at most"),
		RunE: func(c *cobra.Command, args []string) error {
			if file != "" {
				return a.verifyFile(c.Context(), file, file, siteClocks{})
			}
			f, err := loadFleet(args)
			if err != nil {
				return err
			}
			return a.verify(c.Context(), f)
		},
	}
	c.Flags().StringVar(&file, "file", "", "check this database, such as a backup, instead of the fleet file's")
	return c
}

func (a *app) verify(ctx context.Context, f *fleet.Fleet) error {
	err := a.verifyFile(ctx, f.Store, f.Store, clocksOf(f))
	if !errors.Is(err, store.ErrLocked) {
		return err
	}
	folder, err := os.MkdirTemp("", "ringwarden")
	if err != nil {
		return fmt.Errorf("making room for a copy: %w", err)
	}
	defer os.RemoveAll(folder)
	p, done := progress(a.err, "copying")
	copied, _, err := door.NewClient(f.Store, userName()).Fetch(ctx, filepath.Join(folder, "copy.db"), p)
	done()
	if err != nil {
		return doorHint(f, err)
	}
	return a.verifyFile(ctx, copied, "a copy of "+f.Store, clocksOf(f))
}

func (a *app) verifyFile(ctx context.Context, path, name string, clocks siteClocks) error {
	p, done := progress(a.err, "checking")
	st, err := store.VerifyFile(ctx, path, p)
	done()
	switch {
	case errors.Is(err, store.ErrDamaged):
		return tellDamage(err, clocks)
	case errors.Is(err, context.Canceled):
		return hintedError{err, "nothing was changed"}
	case err != nil:
		return withNextStep(err)
	}
	fmt.Fprintf(a.out, "%s: no fault; format %d, %s, %s\n", name, st.Format, fleet.Size(st.Size), reach(clocks, st.Oldest, st.Newest))
	if st.Quarantined > 0 {
		fmt.Fprintf(a.out, "%s in quarantine from before; ringwarden store stat names them\n", count(st.Quarantined, "damaged record is", "damaged records are"))
	}
	return nil
}

// tellDamage says what is left of a damaged database, and what to do.
func tellDamage(err error, clocks siteClocks) error {
	const (
		replace = "a backup can take the place of the file"
		without = "; without one, start the daemon: it moves the file aside, as it is, and begins a new one"
	)
	d, ok := errors.AsType[*store.Damage](err)
	switch {
	case !ok:
		return hintedError{err, replace + without}
	case d.Wreck == nil:
		return hintedError{err, "what is not named can still be read: ringwarden export saves it, and " + replace}
	}
	err = fmt.Errorf("%w\n%s", err, whatIsLeft(d.Wreck, clocks))
	if d.Wreck.Opens {
		return hintedError{err, "ringwarden export saves what lies before and behind a broken page, with --from and --to; " + replace}
	}
	return hintedError{err, replace + without}
}

// whatIsLeft says what of a wreck is in good order, a line for each part.
func whatIsLeft(w *store.Wreck, clocks siteClocks) string {
	if len(w.Left) == 0 {
		return "nothing else of it is in good order"
	}
	var b strings.Builder
	fmt.Fprint(&b, "still in good order:")
	for _, part := range w.Left {
		fmt.Fprintf(&b, "\n  %s: %s, %s", part.Bucket, count(part.Records, "record", "records"), bucketWords[part.Bucket])
	}
	if !w.Oldest.IsZero() {
		fmt.Fprintf(&b, "\n  %s", reach(clocks, w.Oldest, w.Newest))
	}
	return b.String()
}

func (a *app) storeCompactCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "compact [FLEET-FILE]",
		Short: "Give the room of what was dropped back to the disk",
		Long: `Write the database anew without the room of what was dropped, compare the new file with the old one byte for byte, and
put it in its place. The daemon must be stopped, and the disk needs room for both. Ctrl-C leaves everything as it was.`,
		Example: "  ringwarden store compact fleet.yaml",
		Args:    arguments(0, 1, "one fleet file at most"),
		RunE: func(c *cobra.Command, args []string) error {
			f, err := loadFleet(args)
			if err != nil {
				return err
			}
			p, done := progress(a.err, "compacting")
			before, after, err := store.Compact(c.Context(), f.Store, p)
			done()
			switch {
			case errors.Is(err, store.ErrLocked):
				return hintedError{err, "stop the daemon, compact, and start it again; readings of that time are missed"}
			case errors.Is(err, context.Canceled):
				return hintedError{err, "the database is as it was"}
			case err != nil:
				return withNextStep(err)
			}
			fmt.Fprintf(a.out, "%s: %s, was %s\n", f.Store, fleet.Size(after), fleet.Size(before))
			return nil
		},
	}
}

func (a *app) storeBackupCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "backup DESTINATION [FLEET-FILE]",
		Short: "Copy the database, while the daemon runs or not",
		Long: `Copy the database as it is now to a file that is not there yet. The copy gets that name once it is whole, on the disk and
checked; until then, and where anything ends the command before, it is DESTINATION.ID.part beside it.

While the daemon runs, it makes the copy beside its database and sends it; it goes on polling and storing meanwhile. What
was interrupted in sending goes on where it stopped when the same command is given again within an hour; what was
interrupted otherwise begins again, in the place of what was left.

To go back to a backup, stop the daemon and put the file in the place of the database.`,
		Example: "  ringwarden store backup /media/stick/ringwarden-2026-06.db fleet.yaml",
		Args:    arguments(1, 2, "a destination and one fleet file at most"),
		RunE: func(c *cobra.Command, args []string) error {
			f, err := loadFleet(args[1:])
			if err != nil {
				return err
			}
			return a.backup(c.Context(), f, args[0])
		},
	}
}

func (a *app) backup(ctx context.Context, f *fleet.Fleet, path string) error {
	if info, err := os.Stat(path); err == nil {
		if info.IsDir() {
			return usageError{fmt.Errorf("backing up to %s: it is a folder; name a file in it", path)}
		}
		return hintedError{fmt.Errorf("backing up to %s: it is there already, and no backup is ever written over", path), "name another file, such as one with today's date"}
	}
	var part string
	var size int64
	p, done := progress(a.err, "copying")
	err := withStore(ctx, f,
		func(s *store.Store) (err error) { part, size, err = copyPart(ctx, s, path, p); return err },
		func(d *door.Client) (err error) { part, size, err = d.Fetch(ctx, path, p); return err })
	done()
	if err != nil {
		return fmt.Errorf("backing up: %w", err)
	}
	p, done = progress(a.err, "checking the copy")
	st, err := store.VerifyFile(ctx, part, p)
	done()
	switch {
	case err != nil && ctx.Err() != nil:
		err = fmt.Errorf("backing up to %s: the copy was not checked, and is removed: %w", path, context.Cause(ctx))
		os.Remove(part)
		return hintedError{err, "the same command begins again"}
	case err != nil:
		return hintedError{
			fmt.Errorf("the backup does not check, and is left as %s: %w", part, err),
			"ringwarden store verify says whether the database itself is damaged; if it is not, the disk of the backup is",
		}
	}
	if err := store.Place(part, path); err != nil {
		return fmt.Errorf("backing up: %w", err)
	}
	fmt.Fprintf(a.out, "%s: %s, checked, %s\n", path, fleet.Size(size), reach(clocksOf(f), st.Oldest, st.Newest))
	return nil
}

// copyPart copies a store that nobody has open for writing beside path, where what an earlier run left makes room for it.
func copyPart(ctx context.Context, s *store.Store, path string, p store.Progress) (part string, size int64, err error) {
	for _, left := range store.Parts(path) {
		os.Remove(left) // if that fails, it costs room alone
	}
	part = store.PartName(path, rand.Text())
	size, err = s.Copy(ctx, part, p)
	return part, size, err
}

// loadFleet reads the fleet file that the arguments name, without its maps.
func loadFleet(args []string) (*fleet.Fleet, error) {
	f, err := fleet.Load(fleetPath(args), alerts.Kinds())
	if errors.Is(err, fs.ErrNotExist) && len(args) == 0 {
		return nil, hintedError{err, "name a fleet file, or run this where " + defaultFleet + " is"}
	}
	return f, err
}

// lockTime is how long a command waits for a store before it takes it for a daemon's.
const lockTime = 200 * time.Millisecond

// withStore reads the store of a fleet: the file itself, or through the daemon that has it open.
func withStore(ctx context.Context, f *fleet.Fleet, file func(*store.Store) error, daemon func(*door.Client) error) error {
	s, err := store.Open(f.Store, store.Options{ReadOnly: true, Wait: lockTime, Zone: zones(f)})
	switch {
	case err == nil:
		return errors.Join(file(s), s.Close())
	case errors.Is(err, store.ErrLocked):
		return doorHint(f, daemon(door.NewClient(f.Store, userName())))
	}
	return withNextStep(err)
}

// withNextStep adds what to do about a store that cannot be read.
func withNextStep(err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return hintedError{err, "ringwarden run FLEET-FILE stores readings there"}
	case errors.Is(err, store.ErrDamaged):
		return hintedError{err, "the daemon moves a damaged database aside when it starts, and begins a new one"}
	case errors.Is(err, fs.ErrPermission):
		return hintedError{err, "the database is the daemon's own user's; give the command as that user, as with sudo"}
	}
	return err
}

// zones says whose days a controller's rollups follow.
func zones(f *fleet.Fleet) func(fleet.ControllerID) *time.Location {
	of := map[fleet.SiteID]*time.Location{}
	for i := range f.Sites {
		of[f.Sites[i].ID] = f.Sites[i].Zone
	}
	return func(id fleet.ControllerID) *time.Location { return of[id.Site()] }
}
