package registermap_test

import (
	"fmt"
	"strings"

	"pgregory.net/rapid"

	"ringwarden/registermap"
)

// drawMap draws a map that has no fault: points of every type in every table, some sharing registers by their bits, some
// with sentinels, scales, plausible ranges, exponents and names.
func drawMap(t *rapid.T) string {
	var b strings.Builder
	b.WriteString("format: 1\nmodel: drawn\n")
	fmt.Fprintf(&b, "words: %s\n", rapid.SampledFrom(registermap.Orders()).Draw(t, "words"))
	hole := rapid.IntRange(0, 90).Draw(t, "forbidden")
	fmt.Fprintf(&b, "reads: {longest: %d, longest_bits: %d, bridge: %d, forbidden: [%d-%d]}\npoints:\n",
		rapid.IntRange(5, 40).Draw(t, "longest"), rapid.IntRange(1, 40).Draw(t, "longest_bits"),
		rapid.IntRange(0, 20).Draw(t, "bridge"), hole, hole+2)
	b.WriteString("  exponent_slow: {at: input 10000, type: s16, poll: slow}\n")
	next := map[string]int{}
	for i := range rapid.IntRange(1, 12).Draw(t, "points") {
		table := rapid.SampledFrom([]string{"coil", "discrete", "holding", "input"}).Draw(t, "table")
		at := next[table] + rapid.SampledFrom([]int{0, 0, 1, 3, 9, 25}).Draw(t, "gap")
		if at+5 > hole && at <= hole+2 {
			at = hole + 3
		}
		next[table] = at + drawPoint(t, &b, i, table, at)
	}
	return b.String()
}

// drawPoint writes one point, or two that share a register, and returns how many registers they take.
func drawPoint(t *rapid.T, b *strings.Builder, i int, table string, at int) int {
	poll := rapid.SampledFrom([]string{"fast", "normal", "slow"}).Draw(t, "poll")
	if table == "coil" || table == "discrete" {
		fmt.Fprintf(b, "  p%d: {at: %s %d, poll: %s}\n", i, table, at, poll)
		return 1
	}
	place := fmt.Sprintf("at: %s %d, poll: %s", table, at, poll)
	switch rapid.IntRange(0, 9).Draw(t, "sort") {
	case 0:
		cut := rapid.IntRange(1, 15).Draw(t, "cut")
		fmt.Fprintf(b, "  p%d: {%s, type: s16, bits: 15-%d}\n  q%d: {%s, type: u16, bits: %d-0}\n", i, place, cut, i, place, cut-1)
		return 1
	case 1:
		fmt.Fprintf(b, "  p%d: {%s, type: text, length: 3}\n", i, place)
		return 3
	case 2:
		fmt.Fprintf(b, "  p%d: {%s, type: bit, bits: 3}\n", i, place)
		return 1
	case 3:
		fmt.Fprintf(b, "  p%d: {%s, type: s16, values: {-1: lost, 0: none, 7: seven}}\n", i, place)
		return 1
	case 4:
		fmt.Fprintf(b, "  p%d: {at: %s %d, poll: slow, type: s32, scale_from: exponent_slow, scale: 0.5, absent: 0x80000000}\n", i, table, at)
		return 2
	}
	ty := rapid.SampledFrom(registermap.Types()[1:11]).Draw(t, "type")
	extra := ""
	if rapid.Bool().Draw(t, "scaled") {
		extra = ", scale: " + rapid.SampledFrom([]string{"0.1", "-2", "0.05", "1000"}).Draw(t, "scale")
	}
	if rapid.Bool().Draw(t, "sentinel") {
		extra += ", absent: [7, 0x80]"
	}
	if rapid.Bool().Draw(t, "bounded") {
		extra += ", plausible: [-100, 3000]"
	}
	fmt.Fprintf(b, "  p%d: {%s, type: %s%s}\n", i, place, ty, extra)
	return 4
}
