package dashboard

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"ringwarden/diagnosis"
	"ringwarden/fleet"
)

// weigh puts what was found into words.
func (d *cablesPage) weigh(v *visit, site *fleet.Site, ring *fleet.Ring, found *findings) {
	d.Level = "unknown"
	switch {
	case found == nil:
		d.Verdict = "The stored readings are being weighed; what they say comes here within seconds."
		return
	case found.err != nil && found.at.IsZero():
		d.Verdict = sentence("The stored readings could not be read: " + found.err.Error())
		return
	case found.at.IsZero():
		d.Verdict = "No readings of this ring are stored yet; the first are within a minute or so."
	default:
		d.judge(v, site, ring, found)
	}
	for i := range found.calls {
		d.Calls = append(d.Calls, callLine(&found.calls[i], ring, v.now, site.Zone))
	}
	if t := found.diagnosis.Tested; t != nil {
		d.Swap = &swapView{
			clock(t.At, v.now, site.Zone), sentenceCase(v.nameOf(fleet.Subject(t.Here))), v.nameOf(fleet.Subject(t.There)),
			sentenceCase(t.Verdict.String()), t.Sentence, t.Verdict == diagnosis.NotYet,
		}
	}
}

// leastTold is the smallest probability of a suspect that the page lists.
const leastTold = 0.02

func (d *cablesPage) judge(v *visit, site *fleet.Site, ring *fleet.Ring, found *findings) {
	r := &found.diagnosis
	d.Age = fmt.Sprintf("Weighed from the readings of %s up to %s.", lasted(found.at.Sub(found.from)), clock(found.at, v.now, site.Zone))
	if old := v.now.Sub(found.at); old > time.Minute {
		d.Age = strings.TrimSuffix(d.Age, ".") + ", " + lasted(old) + " ago."
	}
	if found.err != nil {
		d.Age += " " + sentence("Newer ones could not be read: "+found.err.Error())
	}
	top := 0.0
	for i := range r.Suspects {
		s := &r.Suspects[i]
		if s.Probability < leastTold {
			continue
		}
		top = max(top, s.Probability)
		d.Suspects = append(d.Suspects, v.suspectView(site, s))
	}
	switch {
	case top > 0.5:
		d.Level, d.Verdict = "medium", "Something is wrong in this ring, most likely "+d.likely(r)+"."
	case r.Sound > 0.5:
		d.Level, d.Verdict = "calm", "Nothing seems wrong with the cables of this ring ("+chance(r.Sound)+")."
	case !r.Enough:
		d.Verdict = "There is not enough evidence yet to say how the cables of this ring are."
	default:
		d.Level, d.Verdict = "low", "Something may be wrong in this ring; no one suspect is likelier than all others together."
	}
	for _, line := range []string{r.Needs, r.Swap} {
		if line != "" {
			d.Advice = append(d.Advice, line)
		}
	}
}

// likely names those suspects that are likelier than not.
func (d *cablesPage) likely(r *diagnosis.Diagnosis) string {
	var names []string
	for i := range d.Suspects {
		if r.Suspects[i].Probability > 0.5 {
			names = append(names, d.Suspects[i].Name)
		}
	}
	return joined(names)
}

func (v *visit) suspectView(site *fleet.Site, s *diagnosis.Suspect) suspectView {
	w := suspectView{
		Word: s.What.String(), Chance: chance(s.Probability), Percent: int(math.Round(100 * s.Probability)), Evidence: s.Evidence,
		Name: v.nameOf(fleet.Subject(s.Link)),
	}
	if s.What != diagnosis.BadCable {
		w.Name = v.nameOf(fleet.Subject(s.Unit))
	} else if s.How != "" {
		w.Word = s.How
	}
	if s.Now != "" { // a swap says more of it
		w.Name = "the " + s.Name
	}
	w.Title = sentenceCase(w.Name)
	if !s.From.IsZero() {
		w.Since = "It began between " + clock(s.From, v.now, site.Zone) + " and " + clock(s.To, v.now, site.Zone) + "."
	}
	return w
}

// chance writes a probability: never certainty, which nobody has.
func chance(p float64) string {
	switch {
	case p > 0.99:
		return "over 99\u00a0%"
	case p < 0.01:
		return "under 1\u00a0%"
	}
	return strconv.Itoa(int(math.Round(100*p))) + "\u00a0%"
}

// A callRow is a call that was seen.
type callRow struct{ At, Stage, Way, Missing string }

func callLine(c *diagnosis.Call, ring *fleet.Ring, now time.Time, zone *time.Location) callRow {
	name := func(id fleet.ControllerID) string {
		for i := range ring.Controllers {
			if ring.Controllers[i].ID == id {
				return lineName(&ring.Controllers[i])
			}
		}
		return string(id)
	}
	row := callRow{At: clock(c.From, now, zone), Stage: c.Stage.String(), Missing: "all that could"}
	var way, missing []string
	for _, s := range c.Steps {
		way = append(way, name(s.Unit))
	}
	for _, id := range c.Missing {
		missing = append(missing, name(id))
	}
	row.Way = strings.Join(way, " → ")
	if len(missing) > 0 {
		row.Missing = "not " + joined(missing)
	}
	return row
}
