package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"ringwarden/fleet"
	"ringwarden/poller"
	"ringwarden/registermap"
)

func (a *app) mapCommand() *cobra.Command {
	return group("map", "Check register maps, and try them on a device",
		`A register map says which registers a controller has, how each is encoded and what it means. You write it from the
device's own documents; registermap/FORMAT.md describes it, and testdata/maps holds three to start from.`,
		a.mapCheckCommand(), a.mapReadCommand())
}

func (a *app) mapCheckCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "check FILE...",
		Short: "Check register maps and show how they will be read",
		Long: `Check register maps. All faults are shown at once, each with its place in the file. For a map without a fault, show
its points and the requests that each poll group needs.`,
		Example: "  ringwarden map check testdata/maps/larkspur.yaml",
		Args:    arguments(1, 1000, "one register map or more"),
		RunE: func(_ *cobra.Command, args []string) error {
			var faults []error
			for _, path := range args {
				m, err := readMap(path, os.ReadFile)
				if err != nil {
					faults = append(faults, otherFile(err, path, "sites", "it looks like a fleet file: ringwarden config check "+path))
					continue
				}
				if err := describeMap(a.out, m); err != nil {
					return err
				}
			}
			return errors.Join(faults...)
		},
	}
}

func describeMap(out io.Writer, m *registermap.Map) error {
	points := m.Points()
	fmt.Fprintf(out, "%s: %s: %s, no fault\n", m.File, m.Model, count(len(points), "point", "points"))
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "  POINT\tAT\tTYPE\tQUANTITY\tUNIT\tPOLL")
	for i := range points {
		p := &points[i]
		fmt.Fprintf(w, "  %s\t%s\t%s\t%s\t%s\t%s\n", p.Name, place(m, p), p.Type, orDash(p.Quantity.String()), orDash(string(p.Unit)), p.Group)
	}
	for _, g := range fleet.Groups {
		if plan := m.Plan(g); plan != nil {
			fmt.Fprintf(w, "  %s: %s: %s\n", g, count(len(plan.Blocks), "request", "requests"), blocks(m, plan))
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, gap := range m.Gaps() {
		fmt.Fprintf(out, "  note: %s\n", gap)
	}
	return nil
}

// place says where a point is, in the numbering of the user's file.
func place(m *registermap.Map, p *registermap.Point) string {
	return span(m, p.Table, p.Address, p.Length)
}

func blocks(m *registermap.Map, plan *registermap.Plan) string {
	names := make([]string, len(plan.Blocks))
	for i, b := range plan.Blocks {
		names[i] = span(m, b.Table, b.Start, b.Count)
	}
	return strings.Join(names, ", ")
}

func span(m *registermap.Map, t registermap.Table, start, n uint16) string {
	first := m.Where(t, start)
	if n <= 1 {
		return first
	}
	_, last, _ := strings.Cut(m.Where(t, start+n-1), " ")
	return first + "-" + last
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

func (a *app) mapReadCommand() *cobra.Command {
	var host string
	var unit uint8
	var timeout time.Duration
	c := &cobra.Command{
		Use:   "read FILE --host HOST[:PORT]",
		Short: "Read one device once and print every value beside its registers",
		Long: `Read every point of a register map from one device, once, and print the decoded values beside the registers that
they came from. Only the Modbus functions 01 to 04 are used: nothing in the device can change.

Addresses on the wire start at 0, many manuals count from 1. If the values look shifted by one register, see
'numbering' in registermap/FORMAT.md.`,
		Example: `  ringwarden simulate --map testdata/maps/larkspur.yaml --listen 127.0.0.1:15020
  ringwarden map read testdata/maps/larkspur.yaml --host 127.0.0.1:15020
  ringwarden map read my-map.yaml --host 192.0.2.7 --unit 3     behind a gateway`,
		Args: arguments(1, 1, "one register map"),
		RunE: func(c *cobra.Command, args []string) error {
			if host == "" {
				return hintedError{usageError{errors.New("map read wants the device's address")}, "as in --host 192.0.2.7"}
			}
			m, err := readMap(args[0], os.ReadFile)
			if err != nil {
				return err
			}
			return a.readDevice(c.Context(), m, withPort(host), unit, timeout)
		},
	}
	c.Flags().StringVar(&host, "host", "", "the device's address; the port is 502 if none is given")
	c.Flags().Uint8Var(&unit, "unit", fleet.DefaultUnit, "Modbus unit identifier, as in the fleet file; behind a gateway the device's own, from 1 to 247")
	c.Flags().DurationVar(&timeout, "timeout", 2*time.Second, "how long to wait for each answer")
	return c
}

func withPort(host string) string {
	if i := strings.LastIndexByte(host, ':'); i > strings.LastIndexByte(host, ']') && i >= 0 {
		return host
	}
	return host + ":502"
}

func (a *app) readDevice(ctx context.Context, m *registermap.Map, host string, unit uint8, timeout time.Duration) error {
	device := poller.Device{ID: "the device", Host: host, Unit: unit, Map: m}
	readings, err := poller.Read(ctx, poller.Config{Timeout: timeout}, device)
	if err != nil {
		return hintedError{err, "behind a gateway a device has a unit id of its own, as in --unit 1; and some devices take one connection at a time: does another client hold it?"}
	}
	return printReadings(a.out, m, readings)
}

// printReadings prints, group by group, each request with its registers and each point with its value.
func printReadings(out io.Writer, m *registermap.Map, readings []poller.GroupReading) error {
	points := map[string]*registermap.Point{}
	all := m.Points()
	for i := range all {
		points[all[i].Name] = &all[i]
	}
	for i := range readings {
		r := &readings[i]
		fmt.Fprintf(out, "%s: %s in %s\n", r.Frame.Group, r.Frame.Outcome, r.Frame.Took.Round(100*time.Microsecond))
		w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "  POINT\tVALUE\tAT\tREGISTERS")
		for k := range r.Frame.Values {
			p := points[r.Frame.Layout.Points[k].Name]
			fmt.Fprintf(w, "  %s\t%s\t%s\t%s\n", p.Name, valueText(&p.Point, &r.Frame.Values[k]), place(m, p), rawText(p, r.Replies))
		}
		if err := w.Flush(); err != nil {
			return err
		}
		for _, reply := range r.Replies {
			if reply.Err != nil {
				fmt.Fprintf(out, "  %s was not read: %v\n", span(m, reply.Block.Table, reply.Block.Start, reply.Block.Count), reply.Err)
			}
		}
	}
	return nil
}

// valueText says a value as a person would: with its unit, its word, or why there is none.
func valueText(p *fleet.Point, v *fleet.Value) string {
	text := ""
	switch {
	case v.Quality == fleet.Missing || v.Quality == fleet.Unreadable || v.Quality == fleet.Absent:
		return "(" + v.Quality.String() + ")"
	case p.Form == fleet.FormText:
		text = strconv.Quote(v.Text)
	case p.Quantity == fleet.QuantityStage && v.Quality == fleet.Good:
		text = fleet.Stage(v.Number).String()
	case len(p.Names) > 0:
		text = fmt.Sprintf("%d %s", v.Raw, p.Word(v.Raw))
	case len(p.Flags) > 0:
		text = fmt.Sprintf("%#x %s", v.Raw, strings.Join(flagWords(p, v.Raw), " "))
	default:
		text = numberText(v.Number, p.Unit)
	}
	if v.Quality != fleet.Good {
		text += " (" + v.Quality.String() + ")"
	}
	return text
}

// numberText says a number in base units in the unit that a device's own display would use.
func numberText(n float64, u fleet.Unit) string {
	switch u {
	case fleet.Joule:
		n, u = n/3.6e6, "kWh"
	case fleet.VoltPerCelsiusCell:
		n, u = n*1000, "mV/°C/cell"
	}
	return strings.TrimSpace(strconv.FormatFloat(n, 'g', 7, 64) + " " + string(u))
}

func flagWords(p *fleet.Point, raw uint64) []string {
	var words []string
	for _, f := range p.Flags {
		if raw>>f.Code&1 == 1 {
			words = append(words, f.Word)
		}
	}
	return words
}

// rawText returns the registers or bits of a point as they came over the wire.
func rawText(p *registermap.Point, replies []poller.Reply) string {
	for _, r := range replies {
		at := int(p.Address) - int(r.Block.Start)
		if r.Block.Table != p.Table || at < 0 || at+int(p.Length) > int(r.Block.Count) || r.Err != nil {
			continue
		}
		if len(r.Bits) > at {
			return strconv.FormatBool(r.Bits[at])
		}
		words := make([]string, 0, p.Length)
		for _, w := range r.Words[at : at+int(p.Length)] {
			words = append(words, fmt.Sprintf("%04X", w))
		}
		return strings.Join(words, " ")
	}
	return "-"
}
