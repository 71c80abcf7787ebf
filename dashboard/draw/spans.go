package draw

import (
	"cmp"
	"slices"
)

// A span is a piece of the horizontal axis in pixels.
type span struct{ from, to float64 }

type spans []span

// gaps returns what the spans leave uncovered between from and to.
func (s spans) gaps(from, to float64) []span {
	sorted := slices.Clone(s)
	slices.SortFunc(sorted, func(a, b span) int { return cmp.Compare(a.from, b.from) })
	var out []span
	for _, k := range sorted {
		if k.from > from {
			out = append(out, span{from, min(k.from, to)})
		}
		if from = max(from, k.to); from >= to {
			return out
		}
	}
	if from < to {
		out = append(out, span{from, to})
	}
	return out
}
