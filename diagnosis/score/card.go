package score

import (
	"fmt"
	"io"

	"ringwarden/diagnosis/statistics"
)

// A Bar is one figure with what is wanted of it.
type Bar struct {
	Name string
	Unit string // "%", or "per ring-year"
	// Hits of Of, for a share. For a rate, Hits in Of ring-years.
	Hits, Of float64
	Want     float64 // percent at least, or per ring-year at most
	Most     float64 // percent at most; 0: no such limit
	Misses   []string
}

// keptMisses bounds how many misses are kept to be explained.
const keptMisses = 8

// Count adds one trial. A miss is kept with its story.
func (b *Bar) Count(hit bool, s *Story) {
	b.Of++
	if hit {
		b.Hits++
		return
	}
	if len(b.Misses) < keptMisses {
		b.Misses = append(b.Misses, s.String())
	}
}

func (b *Bar) rate() bool { return b.Unit == "per ring-year" }

// Value returns the figure in its unit.
func (b *Bar) Value() float64 {
	if b.Of == 0 {
		return 0
	}
	if b.rate() {
		return b.Hits / b.Of
	}
	return 100 * b.Hits / b.Of
}

// Interval returns the 95 % interval of the sampling error: Wilson's for shares, Garwood's for rates.
func (b *Bar) Interval() statistics.Interval {
	if b.Of == 0 {
		return statistics.Interval{}
	}
	if b.rate() {
		i := statistics.Garwood(b.Hits)
		return statistics.Interval{Low: i.Low / b.Of, High: i.High / b.Of}
	}
	i := statistics.Wilson(b.Hits, b.Of, statistics.Z95)
	return statistics.Interval{Low: 100 * i.Low, High: 100 * i.High}
}

// Holds reports whether the figure is as wanted. One that was never tried does not.
func (b *Bar) Holds() bool {
	v := b.Value()
	if b.rate() {
		return b.Of > 0 && v <= b.Want
	}
	return b.Of > 0 && v >= b.Want && (b.Most == 0 || v <= b.Most)
}

// MayHold reports whether the figure is as wanted within the sampling error.
func (b *Bar) MayHold() bool {
	i := b.Interval()
	if b.rate() {
		return b.Of > 0 && i.Low <= b.Want
	}
	return b.Of > 0 && i.High >= b.Want && (b.Most == 0 || i.Low <= b.Most)
}

// Wanted says what is wanted.
func (b *Bar) Wanted() string {
	switch {
	case b.rate():
		return fmt.Sprintf("at most %g", b.Want)
	case b.Most > 0:
		return fmt.Sprintf("%g to %g", b.Want, b.Most)
	}
	return fmt.Sprintf("at least %g", b.Want)
}

// String returns the line that the bench prints.
func (b *Bar) String() string {
	i := b.Interval()
	met := "met"
	if !b.Holds() {
		met = "MISSED"
	}
	return fmt.Sprintf("bar %s = %.4g %s (want %s): %s, %g of %.4g, 95 %% interval %.4g to %.4g", b.Name, b.Value(), b.Unit, b.Wanted(), met,
		b.Hits, b.Of, i.Low, i.High)
}

// A Card is what a run measured.
type Card struct {
	Seeds    string // which stories were played
	Stories  int
	Frames   int     // of polls
	Looks    int     // second looks, beside them
	Years    float64 // of healthy rings
	Bars     []*Bar
	Faults   []*Bar     // by fault and map: how often what is wrong came first at the end
	Reliable [10]Decile // suspects by the probability that they were given
	Hunts    []*Hunt    // by fault of the plant: how often and how soon it was found
}

// A Decile is the suspects that were given a probability of one tenth of the scale.
type Decile struct{ Given, Said, Right float64 }

// Print writes each bar on a line of its own.
func (c *Card) Print(to io.Writer) {
	fmt.Fprintf(to, "%d histories, %d frames, %d looks between the polls, %.1f healthy ring-years; seeds %s\n", c.Stories, c.Frames, c.Looks, c.Years, c.Seeds)
	for _, b := range c.Bars {
		fmt.Fprintln(to, b)
		for _, m := range b.Misses {
			fmt.Fprintln(to, "    missed:", m)
		}
	}
	for _, b := range c.Faults {
		fmt.Fprintf(to, "%s: %.4g %% of %g\n", b.Name, b.Value(), b.Of)
		for _, m := range b.Misses {
			fmt.Fprintln(to, "    missed:", m)
		}
	}
	for _, h := range c.Hunts {
		fmt.Fprintln(to, h)
		for _, m := range h.Misses {
			fmt.Fprintln(to, "    missed:", m)
		}
	}
	for i, d := range c.Reliable {
		fmt.Fprintf(to, "suspects given %d to %d %%: %.0f, mean said %.1f %%, right %.1f %%\n", 10*i, 10*i+10, d.Given, 100*d.Said/max(d.Given, 1), 100*d.Right/max(d.Given, 1))
	}
}
