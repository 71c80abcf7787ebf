package diagnosis

import (
	"fmt"
	"slices"
	"time"

	"ringwarden/fleet"
)

// day returns an instant as the sentences write it.
func (r *Ring) day(t time.Time) string { return t.In(r.Zone).Format("2006-01-02 15:04") }

// percent returns a share as the sentences write it.
func percent(share float64) string {
	if share >= 0.1 {
		return fmt.Sprintf("%.0f %%", 100*share)
	}
	return fmt.Sprintf("%.2g %%", 100*share)
}

// telling is how much an event must say for a hypothesis, as the logarithm of a likelihood ratio, to be told.
const telling = 0.5

// tell returns the evidence for, and against, a hypothesis in sentences.
func (r *Ring) tell(h *hypothesis, traces []trace, usual float64) []string {
	var said []string
	if s := r.tellFrames(h, usual); s != "" {
		said = append(said, s)
	}
	counted, shown := 0, 0
	for k := len(traces) - 1; k >= 0; k-- {
		t := &traces[k]
		gain := t.logs[h.place][h.at(t.at)] - t.plain
		if gain < telling || !slices.Contains(t.e.part, Remained) {
			continue
		}
		if counted++; shown < 3 {
			shown++
			said = append(said, r.tellEvent(h, t))
		}
	}
	if counted > shown {
		said = append(said, fmt.Sprintf("%s say the same.", fleet.Count(counted-shown, "earlier message")))
	}
	u := &r.units[h.unit]
	if twin := r.twin(h.unit); h.place == unitApart && twin != "" {
		said = append(said, fmt.Sprintf("%s and %s report the same ring address, %g: that alone may keep words from it. Give one of them another first.", u.name, twin, u.address))
	}
	switch {
	case h.place == unitApart && u.enabled == isFalse:
		said = append(said, u.name+" itself reports that it takes no part in the ring.")
	case h.place == unitHeedless && counted > 0:
		said = append(said, "Look whether "+u.name+" is set to stay on at a shared trip.")
	case h.place == unitDead && u.missed > 0:
		said = append(said, fmt.Sprintf("%s has not answered since %s.", u.name, r.day(u.answered)))
	}
	return said
}

// twin returns the name of another unit with the same ring address; empty: there is none, or it is not read.
func (r *Ring) twin(i int) string {
	for k := range r.units {
		if u := &r.units[k]; k != i && u.address != 0 && u.address == r.units[i].address {
			return u.name
		}
	}
	return ""
}

// tellFrames says what was counted on a cable since it may have gone bad.
func (r *Ring) tellFrames(h *hypothesis, usual float64) string {
	w := h.wire
	if h.place.ofUnit() || len(w.batches) == 0 {
		return ""
	}
	gains := h.counts[h.place]
	best := 0
	for i, g := range gains[:len(gains)-1] {
		if g > gains[best] {
			best = i
		}
	}
	var bad, absent, n float64
	for i := range w.batches[best:] {
		b := &w.batches[best+i]
		_, all := b.spoilt()
		bad, absent, n = bad+b.bad, absent+b.absent, n+all
	}
	if n == 0 {
		return ""
	}
	what := "frames"
	if w.by != byCounters {
		what = "samples"
	}
	link := r.links[r.into[h.unit]]
	line := fmt.Sprintf("from %s to %s", r.units[link.From].name, r.units[link.To].name)
	if into, moved := r.whereNow(h.unit); moved && h.stays != nil {
		line += ", and since the swap " + r.cableName(r.into[into]) + ","
	}
	if gains[best] < telling {
		return fmt.Sprintf("The %s counted %s speak against it: %s of %.0f bad or missing, %s are usual in this ring.", what, line,
			percent((bad+absent)/n), n, percent(usual))
	}
	if bad == 0 && absent > 0.99*n {
		return fmt.Sprintf("Since about %s, nothing has come %s: about %.0f %s were due (usual in this ring: %s bad or missing).",
			r.day(w.batches[best].since), line, absent, what, percent(usual))
	}
	lost := ""
	if absent >= 1 {
		lost = fmt.Sprintf(" and about %.0f did not come", absent)
	}
	return fmt.Sprintf("Since about %s, %.0f of %.0f %s %s were bad%s (%s; usual in this ring: %s).",
		r.day(w.batches[best].since), bad, n, what, line, lost, percent((bad+absent)/n), percent(usual))
}

// tellEvent says what an event has to do with a hypothesis: who had the message last, and who did not get it.
func (r *Ring) tellEvent(h *hypothesis, t *trace) string {
	unit := h.at(t.at)
	u := r.units[unit].name
	var missing []string
	n := len(r.units)
	for i := range n {
		if k := (unit + i) % n; t.e.part[k] == Remained {
			missing = append(missing, r.units[k].name)
		}
	}
	before := "nobody"
	for up, hops := unit, 1; hops < n; hops++ {
		var ok bool
		if up, ok = r.upstream(up); !ok {
			break
		}
		if t.e.part[up] == Followed || up == t.e.source {
			before = r.units[up].name
			break
		}
	}
	when := r.day(t.at)
	if h.place == unitApart || h.place == unitHeedless {
		switch t.what {
		case "temperature":
			if unit == t.e.source {
				return fmt.Sprintf("%s has the temperature sensor, and does not share it: %s has another value.", u, fleet.List(missing))
			}
			return u + " does not use the reference's temperature, though units behind it do."
		case "trip":
			if unit == t.e.source {
				return fmt.Sprintf("%s tripped on %s, and does not share it: %s did not stop.", u, when, fleet.List(missing))
			}
			if slices.Contains(t.e.part, Followed) {
				return fmt.Sprintf("At the trip of %s, %s did not stop, though others did.", when, u)
			}
			return fmt.Sprintf("At the trip of %s, %s did not stop.", when, u)
		}
		return fmt.Sprintf("%s did not follow into %s on %s, though others on its way did.", u, t.call.Stage, when)
	}
	switch t.what {
	case "temperature":
		return fmt.Sprintf("%s has the reference's temperature, and behind this place %s does not.", before, fleet.List(missing))
	case "trip":
		return fmt.Sprintf("The trip of %s reached %s, and not %s.", when, before, fleet.List(missing))
	}
	return fmt.Sprintf("The %s call of %s got as far as %s, and %s did not follow.", t.call.Stage, when, before, fleet.List(missing))
}
