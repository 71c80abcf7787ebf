//go:build unix

package store

import (
	"io/fs"
	"os"
	"syscall"
)

// renameClosed says whether a file must be closed before another can take its name.
const renameClosed = false

// sameOwner gives a file the owner of another: whoever compacts as root must not shut the daemon's user out.
func sameOwner(path string, like fs.FileInfo) error {
	st, ok := like.Sys().(*syscall.Stat_t)
	if !ok || int(st.Uid) == os.Getuid() && int(st.Gid) == os.Getgid() {
		return nil
	}
	return os.Chown(path, int(st.Uid), int(st.Gid))
}
