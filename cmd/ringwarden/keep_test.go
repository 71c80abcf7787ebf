package main

import (
	"bytes"
	"io"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/road"
	"ringwarden/fleet"
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
