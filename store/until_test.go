package store

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ringwarden/fleet"
)

// An alarm that is shelved keeps its end over a restart; one without an end is written as it always was.
func TestAlarmKeepsItsEnd(t *testing.T) {
	at := time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)
	plain := fleet.Alarm{AlarmKey: fleet.AlarmKey{Kind: "link-down", Subject: "mill/north/a>b"}, State: fleet.Unacknowledged, Since: at, Raised: at}
	shelved := plain
	shelved.State, shelved.Until = fleet.Shelved, at.Add(time.Hour)
	for _, a := range []fleet.Alarm{plain, shelved} {
		body := appendStanding(nil, &a)
		got, ok := decodeStanding(body)
		if diff := cmp.Diff(a, got); !ok || diff != "" {
			t.Errorf("decoded %v (-want +got):\n%s", ok, diff)
		}
	}
	if n, m := len(appendStanding(nil, &plain)), len(appendStanding(nil, &shelved)); m != n+9 {
		t.Errorf("an end takes %d bytes, want the 9 of a time", m-n)
	}
	if _, ok := decodeStanding(appendStanding(nil, &shelved)[:len(appendStanding(nil, &plain))+4]); ok {
		t.Error("half an end was taken for whole")
	}
}
