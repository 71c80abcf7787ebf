package alerts

import (
	"time"

	"ringwarden/fleet"
)

// The kinds that are about this program's own store. Nothing in a frame tells of them: whoever keeps the frames
// reports, and the engine gives the report the life of any other alarm.
const (
	StoreBehind  fleet.Kind = "store-behind"
	StoreDamaged fleet.Kind = "store-damaged"
)

// A report is what was said last of the store.
type report struct {
	verdict Verdict // Unknown: nothing was said yet
	why     string
}

// Report says whether a condition of the program's own store holds, and why. It is judged at the next Advance, and
// holds until another report; a kind that is none of the store's is ignored.
func (e *Engine) Report(kind fleet.Kind, holds bool, why string) {
	r, ok := e.reports[kind]
	if !ok {
		return
	}
	*r = report{verdict: No}
	if holds {
		*r = report{verdict: Yes, why: fleet.Line(why, "no reason was given")}
	}
}

func (e *Engine) watchStore() {
	e.reports = map[fleet.Kind]*report{}
	for _, k := range []kindIndex{storeBehind, storeDamaged} {
		r := new(report)
		e.reports[detectors[k].info.Kind] = r
		e.watchOn(k, fleet.OwnStore, watch{site: &site{name: "the program's own store"}, report: r})
	}
}

func judgeReport(w asked, _ time.Time) finding { return finding{verdict: w.report.verdict} }

func storeBehindDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind:     StoreBehind,
			About:    "readings cannot be written to the disk and wait in memory",
			Subject:  "store",
			Priority: fleet.Medium,
		},
		judge: judgeReport,
		tell: func(w asked, _ time.Time) words {
			out := w.saying("readings cannot be written and wait in memory, where the oldest are dropped once there are too many: %s", w.report.why)
			out.advice = "Free some space on the disk, or see why it cannot be written to; what waits is written as soon as it can be. Polling and alarms go on meanwhile."
			return out
		},
	}
}

func storeDamagedDetector() *detector {
	return &detector{
		info: fleet.KindInfo{
			Kind:     StoreDamaged,
			About:    "a part of what was stored cannot be read any more",
			Subject:  "store",
			Priority: fleet.Medium,
		},
		judge: judgeReport,
		tell: func(w asked, _ time.Time) words {
			out := w.saying("a part of what was stored cannot be read any more: %s", w.report.why)
			out.advice = "Copy the store to another disk (ringwarden store backup), replace this one if it is worn or loses power often, and put the last good backup in place if the lost readings matter."
			return out
		},
	}
}
