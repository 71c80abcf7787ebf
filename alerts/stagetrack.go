package alerts

import (
	"time"

	"ringwarden/fleet"
)

// A stageTrack is what is known of a controller's stage. Polls show a stage at instants; when it changed is known
// only as an interval: after the last frame with the old one, at or before the first with the new one.
type stageTrack struct {
	is     fleet.Stage   // as last seen; unknown: not seen yet
	at     time.Time     // newest frame that showed a stage
	period time.Duration // of the polls that show it
	was    fleet.Stage   // the stage before; unknown: not seen
	before time.Time     // last frame that showed the stage before; zero: not seen
	first  time.Time     // first frame that showed the stage it is in
	able   time.Time     // first frame of the unbroken run in which it was awake; zero: it is not awake
	offAt  time.Time     // newest frame that showed it off
	in     [2]time.Time  // newest frame that showed it in float, in equalize
}

// coordinated are the stages that travel round the ring, in the order of stageTrack.in.
var coordinated = [2]fleet.Stage{fleet.Float, fleet.Equalize}

// awake reports whether a controller in the stage charges, or would with more input, and so follows calls.
func awake(s fleet.Stage) bool { return s >= fleet.Bulk && s <= fleet.Equalize }

func (t *stageTrack) see(s fleet.Stage, at time.Time, period time.Duration) {
	gap := !t.at.IsZero() && at.Sub(t.at) > missable*period+patience
	if s != t.is || t.first.IsZero() {
		t.was, t.before, t.first = t.is, t.at, at
		if gap { // anything may have happened in between
			t.was, t.before = fleet.StageUnknown, time.Time{}
		}
	}
	switch {
	case !awake(s):
		t.able = time.Time{}
	case gap || t.able.IsZero():
		t.able = at
	}
	t.is, t.at, t.period = s, at, period
	switch s {
	case fleet.Off:
		t.offAt = at
	case fleet.Float:
		t.in[0] = at
	case fleet.Equalize:
		t.in[1] = at
	}
}
