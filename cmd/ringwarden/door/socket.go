package door

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"runtime"
)

// SocketPath returns where the door to the store of a path is: beside it.
func SocketPath(store string) string { return store + ".socket" }

// Listen opens the door of a store, which the caller must hold open: what a daemon that was killed has left there is
// replaced. Who may come in is a matter of the file's permissions: the daemon's own user, and its group where the umask
// leaves that the right to write. The socket is made in a folder of its own and moved to its place with its permissions
// set, so that there is no moment in which others could come in.
func Listen(store string) (net.Listener, error) {
	path := SocketPath(store)
	private := runtime.GOOS != "windows" // where a socket cannot be moved, and permissions are the folder's
	bound := path
	if private {
		folder, err := os.MkdirTemp(filepath.Dir(path), ".door-*")
		if err != nil {
			return nil, fmt.Errorf("opening the door for commands: %w", err)
		}
		defer os.RemoveAll(folder)
		bound = filepath.Join(folder, "s")
	} else {
		_ = os.Remove(path) // none there: all the better
	}
	var l *net.UnixListener
	err := near(bound, func(path string) (err error) {
		l, err = net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("opening the door for commands: %w", err)
	}
	l.SetUnlinkOnClose(false) // it would look for the place where it was made
	if private {
		if err = closeToOthers(bound); err == nil {
			err = os.Rename(bound, path)
		}
		if err != nil {
			l.Close()
			return nil, fmt.Errorf("opening the door for commands: %w", err)
		}
	}
	return &listener{l, path}, nil
}

// closeToOthers leaves a socket to its user, and to its group if the umask has left that both rights.
func closeToOthers(path string) error {
	info, err := os.Lstat(path)
	if err != nil {
		return err
	}
	mode := os.FileMode(0o600)
	if info.Mode().Perm()&0o060 == 0o060 {
		mode = 0o660
	}
	return os.Chmod(path, mode)
}

// A listener takes its socket away when it is closed.
type listener struct {
	*net.UnixListener
	path string
}

// Close closes the door.
func (l *listener) Close() error {
	err := l.UnixListener.Close()
	if err == nil {
		_ = os.Remove(l.path) // somebody has done it already
	}
	return err
}

// Dial connects to the daemon that has a store open.
func Dial(ctx context.Context, store string) (conn net.Conn, err error) {
	err = near(SocketPath(store), func(path string) error {
		conn, err = (&net.Dialer{}).DialContext(ctx, "unix", path)
		return err
	})
	return conn, err
}

// longestPath is how long the path of a socket may be, in bytes: sockaddr_un holds 104 with its end on some systems, and
// 108 on others.
const longestPath = 103

// near calls do with a path that means the same and is short enough for a socket.
func near(path string, do func(path string) error) error {
	if len(path) <= longestPath {
		return do(path)
	}
	if runtime.GOOS != "linux" {
		return fmt.Errorf("%s is %d bytes long, and the path of a socket %d at most; let store in the fleet file be a shorter path", path, len(path), longestPath)
	}
	folder, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	defer folder.Close()
	return do(fmt.Sprintf("/proc/self/fd/%d/%s", folder.Fd(), filepath.Base(path)))
}
