package metrics

import (
	"ringwarden/alerts"
	"ringwarden/fleet"
)

// Judgement is how well the alarms served people, and what the alarm engine did not believe.
type Judgement struct {
	Figures    alerts.Performance // of the last 30 days
	Disbelieve alerts.Counts      // since the program started
	Looks      uint64             // second looks that were asked for since then
}

func (j *Judgement) samples() []sample {
	p, c := &j.Figures, &j.Disbelieve
	out := []sample{
		{alarmsPerHour, nil, p.PerHour},
		{alarmsMostIn10, nil, float64(p.MostIn10)},
		{alarmsFloods, nil, float64(p.Floods)},
		{alarmsFloodTime, nil, p.FloodTime.Seconds()},
		{alarmsFloodShare, nil, p.FloodShare},
		{alarmsTopTen, nil, p.TopTenShare},
		{alarmsChattering, nil, float64(len(p.Chattering))},
		{alarmsFleeting, nil, float64(len(p.Fleeting))},
		{secondLooks, nil, float64(j.Looks)},
	}
	for _, level := range fleet.Priorities {
		out = append(out, sample{alarmsByPriority, newLabels(alarmsByPriority, level.String()), p.ByPriority[level]})
	}
	for reason, n := range map[string]uint64{
		"unknown-controller": c.UnknownController, "late": c.Late, "doubled": c.Doubled, "future": c.Future, "malformed": c.Malformed,
		"not-finite": c.NotFinite, "undefined": c.Undefined, "implausible": c.Implausible, "clock-backwards": c.Backwards,
	} {
		out = append(out, sample{disbelieved, newLabels(disbelieved, reason), float64(n)})
	}
	return out
}
