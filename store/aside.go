package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// SetAside renames a file that [Open] found damaged, so that a new one can take its place, and returns the new name.
// Nothing in it is lost by that. The caller must not have it open.
func SetAside(path string, now time.Time) (string, error) {
	aside := path + ".damaged-" + now.UTC().Format("20060102T150405Z")
	if _, err := os.Lstat(aside); !errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("moving %s aside: there is a %s already", path, aside)
	}
	if err := os.Rename(path, aside); err != nil {
		return "", explain("moving aside", path, err)
	}
	return aside, explain("moving aside", path, syncFolder(filepath.Dir(path)))
}
