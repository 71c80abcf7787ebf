package registermap

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// The planner claims the least modelled cost there is. For a few points every way to part them can be tried: all set
// partitions, crosswise ones included, so that the planner's argument for looking at runs only is tried as well.
func TestPlansAreOfLeastCost(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		longest := rapid.IntRange(4, 14).Draw(t, "longest")
		hole := rapid.IntRange(0, 30).Draw(t, "forbidden")
		c := costs{
			request: 16 * rapid.IntRange(0, 8).Draw(t, "bridge"), each: rapid.SampledFrom([]int{1, 16}).Draw(t, "each"), longest: longest,
			forbidden: func(start, end int) bool { return start <= hole && hole < end },
		}
		var spans []span
		for i := range rapid.IntRange(1, 7).Draw(t, "points") {
			start := rapid.IntRange(0, 26).Draw(t, "start")
			end := start + rapid.SampledFrom([]int{1, 1, 2, 4}).Draw(t, "length")
			if !c.forbidden(start, end) {
				spans = append(spans, span{i, start, end})
			}
		}
		least, fewest := leastOfAll(spans, nil, c)
		cost, requests := 0, 0
		covered := map[int]int{}
		for _, run := range bestRuns(spans, c) {
			start, end := hull(run)
			if len(run) > 1 && (end-start > longest || c.forbidden(start, end)) {
				t.Fatalf("a request reads %d to %d, longest %d, forbidden %d", start, end, longest, hole)
			}
			cost, requests = cost+c.request+c.each*(end-start), requests+1
			for _, s := range run {
				covered[s.point]++
			}
		}
		if cost != least || requests != fewest {
			t.Fatalf("cost %d in %d requests; the best is %d in %d", cost, requests, least, fewest)
		}
		for _, s := range spans {
			if covered[s.point] != 1 {
				t.Fatalf("point %d is read %d times", s.point, covered[s.point])
			}
		}
	})
}

// leastOfAll tries each way to add the spans to groups, and returns the least cost and how few requests have it.
func leastOfAll(spans []span, groups [][]span, c costs) (cost, requests int) {
	if len(spans) == 0 {
		for _, g := range groups {
			start, end := hull(g)
			if end-start > c.longest || c.forbidden(start, end) {
				return 1 << 30, 0
			}
			cost += c.request + c.each*(end-start)
		}
		return cost, len(groups)
	}
	cost = math.MaxInt32
	for i := range len(groups) + 1 {
		next := make([][]span, max(len(groups), i+1))
		for j, g := range groups {
			next[j] = append([]span(nil), g...)
		}
		next[i] = append(next[i], spans[0])
		if c1, r1 := leastOfAll(spans[1:], next, c); c1 < cost || c1 == cost && r1 < requests {
			cost, requests = c1, r1
		}
	}
	return cost, requests
}
