package alerts

// A Disagreement tells whether two sensors of one thing disagree. It is a plain value without state: the deadband
// needs to know only whether they did before.
type Disagreement struct {
	Limit    float64 // a difference above this is a disagreement
	Deadband float64 // one that has begun ends when the difference is below Limit - Deadband
}

// Judge compares two readings; before says whether the disagreement has already begun. Between the two limits it is
// unknown: what was stays.
func (d Disagreement) Judge(a, b float64, before bool) Verdict {
	diff := a - b
	if diff < 0 {
		diff = -diff
	}
	switch {
	case diff > d.Limit:
		return Yes
	case before && diff > d.Limit-d.Deadband:
		return Unknown
	}
	return No
}
