package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"ringwarden/alerts"
	"ringwarden/fleet"
	"ringwarden/registermap"
)

// A plant is a fleet with the maps that it names.
type plant struct {
	fleet *fleet.Fleet
	maps  map[string]*registermap.Map // by the path that controllers name
}

// loadPlant reads a fleet file and every map that it names, and returns all faults of all of them.
func loadPlant(path string) (*plant, error) {
	f, err := fleet.Load(path, alerts.Kinds())
	if err != nil {
		return nil, err
	}
	return withMaps(f, os.ReadFile)
}

func withMaps(f *fleet.Fleet, read func(string) ([]byte, error)) (*plant, error) {
	p := &plant{fleet: f, maps: map[string]*registermap.Map{}}
	var faults []error
	f.All(func(_ *fleet.Site, _ *fleet.Ring, c *fleet.Controller) bool {
		if _, ok := p.maps[c.Map]; ok {
			return true
		}
		m, err := readMap(c.Map, read)
		if err != nil {
			faults = append(faults, err)
		}
		p.maps[c.Map] = m
		return true
	})
	return p, errors.Join(faults...)
}

// keepMaps puts the maps of an earlier plant in the place of those that did not change, so that the poller knows them
// again and keeps what it learned of the devices.
func (p *plant) keepMaps(earlier *plant) {
	for path, m := range p.maps {
		if old := earlier.maps[path]; old != nil && old.Digest == m.Digest {
			p.maps[path] = old
		}
	}
}

func readMap(path string, read func(string) ([]byte, error)) (*registermap.Map, error) {
	data, err := read(path)
	if err != nil {
		return nil, cannotRead("register map", path, err)
	}
	return registermap.Parse(path, data)
}

// otherFile adds a hint to the faults of a file that has a key of the other kind of file at its left edge.
func otherFile(err error, path, key, hint string) error {
	data, readErr := os.ReadFile(path)
	if readErr != nil || !bytes.Contains(append([]byte("\n"), data...), []byte("\n"+key+":")) {
		return err
	}
	return hintedError{err, hint}
}

func cannotRead(what, path string, err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("reading %s %s: no such file", what, path)
	}
	var pathErr *fs.PathError
	if errors.As(err, &pathErr) {
		err = pathErr.Err // the path is said already
	}
	return fmt.Errorf("reading %s %s: %w", what, path, err)
}
