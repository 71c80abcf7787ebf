package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ringwarden/alerts/notify"
	"ringwarden/fleet"
	"ringwarden/store"
)

var midsummer = time.Date(2026, 6, 21, 9, 30, 0, 0, time.UTC)

// A site goes by its own clock; what is about the whole fleet by the one that all sites share, if they do. The zone is shown.
func TestClocksOfSites(t *testing.T) {
	dublin, kathmandu := zoneNamed(t, "Europe/Dublin"), zoneNamed(t, "Asia/Kathmandu")
	here := midsummer.Local().Format(time.DateTime + " MST")
	for _, tt := range []struct {
		name  string
		zones map[fleet.SiteID]*time.Location
		about fleet.Subject
		want  string
	}{
		{"its own site", map[fleet.SiteID]*time.Location{"mill": dublin, "barn": kathmandu}, "mill", "2026-06-21 10:30:00 IST"},
		{"its own controller", map[fleet.SiteID]*time.Location{"mill": dublin, "barn": kathmandu}, "barn/north/alder", "2026-06-21 15:15:00 +0545"},
		{"its own cable", map[fleet.SiteID]*time.Location{"mill": dublin, "barn": kathmandu}, "mill/north/alder>birch", "2026-06-21 10:30:00 IST"},
		{"all of one clock", map[fleet.SiteID]*time.Location{"mill": dublin, "barn": dublin}, fleet.OwnStore, "2026-06-21 10:30:00 IST"},
		{"a site that left", map[fleet.SiteID]*time.Location{"mill": dublin}, "barn/north", "2026-06-21 10:30:00 IST"},
		{"all of two clocks", map[fleet.SiteID]*time.Location{"mill": dublin, "barn": kathmandu}, "", here},
		{"nobody knows", nil, "mill", here},
	} {
		if got := newClocks(tt.zones).show(midsummer, tt.about); got != tt.want {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.want)
		}
	}
}

func zoneNamed(t *testing.T, name string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// Whatever zone this machine lives in, each row of a list says when it was by the clock of its own site: somebody at the desk
// tells somebody at the site when it was.
func TestListsGoByTheClocksOfSites(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "fleet.yaml")
	text := `format: 1
listen: 127.0.0.1:1
store: two.db
sites:
  - {name: Mill, zone: Europe/Dublin, rings: [{name: North, controllers: [{name: Alder, host: a, map: m.yaml, source: pv}]}]}
  - {name: Barn, zone: Asia/Kathmandu, rings: [{name: South, controllers: [{name: Birch, host: b, map: m.yaml, source: pv}]}]}
`
	for name, text := range map[string]string{"fleet.yaml": text, "m.yaml": millMap} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s, err := store.Open(filepath.Join(folder, "two.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var changes []fleet.Change
	for _, subject := range []fleet.Subject{"mill/north/alder", "barn/south/birch"} {
		a := fleet.Alarm{AlarmKey: fleet.AlarmKey{Kind: "controller-silent", Subject: subject}, State: fleet.Unacknowledged, Since: midsummer, Raised: midsummer, Text: "quiet"}
		changes = append(changes, fleet.Change{At: midsummer, Alarm: a})
		if err := s.PutNote(t.Context(), fleet.Note{At: midsummer, Subject: subject, Text: "looked at"}); err != nil {
			t.Fatal(err)
		}
	}
	f := fleet.Frame{Controller: "mill/north/alder", At: midsummer, Group: fleet.Fast, Outcome: fleet.Silent}
	if err := s.Append(t.Context(), []fleet.Frame{f}); err != nil {
		t.Fatal(err)
	}
	if err := s.PutChanges(t.Context(), changes); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	dublin, kathmandu := "2026-06-21 10:30:00 IST", "2026-06-21 15:15:00 +0545"
	for _, tt := range []struct {
		args []string
		want []string
	}{
		{[]string{"alarms", path}, []string{"alder, unacknowledged, since " + dublin, "birch, unacknowledged, since " + kathmandu}},
		{[]string{"alarms", path, "--past", "100000h"}, []string{dublin + "  controller-silent on mill", kathmandu + "  controller-silent on barn"}},
		{[]string{"notes", path}, []string{dublin + "  mill/north/alder", kathmandu + "  barn/south/birch"}},
		{[]string{"replay", path, "--from", "2026-06-21T00:00:00Z", "--to", "2026-06-22T00:00:00Z"}, []string{"only then  " + dublin + "  low  controller-silent on mill"}},
		{[]string{"store", "stat", path}, []string{dublin}},
		{[]string{"diagnose", path, "--from", "2026-06-21"}, []string{"Mill, North (mill/north), times of Europe/Dublin\n", "Barn, South (barn/south), times of Asia/Kathmandu\n"}},
	} {
		var out, errs bytes.Buffer
		if got := run(context.WithoutCancel(t.Context()), tt.args, &out, &errs); got != exitDone {
			t.Errorf("%v: exit status %d: %s", tt.args, got, &errs)
		}
		for _, want := range tt.want {
			if !strings.Contains(out.String(), want) {
				t.Errorf("%v lacks %q:\n%s", tt.args, want, &out)
			}
		}
	}
}

// A message that waits says until when by the clock that the sites share.
func TestMessagesGoByTheSharedClock(t *testing.T) {
	var out bytes.Buffer
	a := &app{out: &out}
	e := notify.Entry{ID: "rw_1", To: "mail", Due: midsummer, Tries: 1}
	a.printMessage(&e, newClocks(map[fleet.SiteID]*time.Location{"mill": zoneNamed(t, "Europe/Dublin")}), midsummer.Add(-time.Hour))
	if want := "rw_1  waits, next try 2026-06-21 10:30:00 IST, to mail\n"; !strings.HasPrefix(out.String(), want) {
		t.Errorf("it says %q, want %q", &out, want)
	}
}

// A day that is asked for begins at the midnight of the sites, where they have the same one.
func TestAnExportGoesByTheSharedClock(t *testing.T) {
	dublin, kathmandu := zoneNamed(t, "Europe/Dublin"), zoneNamed(t, "Asia/Kathmandu")
	site := func(id fleet.SiteID, zone *time.Location) fleet.Site {
		ring := fleet.RingID(id) + "/north"
		return fleet.Site{ID: id, Zone: zone, Rings: []fleet.Ring{{ID: ring, Controllers: []fleet.Controller{{ID: fleet.ControllerID(ring) + "/alder"}}}}}
	}
	for _, tt := range []struct {
		barn *time.Location
		at   []string
		want string
	}{
		{dublin, nil, "2026-06-20T23:00:00Z"},
		{kathmandu, nil, "2026-06-21T00:00:00Z"},
		{kathmandu, []string{"barn"}, "2026-06-20T18:15:00Z"},
	} {
		f := &fleet.Fleet{Sites: []fleet.Site{site("mill", dublin), site("barn", tt.barn)}}
		o := exportOptions{from: "2026-06-21", resolution: "raw", at: tt.at}
		q, err := o.query(f, midsummer)
		if got := q.From.UTC().Format(time.RFC3339); err != nil || got != tt.want {
			t.Errorf("with a barn in %s, at %v: from %s, %v, want %s", tt.barn, tt.at, got, err, tt.want)
		}
	}
}
