package registermap_test

import (
	"testing"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// poll reads every block of a plan from an image and decodes it, as the poller does from a device.
func poll(t failer, p *registermap.Plan, im *registermap.Image, dst []fleet.Value) []fleet.Value {
	t.Helper()
	if dst == nil {
		dst = make([]fleet.Value, len(p.Layout.Points))
	}
	p.Reset(dst)
	for i, b := range p.Blocks {
		if b.Table.Bits() {
			bits := make([]bool, b.Count)
			if err := im.ReadBits(b.Table, b.Start, b.Count, bits); err != nil {
				t.Fatalf("reading %v: %v", b, err)
			}
			p.DecodeBits(i, bits, dst)
			continue
		}
		words := make([]uint16, b.Count)
		if err := im.ReadRegisters(b.Table, b.Start, b.Count, words); err != nil {
			t.Fatalf("reading %v: %v", b, err)
		}
		p.DecodeRegisters(i, words, dst)
	}
	p.Finish(dst)
	return dst
}

// What a simulated unit is set to must come back the same through requests and decoding, whatever the map's habits.
func TestWhatIsSetIsRead(t *testing.T) {
	set := map[fleet.Quantity]float64{
		fleet.QuantityStage: float64(fleet.Absorption), fleet.BatteryVoltage: 13.4, fleet.BatteryCurrent: 21.5,
		fleet.OutputPower: 288, fleet.EnergyToday: 7200000, fleet.RingEnabled: 1, fleet.RoleTrips: 0,
		fleet.RoleFaultDetector: 1, fleet.LinkGood: 4000, fleet.LinkOK: 1, fleet.Uptime: 86400,
	}
	for path, m := range exampleMaps(t) {
		im := m.NewImage()
		for i, pt := range m.Points() {
			if want, ok := set[pt.Quantity]; ok {
				if err := im.Set(i, fleet.Value{Number: want, Quality: fleet.Good}); err != nil {
					t.Errorf("%s: %v", path, err)
				}
			}
		}
		for _, g := range fleet.Groups {
			p := m.Plan(g)
			values := poll(t, p, im, nil)
			for i, pt := range p.Layout.Points {
				want, ok := set[pt.Quantity]
				if !ok || pt.Quantity == fleet.QuantityNone {
					continue
				}
				if got := values[i]; got.Number != want || got.Quality != fleet.Good {
					t.Errorf("%s: %s = %v (%s), want %v", path, pt.Name, got.Number, got.Quality, want)
				}
			}
		}
	}
}
