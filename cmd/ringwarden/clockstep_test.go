package main

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"ringwarden/alerts"
	"ringwarden/cmd/ringwarden/road"
	"ringwarden/fleet"
	"ringwarden/store"
	"ringwarden/store/storetest"
)

// A step of the clock that the program sees is one alarm, which stands after a restart, and in a replay of what is stored,
// though by the readings alone nothing could be known of it.
func TestAStepOfTheClockIsOneAlarm(t *testing.T) {
	f, s, start := stored(t, time.Hour)
	f.Commit = time.Minute
	end := start.Add(time.Hour)
	engine := alerts.New(f)
	r := road.New(s, engine, f.Commit, slog.New(slog.DiscardHandler))
	stepClock(t.Context(), r, s, slog.New(slog.DiscardHandler), end, end.Add(5*time.Minute))
	end = end.Add(5 * time.Minute)
	r.Tick(t.Context(), end)
	said := func(alarms []fleet.Alarm) {
		t.Helper()
		if len(alarms) != 1 || alarms[0].Kind != alerts.ClockStepped || alarms[0].Subject != fleet.OwnStore ||
			!strings.Contains(alarms[0].Text, "set forward by 5 min") {
			t.Errorf("alarms: %+v, want one of the clock", alarms)
		}
	}
	said(r.Alarms())

	again := alerts.New(f)
	if err := recallSteps(t.Context(), again, s, end.Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	again.Advance(end.Add(time.Minute))
	said(again.Alarms())

	// As it was then: readings go on after it.
	var frames []fleet.Frame
	for frame, err := range s.Frames(t.Context(), store.Query{From: start.Add(50 * time.Minute), To: start.Add(time.Hour)}) {
		if err != nil {
			t.Fatal(err)
		}
		frame.At = frame.At.Add(16 * time.Minute)
		frames = append(frames, frame)
	}
	if err := s.Append(t.Context(), frames); err != nil {
		t.Fatal(err)
	}
	_, out := replayed(t, f, s, start, end.Add(time.Hour))
	if strings.Contains(out, "clock-stepped") || !strings.Contains(out, "raised now and then") {
		t.Errorf("the replay says of the clock:\n%s", out)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, f.Store)
}
