package dashboard

import (
	"html/template"
	"math"
	"strconv"
	"time"

	"ringwarden/dashboard/draw"
	"ringwarden/store"
)

// paper is the width of a report's pictures: of a page of A4 or Letter between its margins, so that their text keeps its
// size there.
const paper = 700

// columns draws the energy of each hour, day or month, by source.
func (d *reportPage) columns(r *siteReport) {
	zone, span := r.site.Zone, r.span
	floor, next, label := dayColumns(zone)
	d.ColumnsOf = "day"
	switch {
	case span.step == store.FiveMinutes:
		d.ColumnsOf = "hour"
		floor = func(t time.Time) time.Time { return floorTo(t, time.Hour, zone) }
		next = func(t time.Time) time.Time { return t.Add(time.Hour) }
		label = func(t time.Time) string { return t.In(zone).Format("15:04") }
	case span.to.Sub(span.from) > 62*24*time.Hour:
		d.ColumnsOf = "month"
		floor = func(t time.Time) time.Time {
			t = t.In(zone)
			return midnight(time.Date(t.Year(), t.Month(), 1, 12, 0, 0, 0, zone), zone)
		}
		next = func(t time.Time) time.Time { return midnight(t.AddDate(0, 1, 0).Add(12*time.Hour), zone) }
		label = func(t time.Time) string { return t.In(zone).Format("Jan") }
	}
	var items []draw.Column
	index := map[int64]int{}
	for at := floor(span.from); at.Before(span.until); at = next(at) {
		parts := make([]float64, len(r.units))
		for i := range parts {
			parts[i] = math.NaN()
		}
		index[at.Unix()] = len(items)
		items = append(items, draw.Column{Label: label(at), Parts: parts})
	}
	names := make([]string, len(r.units))
	for i := range r.units {
		names[i] = r.units[i].c.Name
		for _, b := range r.units[i].buckets {
			if k, ok := index[floor(b.start).Unix()]; ok {
				part := &items[k].Parts[i]
				if math.IsNaN(*part) {
					*part = 0
				}
				*part += max(0, b.joules/3.6e6)
			}
		}
	}
	d.Columns = draw.Both(narrow, paper, func(width int, ending string) template.HTML {
		return draw.Columns{
			ID: "energy" + ending, Title: "Energy of each " + d.ColumnsOf, Desc: "By source, one upon the other; hatched where nothing was read.",
			Width: width, Height: 220, Unit: "kWh", Names: names, Items: items,
		}.SVG()
	})
}

func dayColumns(zone *time.Location) (floor, next func(time.Time) time.Time, label func(time.Time) string) {
	return func(t time.Time) time.Time { return midnight(t, zone) },
		func(t time.Time) time.Time { return midnight(t.Add(36*time.Hour), zone) },
		func(t time.Time) string {
			if t = t.In(zone); t.Day() == 1 {
				return t.Format("2 Jan")
			}
			return strconv.Itoa(t.Day())
		}
}
