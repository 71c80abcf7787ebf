package alerts

import (
	"bytes"
	"reflect"
	"testing"
	"time"

	"ringwarden/fleet"
)

// What a detector remembers must be such that it can be written down, whoever adds a field.
func TestTracksArePlain(t *testing.T) {
	New(pair()).State() // panics at a pointer, a map, a function
}

// A state that is written, read and written again is the same: nothing that is remembered is lost on the way.
func TestStateSurvives(t *testing.T) {
	f := pair()
	e := New(f)
	at := noon
	point := []fleet.Point{
		{Name: "stage", Quantity: fleet.QuantityStage, Mul: 1, Div: 1, Bits: 16},
		{Name: "good", Quantity: fleet.LinkGood, Mul: 1, Div: 1, Bits: 16},
		{Name: "temperature", Quantity: fleet.BatteryTemperature, Mul: 1, Div: 10, Bits: 16},
	}
	layout := fleet.NewLayout(point)
	for i := range 20 {
		for _, id := range []fleet.ControllerID{"mill/north/alder", "mill/north/birch"} {
			values := []fleet.Value{
				{Number: float64(fleet.Bulk), Raw: 3, Quality: fleet.Good},
				{Number: float64(10 * i), Raw: uint64(10 * i), Quality: fleet.Good},
				{Number: 20.5, Raw: 205, Quality: fleet.Good},
			}
			e.Put(&fleet.Frame{Controller: id, At: at, Group: fleet.Fast, Outcome: fleet.Answered, Layout: layout, Values: values})
		}
		e.Advance(at)
		at = at.Add(10 * time.Second)
	}
	key := fleet.AlarmKey{Kind: "controller-silent", Subject: "mill/north/birch"}
	if _, err := e.Shelve(key, Shelving{Until: at.Add(time.Hour), OneShot: true, Who: "Ann", Why: "known"}, at); err != nil {
		t.Fatal(err)
	}
	if _, err := e.TakeOutOfService(Order{At: "mill/north/alder", Kinds: []fleet.Kind{"stage-split"}, Until: at.Add(time.Hour), Who: "Ben", Why: "work"}, at); err != nil {
		t.Fatal(err)
	}
	state, standing := e.State(), e.Alarms()
	again := New(f)
	if err := again.Remember(state); err != nil {
		t.Fatal(err)
	}
	again.Restore(standing)
	again.now = e.now
	if got := again.State(); !bytes.Equal(got, state) {
		t.Errorf("written again it is\n%s\nwant\n%s", got, state)
	}
	if u := again.units["mill/north/birch"]; u.stage.is != fleet.Bulk || u.in.quiet.flow.gaps == 0 {
		t.Errorf("birch is remembered as %+v, its cable as %+v", u.stage, u.in.quiet)
	}
	if o := again.Orders(); len(o) != 1 || o[0].Who != "Ben" || !again.byKey[key].shelf.OneShot {
		t.Errorf("orders %+v, shelf %+v", o, again.byKey[key].shelf)
	}
}

// A state from a damaged disk or another program is refused or read in part, and breaks nothing.
func TestDamagedStates(t *testing.T) {
	e := New(pair())
	for _, bad := range []string{"", "{", "[]", `{"Format":99}`} {
		if err := e.Remember([]byte(bad)); err == nil {
			t.Errorf("state %q was taken", bad)
		}
	}
	whole := appendPlain(nil, reflect.ValueOf(&unitTracks{}).Elem())
	for n := range whole {
		v := reflect.New(reflect.TypeFor[unitTracks]()).Elem()
		if _, err := takePlain(whole[:n], v); err == nil {
			t.Fatalf("%d of %d bytes were taken for whole", n, len(whole))
		}
	}
}
