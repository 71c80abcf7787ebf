package main

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"ringwarden/alerts"
	"ringwarden/fleet"
	"ringwarden/store"
)

const millFleet = `format: 1
listen: 127.0.0.1:1
store: mill.db
sites: [{name: Mill, zone: Europe/Dublin, rings: [{name: North, controllers: [{name: Alder, host: a, map: m.yaml, source: pv}]}]}]
`

const millMap = `format: 1
model: Any
points: {volts: {at: holding 0, type: u16, scale: 0.1, unit: V, quantity: battery.voltage}}
`

// millStore makes a fleet file and its store of some days, and returns the path of the fleet file.
func millStore(t *testing.T, days int) string {
	t.Helper()
	folder := t.TempDir()
	path := filepath.Join(folder, "fleet.yaml")
	for name, text := range map[string]string{"fleet.yaml": millFleet, "m.yaml": millMap} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s, err := store.Open(filepath.Join(folder, "mill.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	volts := fleet.NewLayout([]fleet.Point{{Name: "volts", Quantity: fleet.BatteryVoltage, Unit: fleet.Volt, Mul: 1, Div: 10, Bits: 16}})
	noon := time.Date(2026, 6, 21, 12, 0, 0, 0, time.UTC)
	for day := range days {
		var frames []fleet.Frame
		for i := range 8640 {
			raw := uint64(480 + (i*7919)%61)
			frames = append(frames, fleet.Frame{
				Controller: "mill/north/alder", At: noon.AddDate(0, 0, day).Add(time.Duration(i) * 10 * time.Second), Outcome: fleet.Answered,
				Layout: volts, Values: []fleet.Value{{Raw: raw, Number: volts.Points[0].Number(raw), Quality: fleet.Good}},
			})
		}
		if err := s.Append(t.Context(), frames); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// spoil flips a bit of the first record of a bucket.
func spoil(t *testing.T, path, bucket string) {
	t.Helper()
	db, err := bbolt.Open(path, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		b := tx.Bucket([]byte(bucket))
		k, v := b.Cursor().First()
		bad := bytes.Clone(v)
		bad[len(bad)-1] ^= 1
		return b.Put(k, bad)
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// A single flipped bit is named by its record, with the file, on one line each, and the exit status says so; the rest can
// still be exported.
func TestVerifyNamesWhatIsDamaged(t *testing.T) {
	path := millStore(t, 1)
	spoil(t, filepath.Join(filepath.Dir(path), "mill.db"), "journal")
	var out, errs bytes.Buffer
	if got := run(t.Context(), []string{"store", "verify", path}, &out, &errs); got != exitFail || out.Len() != 0 {
		t.Errorf("exit status %d, standard output %q", got, &out)
	}
	for _, want := range []string{
		"ringwarden: verifying " + filepath.Join(filepath.Dir(path), "mill.db") + ": the store is damaged in one place",
		"journal 98bb16d946668000", "its checksum does not match", "hint: what is not named can still be read",
	} {
		if !strings.Contains(errs.String(), want) {
			t.Errorf("standard error lacks %q:\n%s", want, &errs)
		}
	}
	errs.Reset()
	if got := run(t.Context(), []string{"export", path}, &out, &errs); got != exitDone || strings.Count(out.String(), "\n") < 8000 {
		t.Errorf("export: exit status %d, %d lines\n%s", got, strings.Count(out.String(), "\n"), &errs)
	}
}

// One broken page does not hide the next one, nor what is left.
func TestVerifyGoesOnPastABrokenPage(t *testing.T) {
	path := millStore(t, 1)
	db := filepath.Join(filepath.Dir(path), "mill.db")
	b, err := os.ReadFile(db)
	if err != nil {
		t.Fatal(err)
	}
	for _, page := range []int{20, 30} {
		b[4096*page+8] = 0x77 // what kind of page it is
	}
	if err := os.WriteFile(db, b, 0o600); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	if got := run(t.Context(), []string{"store", "verify", path}, &out, &errs); got != exitFail || out.Len() != 0 {
		t.Errorf("exit status %d, standard output %q", got, &out)
	}
	for _, want := range []string{
		": the store is damaged in 2 places:\n", "\njournal: page 20: it is of no known kind; lost with it: what is from 2026-06-21 ", "\njournal: page 30: ",
		"\nstill in good order:\n", "\n  layouts: 1 record, what the readings are of\n", "\n  readings from 2026-06-2", "\nhint: a backup can take the place of the file; without one, ",
	} {
		if !strings.Contains(errs.String(), want) {
			t.Errorf("standard error lacks %q:\n%s", want, &errs)
		}
	}
}

// What damage has taken is missing in whatever is read, and each command that reads says so.
func TestReadersTellOfDamage(t *testing.T) {
	path := millStore(t, 1)
	spoil(t, filepath.Join(filepath.Dir(path), "mill.db"), "journal")
	for _, args := range [][]string{
		{"export", path}, {"replay", path, "--from", "2026-06-21", "--to", "2026-06-23"}, {"diagnose", path, "--from", "2026-06-21", "--to", "2026-06-23"},
	} {
		var out, errs bytes.Buffer
		got := run(t.Context(), args, &out, &errs)
		want := "ringwarden: damaged records of the database are left out; ringwarden store stat and store verify name them\n"
		if got != exitDone || errs.String() != want {
			t.Errorf("%s: exit status %d, standard error %q", args[0], got, &errs)
		}
	}
}

// A point that is misspelt gives an empty table, and a word why.
func TestExportTellsOfPointsThatAreNot(t *testing.T) {
	path := millStore(t, 1)
	for name, want := range map[string]string{
		"volts": "", "battery.voltage": "",
		"vots": "ringwarden: no register map of the fleet has a point \"vots\", and there is no such quantity; did you mean \"volts\"?\n",
	} {
		var out, errs bytes.Buffer
		if got := run(t.Context(), []string{"export", path, "--point", name}, &out, &errs); got != exitDone || errs.String() != want {
			t.Errorf("--point %s: exit status %d, standard error %q", name, got, &errs)
		}
	}
}

// What Ctrl-C stops says so, and leaves nothing half done.
func TestCtrlCLeavesNothingHalfDone(t *testing.T) {
	path := millStore(t, 2)
	folder := filepath.Dir(path)
	before, err := os.ReadFile(filepath.Join(folder, "mill.db"))
	if err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"store", "compact", path},
		{"store", "backup", filepath.Join(folder, "b.db"), path},
		{"export", path, "-o", filepath.Join(folder, "t.csv")},
		{"export", path, "-o", filepath.Join(folder, "t.parquet")},
	} {
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		var out, errs bytes.Buffer
		got := run(ctx, args, &out, &errs)
		if got != exitFail || !strings.Contains(errs.String(), "it was stopped") {
			t.Errorf("%v: exit status %d\n%s", args, got, &errs)
		}
		after, err := os.ReadFile(filepath.Join(folder, "mill.db"))
		entries, listErr := os.ReadDir(folder)
		if err != nil || listErr != nil || !bytes.Equal(before, after) || len(entries) != 3 {
			t.Errorf("%v: the store changed, or the folder holds %v; %v, %v", args, entries, err, listErr)
		}
	}
}

// Who stops the check of a backup hears that the copy was not checked, and not that it or the disk is bad. Nothing that could
// be taken for a backup is left.
func TestCtrlCWhileABackupIsChecked(t *testing.T) {
	path := millStore(t, 2)
	folder := filepath.Dir(path)
	to := filepath.Join(folder, "b.db")
	var out, errs bytes.Buffer
	if got := run(t.Context(), []string{"store", "backup", to + "1", path}, &out, &errs); got != exitDone {
		t.Fatal(&errs)
	}
	whole, err := os.Stat(to + "1")
	if err != nil {
		t.Fatal(err)
	}
	out.Reset()
	got := run(untilThere{t.Context(), to, whole.Size()}, []string{"store", "backup", to, path}, &out, &errs)
	want := "ringwarden: backing up to " + to + ": the copy was not checked, and is removed: it was stopped\nhint: the same command begins again\n"
	if got != exitFail || errs.String() != want || out.Len() != 0 {
		t.Errorf("exit status %d\n%s%s", got, &out, &errs)
	}
	if left, _ := filepath.Glob(to + ".*"); len(left) != 0 {
		t.Errorf("left: %v", left)
	}
}

// untilThere is done once a part of a backup is there whole.
type untilThere struct {
	context.Context
	path string
	size int64
}

// Err says whether the part is there.
func (c untilThere) Err() error {
	for _, part := range store.Parts(c.path) {
		if info, err := os.Stat(part); err == nil && info.Size() == c.size {
			return context.Canceled
		}
	}
	return nil
}

// killWhenThere runs a command and kills it as soon as a file of the pattern is there.
func killWhenThere(t *testing.T, pattern string, args ...string) {
	t.Helper()
	c := exec.CommandContext(t.Context(), "ringwarden", args...)
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		_ = c.Wait() // it is killed, or done
	}()
	for {
		select {
		case <-ended:
			return
		default:
		}
		if found, _ := filepath.Glob(pattern); len(found) > 0 {
			_ = c.Process.Kill() // it may have ended by itself
			<-ended
			return
		}
	}
}

// A backup that is killed, as by a power cut, leaves no file that could be taken for one; the next one takes the place of what
// it left.
func TestABackupThatIsKilled(t *testing.T) {
	path := millStore(t, 10)
	to := filepath.Join(filepath.Dir(path), "b.db")
	for try := 0; len(store.Parts(to)) == 0; try++ {
		if try == 20 {
			t.Fatal("it was never killed in time")
		}
		killWhenThere(t, to+"*", "store", "backup", to, path)
		if _, err := os.Stat(to); err == nil { // it was done, or what it wrote bears the name too early
			if _, err := store.VerifyFile(t.Context(), to, nil); err != nil {
				t.Fatalf("what bears the name of a backup is none: %v", err)
			}
			os.Remove(to)
		}
	}
	var out, errs bytes.Buffer
	if got := run(t.Context(), []string{"store", "backup", to, path}, &out, &errs); got != exitDone {
		t.Fatal(&errs)
	}
	if found, _ := filepath.Glob(to + "*"); len(found) != 1 {
		t.Errorf("beside the backup lie %v", found)
	}
}

// Elsewhere than on a terminal, long work says a line now and then, and short work nothing.
func TestPlainProgress(t *testing.T) {
	var out bytes.Buffer
	now := time.Date(2026, 6, 21, 12, 0, 0, 0, time.UTC)
	p := plainProgress(&out, "copying", fleet.Size, func() time.Time { return now })
	for i := range int64(25) {
		now = now.Add(time.Second)
		p(i<<20, 32<<20)
	}
	now = now.Add(time.Minute)
	p(30<<20, -1)
	want := "copying: 9 MiB of 32 MiB\ncopying: 19 MiB of 32 MiB\ncopying: 30 MiB\n"
	if out.String() != want {
		t.Errorf("said %q, want %q", out.String(), want)
	}
	out.Reset()
	p = plainProgress(&out, "exporting", period, func() time.Time { return now })
	for _, seconds := range []int64{3600, 40 * 3600, 3 * 86400} {
		now = now.Add(10 * time.Second)
		p(seconds, 90*86400)
	}
	if want := "exporting: 1 hour of 90 days\nexporting: 40 hours of 90 days\nexporting: 3 days of 90 days\n"; out.String() != want {
		t.Errorf("said %q, want %q", out.String(), want)
	}
}

// Instants as people write them; a day of the site begins at its own midnight.
func TestInstants(t *testing.T) {
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 6, 21, 12, 0, 0, 0, time.UTC)
	for word, want := range map[string]time.Time{
		"":                          {},
		"2026-06-01":                time.Date(2026, 5, 31, 23, 0, 0, 0, time.UTC), // Irish summer time is UTC+1
		"2026-01-01":                time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC),
		"2026-06-01T12:30":          time.Date(2026, 6, 1, 11, 30, 0, 0, time.UTC),
		"2026-06-01T12:30:00Z":      time.Date(2026, 6, 1, 12, 30, 0, 0, time.UTC),
		"2026-06-01T12:30:00+02:00": time.Date(2026, 6, 1, 10, 30, 0, 0, time.UTC),
		"7d":                        now.AddDate(0, 0, -7), "90m": now.Add(-90 * time.Minute),
	} {
		if got, err := parseInstant("--from", word, now, dublin); err != nil || !got.Equal(want) {
			t.Errorf("%q is %v, %v; want %v", word, got, err, want)
		}
	}
	for _, word := range []string{"yesterday", "7", "-1h", "2026-13-01", "d", "70000000d"} {
		if got, err := parseInstant("--from", word, now, dublin); err == nil {
			t.Errorf("%q is taken for %v", word, got)
		}
	}
}

// A zone that a reload changes holds from then on.
func TestACalendarFollowsTheFleet(t *testing.T) {
	path := millStore(t, 0)
	var c calendar
	if z := c.zone("mill/north/alder"); z != nil {
		t.Errorf("of no fleet the zone is %v", z)
	}
	for _, zone := range []string{"Europe/Dublin", "Asia/Tokyo"} {
		if err := os.WriteFile(path, []byte(strings.Replace(millFleet, "Europe/Dublin", zone, 1)), 0o600); err != nil {
			t.Fatal(err)
		}
		f, err := fleet.Load(path, alerts.Kinds())
		if err != nil {
			t.Fatal(err)
		}
		if c.follow(f); c.zone("mill/north/alder").String() != zone {
			t.Errorf("the zone is %v, want %v", c.zone("mill/north/alder"), zone)
		}
	}
}
