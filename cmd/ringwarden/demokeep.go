package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"ringwarden/testdata"
)

// demoFleetFile is what the demo's fleet file is called in the folder that it keeps.
const demoFleetFile = "demo.yaml"

// keepDemoFiles puts the demo's fleet file and register maps beside the database that is kept, so that every command can
// read it. Files that are there already stay: somebody may have changed them.
func keepDemoFiles(folder string) error {
	const maps, kept = "../maps/", "demo-maps/"
	text, err := testdata.Files.ReadFile("demo/fleet.yaml")
	if err != nil {
		return err
	}
	own := strings.ReplaceAll(string(text), maps, kept)
	own = strings.Replace(own, "\nformat: 1\n", "\nformat: 1\nstore: demo.db\n", 1)
	if err := keepFile(filepath.Join(folder, demoFleetFile), []byte(own)); err != nil {
		return err
	}
	names, err := fs.Glob(testdata.Files, "maps/*.yaml")
	if err != nil {
		return err
	}
	for _, name := range names {
		data, err := testdata.Files.ReadFile(name)
		if err == nil {
			err = keepFile(filepath.Join(folder, kept, filepath.Base(name)), data)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// keepFile writes a file that is not there yet, and its folder.
func keepFile(path string, data []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return fmt.Errorf("making the folder of what the demo keeps: %w", err)
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	if err == nil {
		_, err = f.Write(data)
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		return fmt.Errorf("writing what the demo keeps: %w", err)
	}
	return nil
}
