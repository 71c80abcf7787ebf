package registermap_test

import (
	"errors"
	"testing"

	"pgregory.net/rapid"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// Whatever a device answers, what was decoded can be encoded again and reads the same: the simulator and the poller
// agree about every map.
func TestDecodeAndEncodeAreInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := drawMap(t)
		m, err := registermap.Parse("drawn.yaml", []byte(text))
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		word := rapid.Custom(func(t *rapid.T) uint16 {
			if rapid.Bool().Draw(t, "odd") {
				return rapid.SampledFrom([]uint16{0, 1, 7, 0x80, 0x7FFF, 0x8000, 0xFFFF, 0x7FC0, 0x1234}).Draw(t, "special")
			}
			return rapid.Uint16().Draw(t, "word")
		})
		checkInverse(t, m, func() uint16 { return word.Draw(t, "word") })
	})
}

type failer interface {
	Fatalf(format string, args ...any)
	Helper()
}

// checkInverse fills every block with words, decodes, sets an image to the values, and reads the same values from it.
func checkInverse(t failer, m *registermap.Map, word func() uint16) {
	t.Helper()
	im := m.NewImage()
	read := map[string]fleet.Value{}
	for _, g := range fleet.Groups {
		if p := m.Plan(g); p != nil {
			for i, v := range decodeWords(p, word) {
				read[p.Layout.Points[i].Name] = v
			}
		}
	}
	written := map[string]bool{}
	for i, pt := range byExponentsFirst(m) {
		v := read[pt.Name]
		if v.Quality == fleet.Missing {
			t.Fatalf("%s was not decoded", pt.Name)
		}
		err := im.Set(pt.place, v)
		if errors.Is(err, registermap.ErrClamped) {
			t.Fatalf("%d: what was decoded does not fit: %v", i, err)
		}
		written[pt.Name] = err == nil
		if err != nil && (v.Quality == fleet.Good || v.Quality == fleet.Implausible) && pt.Type != registermap.Text {
			t.Fatalf("%s: a %s value %v cannot be encoded: %v", pt.Name, v.Quality, v, err)
		}
	}
	for _, g := range fleet.Groups {
		p := m.Plan(g)
		if p == nil {
			continue
		}
		for i, got := range poll(t, p, im, nil) {
			name := p.Layout.Points[i].Name
			want := read[name]
			if want.Quality == fleet.Absent || p.Layout.Points[i].ScaledBy != "" && read[p.Layout.Points[i].ScaledBy].Quality != fleet.Good {
				want.Raw, got.Raw = 0, 0 // several patterns mean absent
			}
			if written[name] && got != want {
				t.Fatalf("%s: wrote %+v, read %+v", name, want, got)
			}
		}
	}
}

func decodeWords(p *registermap.Plan, word func() uint16) []fleet.Value {
	values := make([]fleet.Value, len(p.Layout.Points))
	p.Reset(values)
	for i, b := range p.Blocks {
		words, bits := make([]uint16, b.Count), make([]bool, b.Count)
		for j := range words {
			words[j] = word()
			bits[j] = words[j]&1 != 0
		}
		p.DecodeRegisters(i, words, values) // of the two, the one that is not for this table does nothing
		p.DecodeBits(i, bits, values)
	}
	p.Finish(values)
	return values
}

type placed struct {
	registermap.Point
	place int
}

// byExponentsFirst returns the points in an order in which exponents come before what they scale.
func byExponentsFirst(m *registermap.Map) []placed {
	scales := map[string]bool{}
	for _, pt := range m.Points() {
		scales[pt.ScaledBy] = true
	}
	var first, rest []placed
	for i, pt := range m.Points() {
		if scales[pt.Name] {
			first = append(first, placed{pt, i})
		} else {
			rest = append(rest, placed{pt, i})
		}
	}
	return append(first, rest...)
}
