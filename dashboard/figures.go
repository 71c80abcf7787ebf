package dashboard

import (
	"fmt"
	"strconv"
	"sync"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

// figuresTime is what the figures of the alarms are of: the standard wants thirty days at least (ISA-18.2-2016, 16.4).
// They are worked out anew once they are older than figuresFresh. Of fewer alarms than figuresFew shares say little.
const (
	figuresTime  = 30 * 24 * time.Hour
	figuresFresh = 5 * time.Minute
	figuresFew   = 50
)

// A figuresView is how well the alarms serve the people who get them.
type figuresView struct {
	About string
	Rows  []figureRow
	Top   []frequencyRow
}

type figureRow struct {
	Name, Is, Asks, Means string
	Beyond                bool     // what the standard asks for
	Those                 []string // which ones it is about
}

type frequencyRow struct {
	Count             int
	Word, Where, Link string
}

// A figureCache keeps the figures that were worked out last: they are of a month, and many look.
type figureCache struct {
	mu sync.Mutex
	at time.Time // zero: never
	p  alerts.Performance
}

func (s *server) figures(v *visit) (*figuresView, error) {
	c := &s.measured
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.at.IsZero() || v.now.Before(c.at) || v.now.Sub(c.at) > figuresFresh {
		p, err := s.performance(v, v.now.Add(-figuresTime), v.now, "")
		if err != nil {
			return nil, err
		}
		c.p, c.at = p, v.now
	}
	return v.figuresView(&c.p), nil
}

// performance measures the alarms inside a part of the fleet from one instant to another; empty: all.
func (s *server) performance(v *visit, from, to time.Time, at fleet.Subject) (alerts.Performance, error) {
	var before []fleet.Alarm // stood at the beginning, and still do
	for i := range v.alarm {
		if v.alarm[i].Raised.Before(from) {
			before = append(before, v.alarm[i])
		}
	}
	m := alerts.NewMeter(from, alerts.DefaultLimits, before...)
	for c, err := range s.Alarms.Changes(v.ctx, from, to) {
		if err != nil {
			return alerts.Performance{}, err
		}
		if (at == "" || c.Alarm.Subject.Inside(at)) && c.Alarm.Kind != alerts.KindOutOfService {
			m.Add(&c)
		}
	}
	return m.Performance(to), nil
}

func (v *visit) figuresView(p *alerts.Performance) *figuresView {
	d := &figuresView{About: "Of the last 30 days, in which " + counted(p.Alarms, "alarm was raised", "alarms were raised") + "."}
	if p.Alarms < figuresFew {
		d.About += " Of so few, shares say little."
	}
	d.Rows = v.figureRows(p)
	for _, f := range p.TopTen {
		d.Top = append(d.Top, frequencyRow{f.Count, alarmWord(f.Kind), v.nameOf(f.Subject), v.linkTo(f.Subject)})
	}
	return d
}

// figureRows holds each figure beside what the standard asks for (ISA-18.2-2016, 16.4).
func (v *visit) figureRows(p *alerts.Performance) []figureRow {
	enough := p.Alarms >= figuresFew
	percent := func(share float64) string { return strconv.FormatFloat(100*share, 'g', 3, 64) + " %" }
	which := func(list []alerts.Frequency) (names []string) {
		for _, f := range list[:min(len(list), 5)] {
			names = append(names, alarmWord(f.Kind)+", "+v.nameOf(f.Subject))
		}
		return names
	}
	var stale []string
	for _, s := range p.Stale[:min(len(p.Stale), 5)] {
		stale = append(stale, alarmWord(s.Kind)+", "+v.nameOf(s.Subject)+", for "+lasted(s.For))
	}
	return []figureRow{
		{"Alarms in an hour", strconv.FormatFloat(p.PerHour, 'g', 2, 64), "about 6, at most about 12", "With more, nobody can look into each.", p.PerHour > 12, nil},
		{"Most in ten minutes", strconv.Itoa(p.MostIn10), "at most 10", "With more, some are missed.", p.MostIn10 > 10, nil},
		{
			"Time in a flood", percent(p.FloodShare) + ", " + counted(p.Floods, "flood", "floods"), "less than 1 %",
			"A flood is more than ten alarms in ten minutes: they hide each other.", p.FloodShare >= 0.01, nil,
		},
		{
			"Share of the ten most frequent", percent(p.TopTenShare), "about 1 %, at most 5 %",
			"A few alarms that come often are the first to mend or to set otherwise.", enough && p.TopTenShare > 0.05, nil,
		},
		{"Chattering", strconv.Itoa(len(p.Chattering)), "none", "Came and went again and again: a loose contact, or a delay that is too short.", len(p.Chattering) > 0, which(p.Chattering)},
		{"Fleeting", strconv.Itoa(len(p.Fleeting)), "none", "Gone within 30 s, before anybody could do something.", len(p.Fleeting) > 0, which(p.Fleeting)},
		{"Stale", strconv.Itoa(len(p.Stale)), "fewer than 5", "Stood for more than a day: mend it, shelve it with a reason, or change its rule.", len(p.Stale) >= 5, stale},
		{
			"Low, medium and high priority", fmt.Sprintf("%.0f, %.0f, %.0f %%", 100*p.ByPriority[0], 100*p.ByPriority[1], 100*p.ByPriority[2]),
			"80, 15, 5 %", "Where much is urgent, nothing is.", enough && (p.ByPriority[2] > 0.10 || p.ByPriority[1] > 0.30), nil,
		},
		{"Shelved, and explained by another", fmt.Sprintf("%d, %d", p.Shelved, p.Suppressed), "", "What people and the program held back.", false, nil},
	}
}
