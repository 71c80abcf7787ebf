package door_test

import (
	"errors"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"ringwarden/cmd/ringwarden/door"
)

// Whoever may open the socket can read and write everything: so it is the daemon's own user's, its group's where the
// umask lets them write, and nobody else's whatever the umask.
func TestTheDoorIsItsUsersOwn(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("permissions are those of the folder there")
	}
	for mask, want := range map[int]os.FileMode{0o077: 0o600, 0o022: 0o600, 0o007: 0o660, 0o002: 0o660, 0: 0o660} {
		store := filepath.Join(t.TempDir(), "r.db")
		before := setUmask(mask)
		l, err := door.Listen(store)
		setUmask(before)
		if err != nil {
			t.Fatal(err)
		}
		info, err := os.Lstat(door.SocketPath(store))
		if err != nil || info.Mode().Perm() != want || info.Mode().Type() != fs.ModeSocket {
			t.Errorf("umask %03o: %v, %v, want a socket of mode %v", mask, info.Mode(), err, want)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		if left := beside(t, store, "*"); len(left) != 0 {
			t.Errorf("left behind: %v", left)
		}
	}
}

// A daemon that was killed leaves its socket: the next one takes its place. A path longer than a socket's may be is no
// hindrance where the system has a way round it.
func TestTheDoorOpensAgain(t *testing.T) {
	folder := t.TempDir()
	if runtime.GOOS == "linux" {
		folder = filepath.Join(folder, strings.Repeat("a-long-name/", 12))
		if err := os.MkdirAll(folder, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	store := filepath.Join(folder, "r.db")
	if _, err := door.Dial(t.Context(), store); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("Dial() without a daemon = %v, want that it is not there", err)
	}
	if err := os.WriteFile(door.SocketPath(store), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := door.Listen(store)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() { _ = http.Serve(l, http.NotFoundHandler()) }() // until the listener is closed
	conn, err := door.Dial(t.Context(), store)
	if err != nil {
		t.Fatal(err)
	}
	conn.Close()
}
