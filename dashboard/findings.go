package dashboard

import (
	"context"
	"errors"
	"slices"
	"time"

	"ringwarden/diagnosis"
	"ringwarden/fleet"
)

// Findings are what a study says of a ring at an instant. They never change.
type findings struct {
	at        time.Time // up to here readings were weighed; zero: there are none
	from      time.Time // and from here on
	diagnosis diagnosis.Diagnosis
	why       map[fleet.LinkID]diagnosis.Why
	calls     []diagnosis.Call // the newest first
	heat      map[fleet.LinkID]*heatMap
	swap      *swapFinding // of the newest swap that is written down; nil: none is
	err       error
}

// callsShown is how many calls are shown: the newest ones.
const callsShown = 8

// find says what the readings so far mean.
func (st *study) find() *findings {
	f := &findings{
		at: st.weighed.Newest(), from: st.first, diagnosis: st.weighed.Diagnose(), why: map[fleet.LinkID]diagnosis.Why{},
		heat: st.heat.maps, swap: st.swap.found,
	}
	for _, l := range st.ring.Links() {
		f.why[l.ID] = st.weighed.Why(l.ID)
	}
	f.calls = st.weighed.Calls()
	slices.Reverse(f.calls)
	f.calls = f.calls[:min(len(f.calls), callsShown)]
	return f
}

// fail returns what was found before, with what went wrong since; nil if that is no more than that the program ends.
func (st *study) fail(err error) *findings {
	if errors.Is(err, context.Canceled) {
		return nil
	}
	f := findings{}
	if st.found != nil {
		f = *st.found
	}
	f.err = err
	return &f
}

// A swapStudy compares what was counted before and after the newest swap of cables.
type swapStudy struct {
	note                fleet.Note
	here, there         fleet.LinkID
	before, beforeThere diagnosis.Tally
	after               *diagnosis.Ring
	read                time.Time
	found               *swapFinding
}

// A swapFinding is what a swap has shown so far.
type swapFinding struct {
	at          time.Time
	here, there fleet.LinkID
	result      diagnosis.SwapResult
}

// swapBefore is how much of the time before a swap is compared with the time after it, and swapBack how old a swap may be:
// what is not known by then is not waited for.
const (
	swapBefore = 24 * time.Hour
	swapBack   = 30 * 24 * time.Hour
)

// update takes up the newest swap that is written down and weighs what has been counted since.
func (w *swapStudy) update(ctx context.Context, s *Studies, st *study, now time.Time) {
	note, ok := s.newestSwap(ctx, st.ring, now)
	if !ok {
		*w = swapStudy{}
		return
	}
	if w.after == nil || !w.note.At.Equal(note.At) || w.note.Text != note.Text {
		*w = swapStudy{note: note, after: st.memory(), read: note.At}
		w.here, w.there, _ = diagnosis.ReadSwapNote(note.Text)
		before := st.memory()
		from := note.At.Add(-swapBefore)
		if y := st.weighed.Why(w.here); y.Changed && y.At.After(from) && y.At.Before(note.At) {
			from = y.At // the trouble is what is looked for, not the good time before it
		}
		if st.read(ctx, s, before, from, note.At) != nil {
			w.after = nil // to be begun anew
			return
		}
		w.before = before.Count(w.here, time.Time{}, note.At)
		w.beforeThere = before.Count(w.there, time.Time{}, note.At)
	}
	if st.read(ctx, s, w.after, w.read, now) != nil {
		return
	}
	if newest := w.after.Newest(); !newest.IsZero() {
		w.read = newest
	}
	end := now.Add(time.Hour)
	here, there := w.after.Count(w.here, time.Time{}, end), w.after.Count(w.there, time.Time{}, end)
	w.found = &swapFinding{
		note.At, w.here, w.there, diagnosis.Swap(w.before, here, w.beforeThere, there),
	}
}

// newestSwap finds the newest note that says that two cables of a ring were swapped.
func (s *Studies) newestSwap(ctx context.Context, ring *fleet.Ring, now time.Time) (found fleet.Note, ok bool) {
	links := ring.Links()
	known := func(id fleet.LinkID) bool {
		return slices.ContainsFunc(links, func(l fleet.Link) bool { return l.ID == id })
	}
	for n, err := range s.journal.Notes(ctx, now.Add(-swapBack), now.Add(time.Nanosecond)) {
		if err != nil {
			return found, ok
		}
		if here, there, is := diagnosis.ReadSwapNote(n.Text); is && known(here) && known(there) {
			found, ok = n, true
		}
	}
	return found, ok
}
