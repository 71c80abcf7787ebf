package alerts

import (
	"math"
	"testing"
	"time"
)

// norris is the data set of that name of the NIST Statistical Reference Datasets, linear regression: y, x. It was typed from
// memory; that it gives the certified values shows that it is right.
var norris = [][2]float64{
	{0.1, 0.2},
	{338.8, 337.4},
	{118.1, 118.2},
	{888.0, 884.6},
	{9.2, 10.1},
	{228.1, 226.5},
	{668.5, 666.3},
	{998.5, 996.3},
	{449.1, 448.6},
	{778.9, 777.0},
	{559.2, 558.2},
	{0.3, 0.4},
	{0.1, 0.6},
	{778.1, 775.5},
	{668.8, 666.9},
	{339.3, 338.0},
	{448.9, 447.5},
	{10.8, 11.6},
	{557.7, 556.0},
	{228.3, 228.1},
	{998.0, 995.8},
	{888.8, 887.6},
	{119.6, 120.2},
	{0.3, 0.3},
	{0.6, 0.3},
	{557.6, 556.8},
	{339.3, 339.1},
	{888.0, 887.2},
	{998.5, 999.0},
	{778.9, 779.0},
	{10.2, 11.1},
	{117.6, 118.3},
	{228.9, 229.2},
	{668.4, 669.1},
	{449.2, 448.9},
	{0.2, 0.5},
}

// The slope of an offset on a current, the offset at no current and the error of the slope are those that NIST certifies for
// its data, where the bank's voltage stands still: B1 1.00211681802045, B0 -0.262323073774029, s(B1) 0.429796848199937E-03.
func TestLeadFitIsLeastSquares(t *testing.T) {
	var l leadTrack
	for _, p := range norris {
		l.add(1, p[1], 0, p[0])
	}
	f, ok := l.regress(0)
	if !ok || math.Abs(f.ohms-1.00211681802045) > 1e-10 || math.Abs(f.volts+0.262323073774029) > 1e-8 || math.Abs(f.sure-0.429796848199937e-3) > 1e-12 {
		t.Errorf("fit = %.15g, %.15g, error %.15g, %v", f.ohms, f.volts, f.sure, ok)
	}
}

// A meter that reads half a percent more than its peers' is off by more at noon, when the bank is high and the current is
// large as well: that is not its leads, and is not taken for them.
func TestMeterIsNoLead(t *testing.T) {
	var l leadTrack
	at := noon
	for range 3 * 144 {
		at = at.Add(10 * time.Minute)
		sun := max(0, math.Sin(2*math.Pi*at.Sub(noon).Hours()/24))
		cloud := 0.6 + 0.4*math.Sin(at.Sub(noon).Hours()*7)
		others := 49 + 9*sun
		l.see(30*sun*cloud, 0.005*others, others, at)
	}
	if f, ok := l.fit(0.01); !ok || math.Abs(f.ohms) > 0.0005 {
		t.Errorf("fit = %.4g Ω, error %.2g Ω, %v; want none", f.ohms, f.sure, ok)
	}
}

// What came loose shows within two days, although what was seen before still counts a little; where the current hardly changes,
// there is no saying.
func TestLooseLeadShows(t *testing.T) {
	for _, c := range []struct {
		swing float64 // A
		sure  bool
	}{{30, true}, {10, true}, {1, false}} {
		var l leadTrack
		at := noon
		for i := range 5 * 144 {
			at = at.Add(10 * time.Minute)
			amperes := 10 + c.swing*max(0, math.Sin(2*math.Pi*at.Sub(noon).Hours()/24))
			ohms := 0.0
			if i > 3*144 {
				ohms = 0.03
			}
			noise := 0.05 * math.Sin(float64(i*i)) // V
			l.see(amperes, ohms*amperes+noise, 52, at)
		}
		f, ok := l.fit(0.1)
		if sure := ok && f.ohms > 0.02 && f.ohms < 0.04 && f.ohms-4*f.sure > 0.006; sure != c.sure {
			t.Errorf("a swing of %g A gives %.4g Ω, error %.2g Ω, %v", c.swing, f.ohms, f.sure, ok)
		}
	}
}
