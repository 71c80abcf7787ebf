package fleet_test

import (
	"testing"

	"ringwarden/fleet"
)

func TestSize(t *testing.T) {
	for bytes, want := range map[int64]string{
		0: "0 bytes", 999: "999 bytes", 1000: "0.98 KiB", 1024: "1 KiB", 10 << 10: "10 KiB", 64 << 20: "64 MiB",
		1<<30 + 1<<28: "1.25 GiB", 123456789: "118 MiB", 16 << 40: "16 TiB", 3 << 50: "3072 TiB",
	} {
		if got := fleet.Size(bytes); got != want {
			t.Errorf("Size(%d) = %s, want %s", bytes, got, want)
		}
	}
}
