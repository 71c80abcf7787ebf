package draw

import (
	"fmt"
	"strings"
	"time"

	"ringwarden/fleet"
)

// described is how many rows a description tells of: one that nobody can listen to the end of helps nobody.
const described = 12

// tell joins what the page says of a picture with what is drawn.
func tell(page string, drawn []string) string {
	if len(drawn) > described {
		drawn = append(drawn[:described:described], fmt.Sprintf("And %d more.", len(drawn)-described))
	}
	return strings.TrimSpace(page + " " + strings.Join(drawn, " "))
}

// hours writes a duration as people say it.
func hours(d time.Duration) string {
	d = d.Round(time.Minute)
	switch h, m := int(d.Hours()), int(d.Minutes())%60; {
	case h == 0:
		return fmt.Sprintf("%d min", m)
	case m == 0:
		return fmt.Sprintf("%d h", h)
	default:
		return fmt.Sprintf("%d h %d min", h, m)
	}
}

// describe tells how long each controller was in each stage.
func (s *Strip) describe() string {
	var out []string
	for i := range s.Rows {
		r := &s.Rows[i]
		var held [8]time.Duration
		for _, sp := range r.Spans {
			from, to := later(sp.From, s.From), earlier(sp.To, s.To)
			if int(sp.Stage) < len(held) && to.After(from) {
				held[sp.Stage] += to.Sub(from)
			}
		}
		var words []string
		for _, stage := range fleet.Stages {
			if held[stage] > 0 {
				words = append(words, stage.String()+" "+hours(held[stage]))
			}
		}
		if len(words) == 0 {
			words = []string{"no data"}
		}
		if r.Note != "" {
			words = append(words, fit(r.Note, 400, small))
		}
		out = append(out, fit(r.Name, 400, small)+": "+strings.Join(words, ", ")+".")
	}
	return tell(s.Desc, out)
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func (b *Bars) describe() string {
	out := make([]string, len(b.Items))
	for i, it := range b.Items {
		out[i] = fit(it.Name, 400, small) + ": " + it.words() + "."
	}
	return tell(b.Desc, out)
}

// words says the value, and what the matter is with it.
func (b *Bar) words() string {
	s := fit(b.Text, 400, small)
	if b.State != Calm {
		s += ", " + b.State.String()
	}
	return s
}

// describe tells the sum of each series.
func (co *Columns) describe() string {
	sums, unknown := make([]float64, len(co.Names)), 0
	for i := range co.Items {
		known := false
		for k, v := range co.Items[i].Parts[:min(len(co.Items[i].Parts), len(sums))] {
			if finite(v) {
				sums[k] += v
				known = true
			}
		}
		if !known {
			unknown++
		}
	}
	var out []string
	for k, name := range co.Names {
		out = append(out, strings.TrimSpace(fmt.Sprintf("%s %s %s", fit(name, 400, small), short(sums[k]), co.Unit))+" in all.")
	}
	if unknown > 0 {
		out = append(out, fmt.Sprintf("%d of %d without data.", unknown, len(co.Items)))
	}
	return tell(co.Desc, out)
}
