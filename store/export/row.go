package export

import (
	"time"

	"ringwarden/fleet"
	"ringwarden/store"
)

// A Raw is a row of raw values.
type Raw struct {
	Time       time.Time
	Controller string
	Point      string
	Quantity   string   // empty: the map gives none
	Unit       string   // base unit of Value
	Value      *float64 // nil: there is no good one
	Text       string   // of a text point; of a stage or a named value, its word
	Raw        uint64   // the register's own integer; signed ones as two's complement
	Quality    string

	number float64 // what Value points to
}

// set makes the row that of a frame's i-th value.
func (r *Raw) set(f *fleet.Frame, i int) {
	p, v := &f.Layout.Points[i], &f.Values[i]
	r.Time, r.Controller = f.At, string(f.Controller)
	r.Point, r.Quantity, r.Unit = p.Name, p.Quantity.String(), string(p.Unit)
	r.Value, r.Text, r.Raw, r.Quality = nil, v.Text, v.Raw, v.Quality.String()
	if v.Quality != fleet.Good {
		return
	}
	if r.Text == "" {
		r.Text = p.Word(v.Raw)
	}
	if p.Form != fleet.FormText {
		r.number = v.Number
		r.Value = &r.number
	}
}

// A Rollup is a row of rollups.
type Rollup struct {
	Controller, Point, Quantity, Unit string
	store.Rollup
	TotalUnit string // of Total; empty: the point has none
}

// set makes the row that of a bucket.
func (r *Rollup) set(id fleet.ControllerID, p *fleet.Point, b *store.Rollup) {
	*r = Rollup{
		Controller: string(id), Point: p.Name, Quantity: p.Quantity.String(), Unit: string(p.Unit),
		Rollup: *b, TotalUnit: totalUnit(p),
	}
}

// totalUnit says what a rollup's total is in.
func totalUnit(p *fleet.Point) string {
	switch {
	case p.Counter && p.Unit == fleet.Plain:
		return "count"
	case p.Counter:
		return string(p.Unit)
	case p.Unit == fleet.Watt:
		return string(fleet.Joule)
	}
	return ""
}
