package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// partEnd ends the name of a copy that is not whole, or not checked yet.
const partEnd = ".part"

// PartName returns what a copy that is to become path is called until it is whole and checked: a file beside it, under the
// copy's own id. Whatever ends the program before, no cut file bears the name of a backup.
func PartName(path, id string) string { return path + "." + id + partEnd }

// PartID returns the id in a name that PartName made.
func PartID(path, part string) string {
	return strings.TrimSuffix(strings.TrimPrefix(part, path+"."), partEnd)
}

// Parts returns what programs that were ended left of copies that were to become path.
func Parts(path string) (parts []string) {
	entries, _ := os.ReadDir(filepath.Dir(path)) // who cannot read the folder hears of it when writing there
	for _, e := range entries {
		name := e.Name()
		if e.Type().IsRegular() && strings.HasPrefix(name, filepath.Base(path)+".") && strings.HasSuffix(name, partEnd) {
			parts = append(parts, filepath.Join(filepath.Dir(path), name))
		}
	}
	return parts
}

// Place gives a part that is whole, synced and checked its name, durably, and removes other parts of that name. A file that is
// there already is left alone, as [fs.ErrExist].
func Place(part, path string) error {
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s: %w", path, fs.ErrExist)
	}
	if err := os.Rename(part, path); err != nil {
		return err
	}
	for _, other := range Parts(path) {
		os.Remove(other) // it is in nobody's way
	}
	return syncFolder(filepath.Dir(path))
}
