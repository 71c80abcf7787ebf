package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/road"
	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// The daemon keeps to the fleet file's limits: old readings go, notes stay, and a ceiling that the file is above already
// is said once.
func TestKeeper(t *testing.T) {
	path := millStore(t, 5)
	f, err := fleet.Load(path, alerts.Kinds())
	if err != nil {
		t.Fatal(err)
	}
	s := storetest.OpenPath(t, filepath.Join(filepath.Dir(path), "mill.db"))
	if err := s.PutNote(t.Context(), fleet.Note{At: time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC), Text: "long ago"}); err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	quiet := slog.New(slog.NewTextHandler(io.Discard, nil))
	end := time.Date(2026, 6, 26, 12, 0, 0, 0, time.UTC)
	k := keeper{
		journal: s, road: road.New(s, alerts.New(f), time.Minute, quiet), now: func() time.Time { return end },
		log: slog.New(slog.NewTextHandler(&log, nil)),
	}
	for range 8 {
		k.once(t.Context(), fleet.Keep{Raw: 48 * time.Hour, Ceiling: 1 << 10})
	}
	st, err := s.Stat()
	if want := end.Add(-48 * time.Hour); err != nil || st.Oldest.Before(want) {
		t.Errorf("the oldest reading is of %v, %v; want none before %v", st.Oldest, err, want)
	}
	if n := strings.Count(log.String(), "larger than its ceiling"); n != 1 || !strings.Contains(log.String(), "ringwarden store compact") {
		t.Errorf("said %d times that the file is too large:\n%s", n, &log)
	}
	notes := 0
	for _, err := range s.Notes(t.Context(), time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		notes++
	}
	if notes != 1 {
		t.Errorf("%d notes are left, want 1", notes)
	}
}

// A reader that comes upon a damaged record while the daemon runs: the alarm is there within seconds, not with the next
// sweep or start.
func TestDamageIsReportedAtOnce(t *testing.T) {
	path := millStore(t, 1)
	f, err := fleet.Load(path, alerts.Kinds())
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(filepath.Dir(path), "mill.db")
	s, err := store.Open(file, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(s.Fold(t.Context(), time.Date(2026, 6, 30, 0, 0, 0, 0, time.UTC)), s.Close()); err != nil {
		t.Fatal(err)
	}
	spoil(t, file, "coarse") // opening the file reads no rollups
	synctest.Test(t, func(t *testing.T) {
		s, err := store.Open(file, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		quiet := slog.New(slog.NewTextHandler(io.Discard, nil))
		r := road.New(s, alerts.New(f), time.Minute, quiet)
		k := keeper{journal: s, road: r, now: time.Now, log: quiet}
		ctx, stop := context.WithCancel(t.Context())
		var loop sync.WaitGroup
		loop.Go(func() { _ = k.run(ctx, fleet.Keep{}, nil) })
		synctest.Wait()
		r.Tick(t.Context(), time.Now())
		if n := len(r.Alarms()); n != 0 {
			t.Errorf("%d alarms stand before anything was read", n)
		}
		for _, err := range s.Rollups(t.Context(), "mill/north/alder", "volts", store.Day, time.Time{}, time.Time{}) {
			if err != nil {
				t.Fatal(err)
			}
		}
		time.Sleep(2 * lookEvery) // by the bubble's clock
		r.Tick(t.Context(), time.Now())
		if a := r.Alarms(); len(a) != 1 || a[0].Kind != alerts.StoreDamaged || !strings.Contains(a[0].Text, "1 damaged record was met") {
			t.Errorf("the alarms are %+v, want that the store is damaged", a)
		}
		stop()
		loop.Wait()
	})
}
