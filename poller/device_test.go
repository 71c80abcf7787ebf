package poller

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

func TestDevices(t *testing.T) {
	m := mapOf(t, threeGroups)
	file := filepath.Join(t.TempDir(), "some.pem")
	if err := os.WriteFile(file, []byte("not looked into yet"), 0o600); err != nil {
		t.Fatal(err)
	}
	secure := &fleet.TLS{CA: file, Certificate: file, Key: file}
	controller := func(id, host string, unit uint8, tls *fleet.TLS) fleet.Controller {
		return fleet.Controller{ID: fleet.ControllerID(id), Host: host, Unit: unit, Map: "some.yaml", TLS: tls}
	}
	f := &fleet.Fleet{
		Periods: fleet.Periods{Fast: 10 * time.Second},
		Sites: []fleet.Site{
			{Rings: []fleet.Ring{
				{ID: "mill/north", Controllers: []fleet.Controller{
					controller("mill/north/alder", "a:502", 1, nil), controller("mill/north/birch", "a:502", 2, nil),
				}},
				{ID: "mill/south", Controllers: []fleet.Controller{controller("mill/south/cedar", "a:502", 3, secure)}},
			}},
			{Rings: []fleet.Ring{{ID: "pass/hut", Controllers: []fleet.Controller{controller("pass/hut/elm", "e:502", 1, nil)}}}},
		},
	}
	devices, err := Devices(f, map[string]*registermap.Map{"some.yaml": m})
	if err != nil {
		t.Fatal(err)
	}
	want := []Device{
		{ID: "mill/north/alder", Host: "a:502", Unit: 1, Map: m},
		{ID: "mill/north/birch", Host: "a:502", Unit: 2, Map: m},
		{ID: "mill/south/cedar", Host: "a:502", Unit: 3, Map: m, TLS: secure, Phase: 6180 * time.Millisecond},
		{ID: "pass/hut/elm", Host: "e:502", Unit: 1, Map: m, Phase: 2360 * time.Millisecond},
	}
	for i, d := range devices {
		if d != want[i] {
			t.Errorf("device %d is %+v, want %+v", i, d, want[i])
		}
	}
	if devices[0].address() != devices[1].address() || devices[0].address() == devices[2].address() {
		t.Errorf("addresses %v, %v, %v: the first two share a connection, the third is another one",
			devices[0].address(), devices[1].address(), devices[2].address())
	}
}

// Every fault is told before the first socket is opened, and all of them at once.
func TestDevicesRefuses(t *testing.T) {
	f := &fleet.Fleet{Sites: []fleet.Site{{Rings: []fleet.Ring{{ID: "mill/north", Controllers: []fleet.Controller{
		{ID: "mill/north/alder", Map: "absent.yaml"},
		{ID: "mill/north/birch", Map: "some.yaml", TLS: &fleet.TLS{CA: "/nowhere/ca.pem", Certificate: "/nowhere/own.crt", Key: "/nowhere/own.key"}},
	}}}}}}
	devices, err := Devices(f, map[string]*registermap.Map{"some.yaml": mapOf(t, threeGroups)})
	if err == nil {
		t.Fatalf("devices %v", devices)
	}
	for _, want := range []string{
		`controller mill/north/alder: its register map "absent.yaml" is not loaded`,
		"controller mill/north/birch: reading a TLS file: open /nowhere/ca.pem", "/nowhere/own.crt", "/nowhere/own.key",
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("error %q does not say %q", err, want)
		}
	}
}
