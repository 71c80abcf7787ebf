package fleet_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
)

// What somebody writes where the path of a secret belongs may be the secret, so no message says it again: neither when
// the file is parsed nor when the paths are looked at.
func TestPastedSecretsAreNotRepeated(t *testing.T) {
	const secret = "k0rnblume"
	for _, pasted := range []string{secret, "~" + secret, "whsec_" + secret, `"` + secret + `\n"`, "https://a:" + secret + "@desk.example"} {
		for _, key := range []string{"password_file: secrets/mail", "secret_file: secrets/desk", "password_file: secrets/alerts", `url: "https://desk.example/alarms"`} {
			name, _, _ := strings.Cut(key, ":")
			if name == "url" && !strings.HasPrefix(pasted, "http") {
				continue
			}
			path := filepath.Join(t.TempDir(), "fleet.yaml")
			text := strings.Replace(string(example(t)), key, name+": "+pasted, 1)
			if text == string(example(t)) {
				t.Fatalf("the example has no %q", key)
			}
			if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
			_, err := fleet.Load(path, kinds)
			if err == nil {
				t.Fatalf("%s: %s was taken", name, pasted)
			}
			if strings.Contains(err.Error(), secret) {
				t.Errorf("%s: %s is said again:\n%v", name, pasted, err)
			}
		}
	}
}

// Somebody asleep is not woken, and nobody waits for a message through a day: the hours are the site's own, across
// midnight, and on the days on which its clock is set. Dublin's clock went from 01:00 to 02:00 on 29 March 2026 and
// goes from 02:00 back to 01:00 on 25 October 2026 (IANA time zone database).
func TestQuietHours(t *testing.T) {
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	night, noon, gap := fleet.Quiet{From: 22 * 60, Until: 7 * 60}, fleet.Quiet{From: 12 * 60, Until: 13*60 + 30}, fleet.Quiet{From: 0, Until: 90}
	for _, c := range []struct {
		quiet      fleet.Quiet
		at, until  string // in UTC
		wantLoudAt bool
	}{
		{quiet: night, at: "2026-01-10T21:59:59Z", wantLoudAt: true},
		{quiet: night, at: "2026-01-10T22:00:00Z", until: "2026-01-11T07:00:00Z"},
		{quiet: night, at: "2026-01-11T06:59:59Z", until: "2026-01-11T07:00:00Z"},
		{quiet: night, at: "2026-01-11T07:00:00Z", wantLoudAt: true},
		{quiet: night, at: "2026-07-10T21:30:00Z", until: "2026-07-11T06:00:00Z"}, // 22:30 there
		{quiet: night, at: "2026-12-31T23:00:00Z", until: "2027-01-01T07:00:00Z"},
		{quiet: night, at: "2026-03-28T22:30:00Z", until: "2026-03-29T06:00:00Z"}, // an hour less to wait
		{quiet: night, at: "2026-10-24T21:30:00Z", until: "2026-10-25T07:00:00Z"}, // an hour more
		{quiet: noon, at: "2026-07-10T11:00:00Z", until: "2026-07-10T12:30:00Z"},
		{quiet: noon, at: "2026-07-10T12:30:00Z", wantLoudAt: true},
		{quiet: gap, at: "2026-03-29T00:30:00Z", until: "2026-03-29T01:30:00Z"}, // 01:30 is not on the clock that day
		{quiet: fleet.Quiet{}, at: "2026-07-10T11:00:00Z", wantLoudAt: true},
	} {
		at, err := time.Parse(time.RFC3339, c.at)
		if err != nil {
			t.Fatal(err)
		}
		until, quiet := c.quiet.End(at, dublin)
		if quiet == c.wantLoudAt || quiet && until.UTC().Format(time.RFC3339) != c.until {
			t.Errorf("%+v.End(%s) = %s, %v; want %s", c.quiet, c.at, until.UTC().Format(time.RFC3339), quiet, c.until)
		}
	}
}
