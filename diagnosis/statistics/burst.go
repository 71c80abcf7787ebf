package statistics

// Bursts is the two-state model of Gilbert and Elliott: errors come while the line is in its bad state. The letters are
// those of NTIA TM-23-565 (2023).
type Bursts struct {
	P float64 // chance to go from good to bad at a step
	R float64 // chance to go from bad to good
	K float64 // chance of no error while good
	H float64 // chance of no error while bad
}

// InBad returns the share of time in the bad state.
func (b Bursts) InBad() float64 { return b.P / (b.P + b.R) }

// ErrorRate returns the share of steps with an error.
func (b Bursts) ErrorRate() float64 { return ((1-b.K)*b.R + (1-b.H)*b.P) / (b.P + b.R) }

// MeanBurst returns the mean number of errors in a row.
func (b Bursts) MeanBurst() float64 {
	return ((1-b.K)*b.R + (1-b.H)*b.P) /
		((1-b.K)*b.R*((1-b.P)*b.K+b.P*b.H) + (1-b.H)*b.P*((1-b.R)*b.H+b.R*b.K))
}

// MeanSpacing returns the mean number of steps from the beginning of one burst to that of the next.
func (b Bursts) MeanSpacing() float64 { return b.MeanBurst() / b.ErrorRate() }

// FitBursts fits the two-parameter form, in which errors come in the bad state alone and always, by counting turns. ok
// is false where the sequence never turns both ways.
func FitBursts(errors []bool) (b Bursts, ok bool) {
	var good, bad, toBad, toGood float64
	for i := 1; i < len(errors); i++ {
		if errors[i-1] {
			bad++
			if !errors[i] {
				toGood++
			}
		} else {
			good++
			if errors[i] {
				toBad++
			}
		}
	}
	if toBad == 0 || toGood == 0 {
		return Bursts{}, false
	}
	return Bursts{P: toBad / good, R: toGood / bad, K: 1, H: 0}, true
}
