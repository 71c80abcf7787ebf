package alerts

import (
	"testing"
	"time"

	"ringwarden/fleet"
)

// run lets the named controllers answer for a time, and returns the changes.
func run(e *Engine, from time.Time, lasts time.Duration, ids ...fleet.ControllerID) (all []fleet.Change, end time.Time) {
	layout := fleet.NewLayout([]fleet.Point{{Name: "stage", Quantity: fleet.QuantityStage, Mul: 1, Div: 1, Bits: 16}})
	for end = from; end.Sub(from) < lasts; end = end.Add(10 * time.Second) {
		for _, id := range ids {
			e.Put(&fleet.Frame{
				Controller: id, At: end, Group: fleet.Fast, Outcome: fleet.Answered, Layout: layout,
				Values: []fleet.Value{{Number: float64(fleet.Bulk), Raw: 3, Quality: fleet.Good}},
			})
		}
		all = append(all, e.Advance(end)...)
	}
	return all, end
}

// A reload keeps what stands and what is known, closes the alarms of what is gone, gives what is new its time to answer,
// and puts other rules in force.
func TestUpdate(t *testing.T) {
	f := pair()
	e := New(f)
	all, at := run(e, noon, 2*time.Minute, "mill/north/alder")
	if len(all) != 1 || all[0].Alarm.Subject != "mill/north/birch" {
		t.Fatalf("birch does not answer: %+v", all)
	}
	more := pair()
	cedar := more.Sites[0].Rings[0].Controllers[1]
	cedar.ID, cedar.Name = "mill/north/cedar", "Cedar"
	more.Sites[0].Rings[0].Controllers = append(more.Sites[0].Rings[0].Controllers, cedar)
	e.Update(more)
	if all, at = run(e, at, 20*time.Second, "mill/north/alder"); len(all) != 0 {
		t.Errorf("right after a reload: %+v", all)
	}
	if all, at = run(e, at, time.Minute, "mill/north/alder"); len(all) != 1 || all[0].Alarm.Subject != "mill/north/cedar" {
		t.Errorf("cedar, which is new, does not answer: %+v", all)
	}
	quiet := pair()
	yes := true
	quiet.Rules = fleet.Rules{{Kind: "controller-silent", At: "mill/north/birch", Disabled: &yes}}
	e.Update(quiet)
	all, _ = run(e, at, 10*time.Second, "mill/north/alder")
	if len(all) != 2 || all[0].Alarm.Subject != "mill/north/cedar" || all[1].Alarm.Subject != "mill/north/birch" ||
		all[0].Alarm.State != fleet.AlarmNormal || all[1].Alarm.State != fleet.AlarmNormal {
		t.Errorf("without cedar, and with birch's kind disabled: %+v", all)
	}
}

// A clock that is set back by an hour must not blind the watch for that hour; an odd instant does nothing.
func TestClockSetBack(t *testing.T) {
	e := New(pair())
	_, at := run(e, noon, 10*time.Minute, "mill/north/alder", "mill/north/birch")
	if c := e.Advance(at.Add(-time.Hour)); len(c) != 0 || e.now.Before(noon) {
		t.Fatalf("one odd instant was believed: %+v", c)
	}
	before, at := run(e, at.Add(-time.Hour), 5*time.Minute, "mill/north/alder", "mill/north/birch")
	all, _ := run(e, at, 2*time.Minute, "mill/north/alder")
	if len(before) != 0 || len(all) != 1 || all[0].Alarm.Subject != "mill/north/birch" {
		t.Errorf("after the clock was set back: %+v, then %+v; want birch silent alone", before, all)
	}
}
