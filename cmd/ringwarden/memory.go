package main

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/road"
)

// memoryEvery is how often what the alarm engine remembers is written down: often enough that a power cut costs it
// little, seldom enough for a memory card.
const memoryEvery = 5 * time.Minute

// memoryPath is where what the alarm engine remembers lies: beside the database. It can be deleted; then detectors learn
// anew, and the alarms themselves stand as the database has them.
func memoryPath(store string) string { return store + ".memory" }

// recall gives the engine what was written down. That there is none, or none that it can read, is no reason not to watch.
func recall(engine *alerts.Engine, store string, log *slog.Logger) {
	data, err := os.ReadFile(memoryPath(store))
	if err == nil {
		err = engine.Remember(data)
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		log.Warn("what the alarm engine knew before is lost; it learns anew", "file", memoryPath(store), "error", err)
	}
}

// keepMemory writes down what the engine remembers, now and then and when ctx is done.
func keepMemory(ctx context.Context, r *road.Road, engine *alerts.Engine, store string, log *slog.Logger) {
	ticker := time.NewTicker(memoryEvery)
	defer ticker.Stop()
	for done := false; !done; {
		select {
		case <-ctx.Done():
			done = true
		case <-ticker.C:
		}
		var state []byte
		r.Judging(func() { state = engine.State() })
		if err := replaceFile(memoryPath(store), state); err != nil {
			log.Error("what the alarm engine knows was not written down; it is tried again", "error", err)
		}
	}
}

// replaceFile writes a file whole or not at all.
func replaceFile(path string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // fails once it has its name
	_, err = f.Write(data)
	err = errors.Join(err, f.Sync(), f.Close())
	if err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
