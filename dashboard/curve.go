package dashboard

import (
	"context"
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"time"

	"ringwarden/dashboard/draw"
	"ringwarden/fleet"
	"ringwarden/store"
)

// A curveView is a curve over a chosen time.
type curveView struct {
	Point, Name string
	Past        string // as it was asked for; empty: from and to were
	Points      []pointChoice
	Spans       []spanChoice
	From, To    string // as a date and time field has them
	Moves       []moveChoice
	CSV, About  string
	Picture     template.HTML
	Empty       bool
}

type pointChoice struct {
	Point, Name string
	Chosen      bool
}

type spanChoice struct {
	Name, Link string
	Chosen     bool
}

// A moveChoice is a period beside the one that is shown. Its ID is that of its link, which keys press.
type moveChoice struct{ ID, Word, Link string }

// fieldTime is how a date and time field writes an instant.
const fieldTime = "2006-01-02T15:04"

// spansOffered are the periods that one click gives.
var spansOffered = []struct {
	past, name string
	span       time.Duration
}{
	{"3h", "3 hours", 3 * time.Hour},
	{"24h", "a day", 24 * time.Hour},
	{"7d", "a week", 7 * 24 * time.Hour},
	{"31d", "a month", 31 * 24 * time.Hour},
	{"366d", "a year", 366 * 24 * time.Hour},
}

// Limits of a curve: what it may cover, and how many points it is given. Up to rawSpan it is of single readings,
// beyond that of rollups.
const (
	shortestCurve = time.Minute
	longestCurve  = 20 * 366 * 24 * time.Hour
	curvePoints   = 800
	rawSpan       = 4 * time.Hour
)

// A period is the time that a curve is of.
type period struct {
	from, to time.Time
	past     string // as it was asked for; empty: from and to were
}

// periodOf reads ?past, or ?from and ?to, by the site's own clock. Without a word it is the last day.
func periodOf(q url.Values, now time.Time, zone *time.Location) (period, error) {
	if from := q.Get("from"); from != "" {
		p := period{to: now}
		var err error
		if p.from, err = parseInstant("from", from, zone); err != nil {
			return period{}, err
		}
		if to := q.Get("to"); to != "" {
			if p.to, err = parseInstant("to", to, zone); err != nil {
				return period{}, err
			}
		}
		if span := p.to.Sub(p.from); span < shortestCurve || span > longestCurve {
			return period{}, refusal{fmt.Errorf("from and to are %s apart; choose a minute or more, and 20 years at most", lasted(span))}
		}
		return p, nil
	}
	past := q.Get("past")
	if past == "" {
		past = "24h"
	}
	for _, s := range spansOffered {
		if s.past == past {
			return period{now.Add(-s.span), now, past}, nil
		}
	}
	return period{}, refusal{fmt.Errorf("past=%q is none of 3h, 24h, 7d, 31d and 366d; any other period goes by from and to", past)}
}

func parseInstant(name, text string, zone *time.Location) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	if t, err := time.ParseInLocation(fieldTime, text, zone); err == nil {
		return t, nil
	}
	return time.Time{}, refusal{fmt.Errorf("%s=%q is no instant; write 2026-03-01T12:00 by the site's clock, or 2026-03-01T12:00:00Z", name, text)}
}

// curve reads a point's values over a period: single readings if it is short, else rollups of the finest step that
// gives no more points than a picture can show.
func (s *server) curve(ctx context.Context, u *unit, point string, p period) (draw.Series, *fleet.Point, error) {
	series := draw.Series{}
	if s.Journal == nil {
		return series, u.pointNamed(point), nil
	}
	if p.to.Sub(p.from) <= rawSpan {
		of := u.pointNamed(point)
		for v, err := range s.Journal.Samples(ctx, u.c.ID, point, p.from, p.to) {
			if err != nil {
				return series, nil, err
			}
			if of = v.Point; v.Quality == fleet.Good {
				series.Points = append(series.Points, draw.Point{At: v.At, Value: v.Number})
			}
		}
		return series, of, nil
	}
	series.Band = true
	step := store.ResolutionFor(p.to.Sub(p.from), curvePoints)
	for v, err := range s.Journal.Rollups(ctx, u.c.ID, point, step, p.from, p.to) {
		if err != nil {
			return series, nil, err
		}
		if v.Count > 0 {
			series.Every = v.End.Sub(v.Start)
			series.Points = append(series.Points, draw.Point{At: v.Start.Add(v.End.Sub(v.Start) / 2), Value: v.Mean, Low: v.Min, High: v.Max})
		}
	}
	return series, u.pointNamed(point), nil
}

// pointNamed returns a point of the newest frames, nil if they have none of that name.
func (u *unit) pointNamed(name string) *fleet.Point {
	for g := range u.groups {
		if l := u.groups[g].layout; l != nil {
			if i, ok := l.Named(name); ok {
				return &l.Points[i]
			}
		}
	}
	return nil
}

func (s *server) curveView(v *visit, site *fleet.Site, u *unit) (*curveView, error) {
	d := &curveView{Point: v.get("point")}
	readings := u.readings()
	for i := range readings {
		if p := readings[i].point; curved(p) {
			d.Points = append(d.Points, pointChoice{p.Name, label(p), false})
		}
	}
	if len(d.Points) == 0 {
		return nil, nil
	}
	if d.Point == "" {
		d.Point = u.point(fleet.OutputPower)
	}
	i := slices.IndexFunc(d.Points, func(p pointChoice) bool { return p.Point == d.Point })
	if i < 0 {
		return nil, refusal{fmt.Errorf("%s has no point %q that makes a curve", u.c.Name, d.Point)}
	}
	d.Points[i].Chosen, d.Name = true, d.Points[i].Name
	p, err := periodOf(v.query, v.now, site.Zone)
	if err != nil {
		return nil, err
	}
	series, of, err := s.curve(v.ctx, u, d.Point, p)
	if err != nil {
		return nil, fmt.Errorf("reading the curve: %w", err)
	}
	d.Past = p.past
	d.choices(p, v.now, site.Zone, u.c.ID)
	d.Empty = len(series.Points) == 0
	d.draw(series, of, p, v.now, site.Zone)
	return d, nil
}

// choices fills in the periods that can be had from here. Their addresses say them to the second, so that they can be
// shared.
func (d *curveView) choices(p period, now time.Time, zone *time.Location, id fleet.ControllerID) {
	span := p.to.Sub(p.from)
	move := func(word string, from, to time.Time) {
		if over := to.Sub(now); over > 0 && to.Sub(from) > span { // wider, and beyond now: what lies before is more use
			from, to = from.Add(-over), now
		}
		q := url.Values{"point": {d.Point}, "from": {from.UTC().Format(time.RFC3339)}, "to": {to.UTC().Format(time.RFC3339)}}
		d.Moves = append(d.Moves, moveChoice{"curve-" + word, word, "?" + q.Encode() + "#curve"})
	}
	move("earlier", p.from.Add(-span), p.from)
	if p.to.Before(now) {
		move("later", p.to, p.to.Add(span))
	}
	if span/2 >= shortestCurve {
		move("narrower", p.from.Add(span/4), p.to.Add(-span/4))
	}
	if span*2 <= longestCurve {
		move("wider", p.from.Add(-span/2), p.to.Add(span/2))
	}
	d.From, d.To = p.from.In(zone).Format(fieldTime), p.to.In(zone).Format(fieldTime)
	for _, s := range spansOffered {
		d.Spans = append(d.Spans, spanChoice{s.name, "?" + url.Values{"point": {d.Point}, "past": {s.past}}.Encode() + "#curve", s.past == p.past})
	}
	d.CSV = "/curves/" + string(id) + "?" + url.Values{
		"point": {d.Point}, "from": {p.from.UTC().Format(time.RFC3339)}, "to": {p.to.UTC().Format(time.RFC3339)},
	}.Encode()
}

func (d *curveView) draw(series draw.Series, of *fleet.Point, p period, now time.Time, zone *time.Location) {
	unit := fleet.Plain
	if of != nil {
		unit = of.Unit
	}
	scale, word := shownUnit(unit)
	for i := range series.Points {
		pt := &series.Points[i]
		pt.Value, pt.Low, pt.High = pt.Value*scale, pt.Low*scale, pt.High*scale
	}
	series.Unit = word
	d.About = "single readings"
	if series.Band {
		d.About = "means with the least and the greatest reading, in steps of " + lasted(series.Every)
	}
	d.Picture = draw.Both(narrow, wide, func(width int, ending string) template.HTML {
		return draw.Chart{
			ID: "curve" + ending, Title: d.Name, Desc: sentence("from " + clock(p.from, now, zone) + " to " + clock(p.to, now, zone) + ": " + d.About),
			From: p.from, To: p.to, Now: now, Zone: zone, Width: width, Height: 280, Unit: word, Lines: []draw.Series{series},
		}.SVG()
	})
}

// shownUnit returns the unit in which a curve is drawn, and what a base unit is multiplied by.
func shownUnit(u fleet.Unit) (float64, string) {
	switch u {
	case fleet.Joule:
		return 1 / 3.6e6, "kWh"
	case fleet.Coulomb:
		return 1.0 / 3600, "Ah"
	case fleet.Second:
		return 1.0 / 60, "min"
	case fleet.VoltPerCelsiusCell:
		return 1000, "mV/°C/cell"
	case fleet.Ratio:
		return 100, "%"
	}
	return 1, string(u)
}
