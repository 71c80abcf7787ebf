package door_test

import (
	"iter"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ringwarden/fleet"
	"ringwarden/store"
)

func gather[T any](t *testing.T, all iter.Seq2[T, error]) []T {
	t.Helper()
	var list []T
	for item, err := range all {
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, item)
	}
	return list
}

// What diagnose and replay are given through the door is what they would read from the file: each frame, with values of
// every quality and several layouts, and each change of an alarm.
func TestFramesAndChangesThroughTheDoor(t *testing.T) {
	h := open(t)
	other := fleet.NewLayout([]fleet.Point{{Name: "name", Form: fleet.FormText, Mul: 1, Div: 1}, {Name: "far", Form: fleet.FormFloat64, Mul: 1, Div: 1, Bits: 64}})
	late := noon.Add(24*time.Hour - 5*time.Second)
	frames := []fleet.Frame{
		{Controller: "mill/north/birch", At: late, Group: fleet.Slow, Outcome: fleet.Answered, Late: time.Second, Took: time.Millisecond, Layout: other, Values: []fleet.Value{
			{Text: "Birch \u2192", Quality: fleet.Good}, {Raw: math.Float64bits(math.Inf(1)), Number: math.Inf(1), Quality: fleet.Undefined},
		}},
		{Controller: "mill/north/birch", At: late.Add(time.Second), Outcome: fleet.Silent, Took: time.Second},
	}
	if err := h.store.Append(t.Context(), frames); err != nil {
		t.Fatal(err)
	}
	changes := make([]fleet.Change, 600)
	for i := range changes {
		changes[i] = fleet.Change{At: noon.Add(time.Duration(i) * time.Second), From: fleet.AlarmState(i % 7), Who: "kim", Why: "seen", Alarm: fleet.Alarm{
			AlarmKey: fleet.AlarmKey{Kind: "link-down", Subject: "mill/north/alder>birch"}, State: fleet.AlarmState((i + 1) % 7), Priority: fleet.High,
			Since: noon, Raised: noon, Text: "text", Figures: []fleet.Figure{{Name: "quiet", Value: 3, Unit: fleet.Second}},
		}}
	}
	if err := h.store.PutChanges(t.Context(), changes); err != nil {
		t.Fatal(err)
	}
	same := cmp.Options{cmpopts.EquateNaNs(), cmp.Comparer(func(a, b *fleet.Layout) bool { return a == b || a != nil && b != nil && a.ID == b.ID })}
	for _, q := range []store.Query{
		{}, {Controllers: []fleet.ControllerID{alder}, From: noon.Add(time.Hour), To: noon.Add(2 * time.Hour)}, {From: noon.Add(48 * time.Hour)},
	} {
		want := gather(t, h.store.Frames(t.Context(), q))
		if d := cmp.Diff(want, gather(t, h.client.Frames(t.Context(), q)), same...); d != "" {
			t.Errorf("%+v (-store +door):\n%s", q, d)
		}
	}
	got := gather(t, h.client.Changes(t.Context(), noon, noon.Add(10*time.Minute)))
	if d := cmp.Diff(gather(t, h.store.Changes(t.Context(), noon, noon.Add(10*time.Minute))), got); d != "" || len(got) != 600 {
		t.Errorf("%d changes (-store +door):\n%s", len(got), d)
	}
	first := 0
	for _, err := range h.client.Frames(t.Context(), store.Query{}) {
		if first++; first == 3 || err != nil { // who has seen enough just stops
			break
		}
	}
}

// While a command thinks about what it was sent, the daemon's store holds no transaction open: that would keep the file
// from using its pages again for as long as the command thinks. A database closes only once no transaction is open.
func TestNoTransactionWaitsForACommand(t *testing.T) {
	h := open(t)
	big := make([]fleet.Frame, 40_000) // far more than a socket holds
	for i := range big {
		big[i] = fleet.Frame{
			Controller: alder, At: noon.Add(time.Duration(48*3600+i) * time.Second), Outcome: fleet.Answered, Layout: small,
			Values: []fleet.Value{{Raw: 480, Number: 48, Quality: fleet.Good}, {Quality: fleet.Missing}},
		}
	}
	if err := h.store.Append(t.Context(), big); err != nil {
		t.Fatal(err)
	}
	n, ended := 0, error(nil)
	for _, err := range h.client.Frames(t.Context(), store.Query{}) {
		if n++; n == 1 {
			if err := h.store.Close(); err != nil { // hangs if there is one
				t.Fatal(err)
			}
		}
		ended = err
	}
	if n >= 8640+len(big) || ended == nil || !strings.Contains(ended.Error(), "cut its answer short") {
		t.Errorf("%d frames came of a store that was closed, then %v", n, ended)
	}
}
