// Package draw makes the pictures of the dashboard, of reports and of printed sheets, as SVG text: curves and stacked
// power ([Chart]), stage strips ([Strip]), maps of days by hours ([Heat]), the ring ([Ring]), and bars ([Bars],
// [Columns]).
//
// A picture is a plain value; its SVG method draws it. It reads no clock, no file and no store, keeps nothing and may
// be called from several goroutines at once. The same value always gives the same bytes.
//
// What every picture promises:
//
//   - Well-formed XML whatever the names and numbers are. Names stay text and stay inside their room; the whole name is
//     in the title of its element. NaN and infinities are 'no data', never coordinates.
//   - A title and a description for who cannot see it. Where elements are links, each has a name of its own.
//   - No colour of its own: classes alone, which [CSS] colours for light, dark and paper. What is normal is grey. What
//     is not has a saturated colour, a shape and a word.
//   - No data is hatched, or left out of a line; it is never bridged and never zero.
//
// Widths are CSS pixels. Text keeps its size whatever the width, so a page that serves phones and desks draws twice
// and lets the style sheet choose: see [Both]. IDs must differ between pictures of one page.
package draw
