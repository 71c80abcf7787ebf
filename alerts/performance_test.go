package alerts

import (
	"fmt"
	"math"
	"testing"
	"time"

	"ringwarden/fleet"
)

// raisedAt is an alarm that is raised at an instant.
func raisedAt(at time.Time, kind fleet.Kind, subject fleet.Subject, p fleet.Priority) *fleet.Change {
	return &fleet.Change{At: at, From: fleet.AlarmNormal, Alarm: fleet.Alarm{
		AlarmKey: fleet.AlarmKey{Kind: kind, Subject: subject}, State: fleet.Unacknowledged, Priority: p, Since: at, Raised: at,
	}}
}

// then is what becomes of it.
func then(c *fleet.Change, after time.Duration, to fleet.AlarmState, who string) *fleet.Change {
	n := *c
	n.At, n.From, n.Alarm.State, n.Who = c.At.Add(after), c.Alarm.State, to, who
	return &n
}

// The figures of ISA-18.2-2016, 16.4, over a day that is made by hand: 144 alarms are 6 an hour, its target.
func TestPerformanceOfADay(t *testing.T) {
	m := NewMeter(noon, DefaultLimits)
	for i := range 144 {
		p := fleet.Low
		switch {
		case i%20 == 0:
			p = fleet.High
		case i%20 < 4:
			p = fleet.Medium
		}
		m.Add(raisedAt(noon.Add(time.Duration(i)*tenMinutes), "link-noisy", fleet.Subject(fmt.Sprintf("mill/north/c%d", i)), p))
	}
	p := m.Performance(noon.Add(24 * time.Hour))
	if p.Alarms != 144 || p.PerHour != 6 || p.MostIn10 != 1 || p.Over10 != 0 || p.Floods != 0 {
		t.Errorf("%+v", p)
	}
	if len(p.TopTen) != 10 || math.Abs(p.TopTenShare-10.0/144) > 1e-12 {
		t.Errorf("ten most frequent: %v, share %g", p.TopTen, p.TopTenShare)
	}
	if want := [3]float64{112.0 / 144, 24.0 / 144, 8.0 / 144}; p.ByPriority != want {
		t.Errorf("priorities %v, want %v", p.ByPriority, want)
	}
}

// A flood starts with more than 10 alarms in ten minutes and ends when fewer than 5 are left (16.4.4).
func TestPerformanceOfAFlood(t *testing.T) {
	m := NewMeter(noon, DefaultLimits)
	for i := range 12 { // every 30 s: the eleventh comes 5 min after the first
		m.Add(raisedAt(noon.Add(time.Duration(i)*30*time.Second), "link-down", fleet.Subject(fmt.Sprint(i)), fleet.High))
	}
	p := m.Performance(noon.Add(time.Hour))
	// Of twelve, four are left once the eighth (at 3 min 30 s) is ten minutes old.
	if want := 13*time.Minute + 30*time.Second - 5*time.Minute; p.Floods != 1 || p.FloodTime != want || p.MostIn10 != 12 {
		t.Errorf("%d floods for %v with at most %d, want one for %v with 12", p.Floods, p.FloodTime, p.MostIn10, want)
	}
	if p.Over10 != 1.0/6 {
		t.Errorf("share of ten minutes with more than ten alarms: %g, want one of six", p.Over10)
	}
	ten := NewMeter(noon, DefaultLimits)
	for i := range 10 {
		ten.Add(raisedAt(noon, "link-down", fleet.Subject(fmt.Sprint(i)), fleet.High))
	}
	if p := ten.Performance(noon.Add(time.Hour)); p.Floods != 0 {
		t.Errorf("ten alarms are %d floods, want none: it takes more than ten", p.Floods)
	}
}

// Chattering, fleeting and stale alarms are named; acknowledged ones are not fleeting.
func TestPerformanceNamesTheNuisances(t *testing.T) {
	m := NewMeter(noon, DefaultLimits, fleet.Alarm{
		AlarmKey: fleet.AlarmKey{Kind: "stage-split", Subject: "old"}, State: fleet.Acknowledged, Raised: noon.Add(-time.Hour),
	})
	for i := range 3 {
		c := raisedAt(noon.Add(time.Duration(i)*4*time.Minute), "link-noisy", "chatters", fleet.Low)
		m.Add(c)
		m.Add(then(c, time.Minute, fleet.ReturnedUnacknowledged, ""))
	}
	f := raisedAt(noon.Add(time.Hour), "link-down", "fleets", fleet.High)
	m.Add(f)
	m.Add(then(f, 30*time.Second, fleet.ReturnedUnacknowledged, ""))
	s := raisedAt(noon.Add(2*time.Hour), "link-down", "seen", fleet.High)
	a := then(s, 5*time.Second, fleet.Acknowledged, "Ann")
	m.Add(s)
	m.Add(a)
	m.Add(then(a, 5*time.Second, fleet.AlarmNormal, ""))
	h := raisedAt(noon.Add(3*time.Hour), "link-down", "hidden", fleet.High)
	m.Add(h)
	m.Add(then(h, time.Minute, fleet.Shelved, "Ann"))
	p := m.Performance(noon.Add(24 * time.Hour))
	if len(p.Chattering) != 1 || p.Chattering[0].Subject != "chatters" || p.Chattering[0].Count != 6 {
		t.Errorf("chattering: %v", p.Chattering)
	}
	if len(p.Fleeting) != 1 || p.Fleeting[0].Subject != "fleets" {
		t.Errorf("fleeting: %v", p.Fleeting)
	}
	// What returned and was not seen stands on: it is annunciated.
	if len(p.Stale) != 1 || p.Stale[0].Subject != "old" || p.Stale[0].For != 25*time.Hour {
		t.Errorf("stale: %v", p.Stale)
	}
	if p.Shelved != 1 || p.Alarms != 6 {
		t.Errorf("%d shelved, %d raised", p.Shelved, p.Alarms)
	}
}

// What stood before the time that is measured is as stale as it is, whether it still stands or went meanwhile; what people
// take out of service, and what they only write down, is no alarm.
func TestPerformanceOfWhatStoodBefore(t *testing.T) {
	month := noon.Add(30 * 24 * time.Hour)
	still := raisedAt(noon.Add(-48*time.Hour), "stage-split", "still", fleet.Medium).Alarm
	went := raisedAt(noon.Add(-30*time.Hour), "link-down", "went", fleet.High)
	order := raisedAt(noon, KindOutOfService, "mill", fleet.Low)
	order.Alarm.State = fleet.OutOfService
	same := raisedAt(noon, "link-down", "same", fleet.High)
	same.From = fleet.Unacknowledged
	changes := []*fleet.Change{order, then(order, time.Hour, fleet.AlarmNormal, "Ann"), same, then(went, 31*time.Hour, fleet.ReturnedUnacknowledged, ""), then(went, 32*time.Hour, fleet.AlarmNormal, "Ann")}
	changes[4].From = fleet.ReturnedUnacknowledged
	p, err := Measure(noon, month, []fleet.Alarm{still}, func(yield func(fleet.Change, error) bool) {
		for _, c := range changes {
			if !yield(*c, nil) {
				return
			}
		}
	})
	if err != nil || len(p.Stale) != 2 || p.Stale[0].For != 32*24*time.Hour || p.Stale[1].For != 32*time.Hour || p.Alarms != 0 || p.Shelved != 0 {
		t.Errorf("%+v, %v", p, err)
	}
}

// An alarm that stood before the time began is stale as well, when it first shows by going.
func TestStaleFromBefore(t *testing.T) {
	m := NewMeter(noon, DefaultLimits)
	m.Add(then(raisedAt(noon.Add(-30*time.Hour), "no-full-charge", "mill/north", fleet.Medium), 31*time.Hour, fleet.AlarmNormal, ""))
	p := m.Performance(noon.Add(2 * time.Hour))
	if len(p.Stale) != 1 || p.Stale[0].For != 31*time.Hour || p.Alarms != 0 {
		t.Errorf("stale: %+v, %d alarms; want one of 31 hours, and none raised", p.Stale, p.Alarms)
	}
}
