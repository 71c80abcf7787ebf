package dashboard

import (
	"bufio"
	"context"
	"encoding/csv"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"ringwarden/dashboard/draw"
	"ringwarden/fleet"
)

// Limits of a CSV: up to which span it has the single readings, and how many lines it has: two months of readings every
// ten seconds.
const (
	csvRawSpan = 31 * 24 * time.Hour
	maxRows    = 600_000
)

// curveCSV answers with a curve's single readings: /curves/SITE/RING/CONTROLLER?point=P&from=F&to=T, instants in UTC,
// numbers in base units. Of a longer time it is the rollups of the picture.
func (s *server) curveCSV(w http.ResponseWriter, r *http.Request) {
	id := fleet.ControllerID(r.PathValue("site") + "/" + r.PathValue("ring") + "/" + r.PathValue("controller"))
	site, _, c := findController(s.Live.plan(), id)
	if c == nil {
		problem(w, http.StatusNotFound, fmt.Sprintf("the fleet has no controller %q", id))
		return
	}
	p, err := periodOf(r.URL.Query(), s.Now(), site.Zone)
	if err != nil {
		problem(w, http.StatusBadRequest, err.Error())
		return
	}
	u := s.Live.look([]fleet.Controller{*c})[0]
	point := r.URL.Query().Get("point")
	raw := s.Journal != nil && p.to.Sub(p.from) <= csvRawSpan
	var series draw.Series
	var of *fleet.Point
	rows := 0
	if raw {
		rows, of, err = s.countReadings(r.Context(), &u, point, p)
	} else {
		series, of, err = s.curve(r.Context(), &u, point, p)
	}
	switch {
	case err != nil:
		problem(w, http.StatusInternalServerError, fmt.Sprintf("reading the curve: %v", err))
		return
	case of == nil:
		problem(w, http.StatusNotFound, fmt.Sprintf("%s has no point %q", id, point))
		return
	case rows > maxRows:
		problem(w, http.StatusRequestEntityTooLarge, fmt.Sprintf("that would be %d lines; ask for a shorter time", rows))
		return
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", c.ID.Slug()+"-"+fileName(point)+".csv"))
	writeHead(w, of, series.Band)
	if !raw {
		writePoints(w, series)
	} else if s.writeReadings(r.Context(), w, id, point, p) != nil {
		panic(http.ErrAbortHandler) // net/http's own way to cut a connection: half a table must not look like a whole one
	}
}

// fileName keeps what every file system takes.
func fileName(s string) string {
	b := []byte(s)
	for i, c := range b {
		switch {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9':
		default:
			b[i] = '_'
		}
	}
	return string(b[:min(len(b), 60)])
}

// countReadings returns how many good readings a period has, and what the last reading is of.
func (s *server) countReadings(ctx context.Context, u *unit, point string, p period) (n int, of *fleet.Point, err error) {
	of = u.pointNamed(point)
	for v, err := range s.Journal.Samples(ctx, u.c.ID, point, p.from, p.to) {
		if err != nil {
			return 0, nil, err
		}
		if of = v.Point; v.Quality == fleet.Good {
			n++
		}
	}
	return n, of, nil
}

// writeHead writes the first line, in the form of RFC 4180.
func writeHead(w http.ResponseWriter, of *fleet.Point, band bool) {
	name := of.Name
	if of.Unit != fleet.Plain {
		name += " (" + string(of.Unit) + ")"
	}
	head := []string{"time", name}
	if band {
		head = append(head, "least", "greatest")
	}
	out := csv.NewWriter(w)
	out.UseCRLF = true
	_ = out.Write(head) // a reader that has gone needs no answer; so below
	out.Flush()
}

// writeReadings writes the good readings of a period as they are read. To hold a month of them first would take more
// memory than all else in the daemon; so they are read twice, once to count them.
func (s *server) writeReadings(ctx context.Context, w http.ResponseWriter, id fleet.ControllerID, point string, p period) error {
	out := bufio.NewWriter(w)
	var line []byte
	for v, err := range s.Journal.Samples(ctx, id, point, p.from, p.to) {
		if err != nil {
			return err
		}
		if v.Quality == fleet.Good {
			line = appendLine(line[:0], v.At, v.Number)
			_, _ = out.Write(line)
		}
	}
	_ = out.Flush()
	return nil
}

// writePoints writes the points of a curve.
func writePoints(w http.ResponseWriter, series draw.Series) {
	out := bufio.NewWriter(w)
	var line []byte
	for _, p := range series.Points {
		numbers := []float64{p.Value, p.Low, p.High}
		if !series.Band {
			numbers = numbers[:1]
		}
		line = appendLine(line[:0], p.At, numbers...)
		_, _ = out.Write(line)
	}
	_ = out.Flush()
}

// appendLine appends a line of RFC 4180. Instants and numbers need no quotes.
func appendLine(b []byte, at time.Time, numbers ...float64) []byte {
	b = at.UTC().AppendFormat(b, time.RFC3339Nano)
	for _, n := range numbers {
		b = strconv.AppendFloat(append(b, ','), n, 'g', -1, 64)
	}
	return append(b, '\r', '\n')
}
