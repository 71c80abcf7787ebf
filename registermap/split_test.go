package registermap_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ringwarden/fleet"
	"ringwarden/registermap"
)

// A device that lacks some of the registers that its manual lists must not cost the readings of its other registers,
// and learning which ones must end.
func TestSplittingFindsExactlyWhatIsRefused(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, err := registermap.Parse("drawn.yaml", []byte(drawMap(t)))
		if err != nil {
			t.Fatal(err)
		}
		type address struct {
			t registermap.Table
			a int
		}
		refused := map[address]bool{}
		for range rapid.IntRange(0, 6).Draw(t, "holes") {
			table := rapid.SampledFrom([]registermap.Table{registermap.Holding, registermap.Inputs, registermap.Coils}).Draw(t, "table")
			refused[address{table, rapid.IntRange(0, 80).Draw(t, "hole")}] = true
		}
		refuses := func(t registermap.Table, start, count uint16) bool {
			for i := range int(count) {
				if refused[address{t, int(start) + i}] {
					return true
				}
			}
			return false
		}
		for _, g := range fleet.Groups {
			p := m.Plan(g)
			if p == nil {
				continue
			}
			layout, splits := p.Layout, 0
			for i := 0; i < len(p.Blocks); {
				if b := p.Blocks[i]; !refuses(b.Table, b.Start, b.Count) {
					i++
					continue
				}
				p = p.Split(i)
				if splits++; splits > 2*len(layout.Points) {
					t.Fatalf("still splitting after %d times", splits)
				}
			}
			if p.Layout != layout {
				t.Fatal("splitting changed the layout")
			}
			var want []string
			for _, pt := range m.Points() {
				if pt.Group == g && refuses(pt.Table, pt.Address, pt.Length) {
					want = append(want, pt.Name)
				}
			}
			if got := p.Unreadable(); !slices.Equal(got, want) {
				t.Fatalf("unreadable are %v, want %v", got, want)
			}
			for i, v := range decodeWords(p, func() uint16 { return 1 }) {
				if unreadable := slices.Contains(want, layout.Points[i].Name); !unreadable && (v.Quality == fleet.Missing || v.Quality == fleet.Unreadable) {
					t.Fatalf("%s is lost: %s", layout.Points[i].Name, v.Quality)
				} else if unreadable && v.Quality != fleet.Unreadable {
					t.Fatalf("%s is %s, want unreadable", layout.Points[i].Name, v.Quality)
				}
			}
		}
	})
}

// A hole between two good points is found with the first split, and costs one request more from then on, not a point.
func TestSplitGoesForTheGapFirst(t *testing.T) {
	m := parse(t, `
  a: {at: holding 0, type: u16}
  b: {at: holding 1, type: u16}
  c: {at: holding 2, type: u16}
  d: {at: holding 3, type: u16}
  e: {at: holding 6, type: u16}`)
	p := m.Plan(fleet.Normal)
	want := []registermap.Block{{Table: registermap.Holding, Start: 0, Count: 7}}
	if !slices.Equal(p.Blocks, want) {
		t.Fatalf("blocks are %v, want %v", p.Blocks, want)
	}
	q := p.Split(0)
	want = []registermap.Block{{Table: registermap.Holding, Start: 0, Count: 4}, {Table: registermap.Holding, Start: 6, Count: 1}}
	if !slices.Equal(q.Blocks, want) {
		t.Errorf("after a split blocks are %v, want %v", q.Blocks, want)
	}
	q = q.Split(0)
	want = []registermap.Block{{registermap.Holding, 0, 2}, {registermap.Holding, 2, 2}, {registermap.Holding, 6, 1}}
	if !slices.Equal(q.Blocks, want) {
		t.Errorf("after two splits blocks are %v, want %v", q.Blocks, want)
	}
	if q = q.Split(2); len(q.Blocks) != 2 || !slices.Equal(q.Unreadable(), []string{"e"}) {
		t.Errorf("a refused point alone: blocks %v, unreadable %v", q.Blocks, q.Unreadable())
	}
	if len(p.Blocks) != 1 || len(p.Unreadable()) != 0 {
		t.Errorf("splitting changed the plan that was split: %v", p.Blocks)
	}
	if q.Split(7) != q || q.Split(-1) != q {
		t.Error("a block that is not there was split")
	}
}
