package main

import (
	"bytes"
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"net/url"
	"os"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"ringwarden/cmd/ringwarden/door"
	"ringwarden/dashboard"
	"ringwarden/fleet"
	"ringwarden/store"
)

// passwordVariable is the environment variable that holds the password of --user.
const passwordVariable = "RINGWARDEN_PASSWORD"

// A remote is how a command asks a daemon that is not found by its fleet file on this machine.
type remote struct{ url, user, passwordFile, ca string }

func (r *remote) flags(c *cobra.Command) {
	f := c.PersistentFlags()
	f.StringVar(&r.url, "url", "", "ask the daemon at this address instead of the one on this machine, as in https://mill.example:27464")
	f.StringVar(&r.user, "user", "", "name in the daemon's web configuration; the password is read from "+passwordVariable+", from --password-file, or asked for")
	f.StringVar(&r.passwordFile, "password-file", "", "file that holds the password")
	f.StringVar(&r.ca, "ca", "", "file with the certificate that signs the daemon's, if the system does not know it")
}

// remoteHelp tells of a remote's flags.
const remoteHelp = `The daemon on this machine is asked through a socket beside its database, NAME.socket, without a password; it is for the
daemon's own user, and for its group if the daemon's umask lets that write. A daemon elsewhere is asked with --url.`

// client returns a client of a daemon elsewhere. Where there is one on this machine, that is asked through its door.
func (r *remote) client(a *app) (*dashboard.Client, error) {
	o := dashboard.ClientOptions{User: r.user}
	u, err := url.Parse(r.url)
	if err != nil {
		return nil, usageError{fmt.Errorf("--url %q cannot be read; write it as in https://mill.example:27464", r.url)}
	}
	if r.user != "" {
		if o.Password, err = r.password(a); err != nil {
			return nil, err
		}
		if u.Scheme == "http" && !fleet.LoopbackOnly(u.Host) {
			fmt.Fprintf(a.err, "ringwarden: the password goes to %s in clear, for everybody on the way to read\n", u.Host)
		}
	}
	if r.ca != "" {
		pem, err := os.ReadFile(r.ca)
		if err != nil {
			return nil, fmt.Errorf("reading the certificate of --ca: %w", err)
		}
		o.Roots = x509.NewCertPool()
		if !o.Roots.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("reading the certificate of --ca: there is none in %s; it must be in PEM", r.ca)
		}
	}
	c, err := dashboard.NewClient(r.url, o)
	if err != nil {
		return nil, usageError{fmt.Errorf("--url: %w", err)}
	}
	return c, nil
}

// password reads the password from the file, from the environment, or from whoever sits at the terminal.
func (r *remote) password(a *app) (string, error) {
	if r.passwordFile != "" {
		text, err := os.ReadFile(r.passwordFile)
		if err != nil {
			return "", fmt.Errorf("reading the password: %w", err)
		}
		return string(bytes.TrimRight(text, "\r\n")), nil
	}
	if text, ok := os.LookupEnv(passwordVariable); ok {
		return text, nil
	}
	if !term.IsTerminal(int(os.Stdin.Fd())) {
		return "", usageError{fmt.Errorf("--user %s needs a password: put it into %s, or name a file with --password-file", r.user, passwordVariable)}
	}
	fmt.Fprintf(a.err, "password of %s: ", r.user)
	text, err := term.ReadPassword(int(os.Stdin.Fd()))
	fmt.Fprintln(a.err)
	if err != nil {
		return "", fmt.Errorf("reading the password: %w", err)
	}
	return string(text), nil
}

// hint adds the next step to what a daemon elsewhere answered.
func (r *remote) hint(err error) error {
	switch {
	case errors.Is(err, dashboard.ErrLogin):
		return hintedError{err, "give --user NAME, and the password in " + passwordVariable + " or a file named with --password-file"}
	case errors.Is(err, dashboard.ErrForbidden):
		return hintedError{err, "operators act: they stand under operators in the daemon's fleet file"}
	case errors.As(err, new(x509.UnknownAuthorityError)):
		return hintedError{err, "name the certificate that signs the daemon's with --ca FILE"}
	case err != nil && strings.Contains(err.Error(), "server gave HTTP response to HTTPS client"):
		return hintedError{err, "it speaks no TLS; write http:// in --url if the network on the way is trusted"}
	}
	return err
}

// doorHint explains why the daemon that holds a store on this machine was not reached through its door.
func doorHint(f *fleet.Fleet, err error) error {
	path := door.SocketPath(f.Store)
	switch {
	case errors.Is(err, fs.ErrPermission):
		return hintedError{err, path + " is for the daemon's own user and group; give the command as that user, as in sudo, or ask its pages with alarms --url"}
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return hintedError{err, "a program holds " + f.Store + " and does not answer at " + path + "; if it is a daemon, its log says why"}
	}
	return err
}

// localClient returns a client of the daemon that has a fleet's store open on this machine: through the door, or, where its
// file lets this user not in and nobody has to log in to the pages, through those.
func localClient(ctx context.Context, f *fleet.Fleet) (*dashboard.Client, error) {
	conn, err := door.Dial(ctx, f.Store)
	switch {
	case err == nil:
		conn.Close()
		return dashboard.NewClient("http://localhost", dashboard.ClientOptions{Transport: door.Transport(f.Store, userName())})
	case errors.Is(err, fs.ErrPermission) && f.Web == "":
		return dashboard.NewClient("http://"+f.Listen, dashboard.ClientOptions{})
	}
	return nil, doorHint(f, fmt.Errorf("asking the daemon: %w", err))
}

// daemon returns a client of the daemon: the one that the flags name, or the one that has the fleet's store open.
func (r *remote) daemon(ctx context.Context, a *app, args []string) (*dashboard.Client, error) {
	if r.url != "" {
		return r.client(a)
	}
	f, err := loadFleet(args)
	if err != nil {
		return nil, err
	}
	c, err := localClient(ctx, f)
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ECONNREFUSED) {
		err = noDaemon(f)
	}
	return c, err
}

// noDaemon says that only the daemon can do what was asked for.
func noDaemon(f *fleet.Fleet) error {
	return hintedError{errors.New("no daemon has " + f.Store + " open, and it alone can do that"), "ringwarden run FLEET-FILE starts it; a daemon elsewhere is asked with --url"}
}

// openAlarms asks the daemon if one has the store open, and reads its database otherwise.
func (r *remote) openAlarms(ctx context.Context, a *app, args []string) (alarmBook, siteClocks, func(), error) {
	if r.url != "" {
		c, err := r.client(a)
		if err != nil {
			return nil, siteClocks{}, nil, err
		}
		return c, clocksThere(ctx, c), func() {}, nil
	}
	f, err := loadFleet(args)
	if err != nil {
		return nil, siteClocks{}, nil, err
	}
	clocks := clocksOf(f)
	s, err := store.Open(f.Store, store.Options{ReadOnly: true, Wait: lockTime})
	switch {
	case errors.Is(err, store.ErrLocked), errors.Is(err, fs.ErrPermission):
		c, noDaemon := localClient(ctx, f)
		if errors.Is(err, fs.ErrPermission) && noDaemon != nil {
			return nil, clocks, nil, withNextStep(err)
		}
		return daemonAlarms{c, f.Store}, clocks, func() {}, noDaemon
	case err != nil:
		return nil, clocks, nil, withNextStep(err)
	}
	return storedAlarms{s}, clocks, func() { _ = s.Close() }, nil // it was only read
}

// clocksThere asks a daemon elsewhere for the clocks of its sites. Where it does not tell, this machine's clock will do: the
// zone stands beside each time.
func clocksThere(ctx context.Context, c *dashboard.Client) siteClocks {
	of, err := c.Zones(ctx)
	if err != nil {
		return siteClocks{}
	}
	return newClocks(of)
}

// daemonAlarms are those of the daemon on this machine. Its door gives every change, and its pages the newest alone.
type daemonAlarms struct {
	*dashboard.Client
	store string
}

// Changes returns the changes in [from, to), oldest first.
func (d daemonAlarms) Changes(ctx context.Context, from, to time.Time) ([]fleet.Change, error) {
	changes, err := collectChanges(door.NewClient(d.store, userName()).Changes(ctx, from, to))
	if errors.Is(err, fs.ErrPermission) {
		return d.Client.Changes(ctx, from, to)
	}
	return changes, err
}

// A history is what was stored: a database, or the daemon that has it open.
type history interface {
	Frames(ctx context.Context, q store.Query) iter.Seq2[fleet.Frame, error]
	Changes(ctx context.Context, from, to time.Time) iter.Seq2[fleet.Change, error]
	Notes(ctx context.Context, from, to time.Time) iter.Seq2[fleet.Note, error]
}

// withHistory reads what is stored of a fleet, as [withStore] does, or the database at a path if one is named. It says what
// damage has left out; a daemon has an alarm for that.
func (a *app) withHistory(ctx context.Context, f *fleet.Fleet, path string, read func(history) error) error {
	if path != "" {
		named := *f
		named.Store = path
		f = &named
	}
	return withStore(ctx, f, func(s *store.Store) error { return errors.Join(read(s), a.tellDamage(s)) }, func(c *door.Client) error { return read(c) })
}
