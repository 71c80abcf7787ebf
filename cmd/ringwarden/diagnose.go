package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"ringwarden/dashboard"
	"ringwarden/diagnosis"
	"ringwarden/fleet"
	"ringwarden/store"
)

func (a *app) diagnoseCommand() *cobra.Command {
	var o diagnoseOptions
	var from, to, swappedAt string
	c := &cobra.Command{
		Use:   "diagnose [FLEET-FILE]",
		Short: "Which cable or unit is it? Weigh the stored readings of a ring",
		Long: `Weigh the stored readings of a time and print, for each ring, what is suspected, how likely it is, the evidence in
sentences, what would tell more, and which cables to swap. It uses what the register map offers: counters of frames, a
sampled flag, or the calls and temperatures alone.

After a swap of two cables it says what the swap has shown: whether the trouble moved with the cable, stayed with the
jacks, or how long to wait until that is known. Swaps are taken from the notes, as in ringwarden note "swapped cables 2
and 5" --at mill/north or from the page of the cables; --swapped and --at name one that nobody wrote down, in place of them.

--json prints {"at": TIME, "rings": [...]}: each ring in the form of /api/v1/cables of the pages, which /api/v1/openapi.json
describes, calls and all, but without what that says of now.

While the daemon runs it is asked for the readings; it goes on meanwhile. --store names another database, such as a
backup. Nothing is changed. It is advice for whoever goes there; local code and licensed practice decide what may be
touched.`,
		Example: `  ringwarden diagnose fleet.yaml --ring mill/north
  ringwarden diagnose fleet.yaml --ring mill/north --from 30d --calls
  ringwarden diagnose fleet.yaml --json
  ringwarden diagnose fleet.yaml --swapped 'mill/north/alder>birch,mill/north/cedar>elm' --at '2026-03-01 12:00'`,
		Args: arguments(0, 1, "one fleet file at most"),
		RunE: func(c *cobra.Command, args []string) error {
			p, err := loadPlant(fleetPath(args))
			if err != nil {
				return err
			}
			now := time.Now()
			o.to = now
			for _, t := range []struct {
				flag, text string
				to         *time.Time
			}{{"--from", from, &o.from}, {"--to", to, &o.to}, {"--at", swappedAt, &o.at}} {
				if t.text == "" {
					continue
				}
				if *t.to, err = instant(t.flag, t.text, now, clocksOf(p.fleet).zone(fleet.Subject(o.ring))); err != nil {
					return err
				}
			}
			return a.diagnose(c.Context(), p.fleet, o)
		},
	}
	c.Flags().StringVar(&o.ring, "ring", "", "ring to look at, as in mill/north; otherwise all")
	c.Flags().StringVar(&from, "from", "7d", "where to begin: an instant or a day by the clock of the site, or how long ago, as in 7d")
	c.Flags().StringVar(&to, "to", "", "where to end, in the same ways; if left out, now")
	c.Flags().StringVar(&o.store, "store", "", "database to read in place of the fleet file's, such as a backup")
	c.Flags().BoolVar(&o.calls, "calls", false, "also list the float and equalize calls, and what a hop takes")
	c.Flags().BoolVar(&o.json, "json", false, "print JSON instead of text")
	c.Flags().StringVar(&o.swapped, "swapped", "", "two cables that were swapped, the suspected place first: LINK,LINK")
	c.Flags().StringVar(&swappedAt, "at", "", "when they were swapped")
	return c
}

type diagnoseOptions struct {
	ring, store, swapped string
	from, to, at         time.Time
	calls, json          bool
}

// A patient is a ring with its site.
type patient struct {
	site *fleet.Site
	ring *fleet.Ring
	*diagnosis.Ring
	first time.Time // instant of the first reading; zero: there is none
}

func (a *app) diagnose(ctx context.Context, f *fleet.Fleet, o diagnoseOptions) error {
	patients, ids, err := patientsOf(f, o.ring)
	if err != nil {
		return err
	}
	here, there, err := swappedLinks(patients, &o)
	if err != nil {
		return err
	}
	if here != "" {
		patients[here.Ring()].Swapped(here, there, o.at)
	}
	err = a.withHistory(ctx, f, o.store, func(h history) error {
		for n, err := range h.Notes(ctx, o.from, o.to) {
			if err != nil {
				return err
			}
			for _, p := range patients {
				if here == "" {
					p.Note(n)
				}
			}
		}
		for frame, err := range h.Frames(ctx, store.Query{Controllers: ids, From: o.from, To: o.to}) {
			if err != nil {
				return err
			}
			if p := patients[frame.Controller.Ring()]; p != nil {
				if p.first.IsZero() {
					p.first = frame.At
				}
				p.Put(&frame)
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	var weighed []dashboard.WeighedRing
	for i := range f.Sites {
		for k := range f.Sites[i].Rings {
			p := patients[f.Sites[i].Rings[k].ID]
			switch {
			case p == nil:
			case o.json:
				weighed = append(weighed, dashboard.WeighedRing{Ring: p.ring, Weighed: p.Ring, From: p.first})
			default:
				p.report(a.out, &o)
			}
		}
	}
	if o.json {
		return dashboard.WriteDiagnosis(a.out, o.to, weighed)
	}
	return nil
}

// patientsOf returns the rings to look at by their ids, and their controllers.
func patientsOf(f *fleet.Fleet, only string) (map[fleet.RingID]*patient, []fleet.ControllerID, error) {
	patients := map[fleet.RingID]*patient{}
	var ids []fleet.ControllerID
	var known []string
	for i := range f.Sites {
		for k := range f.Sites[i].Rings {
			r := &f.Sites[i].Rings[k]
			known = append(known, string(r.ID))
			if only != "" && only != string(r.ID) {
				continue
			}
			d := diagnosis.New(r, f.Periods)
			d.Zone = f.Sites[i].Zone
			patients[r.ID] = &patient{site: &f.Sites[i], ring: r, Ring: d}
			for _, c := range r.Controllers {
				ids = append(ids, c.ID)
			}
		}
	}
	if len(patients) == 0 && only != "" {
		return nil, nil, usageError{fmt.Errorf("--ring %q is no ring of the fleet; it has %s", only, strings.Join(known, ", "))}
	}
	return patients, ids, nil
}

// swappedLinks reads which cables were swapped; empty if none were.
func swappedLinks(patients map[fleet.RingID]*patient, o *diagnoseOptions) (here, there fleet.LinkID, err error) {
	switch {
	case o.swapped == "" && o.at.IsZero():
		return "", "", nil
	case o.swapped == "" || o.at.IsZero():
		return "", "", usageError{errors.New("--swapped and --at go together: which two cables, and when")}
	}
	first, second, ok := strings.Cut(o.swapped, ",")
	if !ok {
		return "", "", usageError{fmt.Errorf("--swapped %q names one cable; write LINK,LINK with the suspected place first", o.swapped)}
	}
	for _, text := range []string{first, second} {
		id := fleet.LinkID(strings.TrimSpace(text))
		found := false
		if p := patients[id.Ring()]; p != nil {
			for _, l := range p.ring.Links() {
				found = found || l.ID == id
			}
		}
		if !found {
			return "", "", usageError{fmt.Errorf("--swapped %q is no cable of the rings that are looked at; write it as in mill/north/alder>birch", id)}
		}
	}
	here, there = fleet.LinkID(strings.TrimSpace(first)), fleet.LinkID(strings.TrimSpace(second))
	if here.Ring() != there.Ring() {
		return "", "", usageError{errors.New("--swapped names cables of two rings; name two of one ring")}
	}
	return here, there, nil
}

func (p *patient) report(out io.Writer, o *diagnoseOptions) {
	fmt.Fprintf(out, "%s, %s (%s), times of %s\n", p.site.Name, p.ring.Name, p.ring.ID, p.site.Zone)
	if p.Newest().IsZero() {
		fmt.Fprint(out, "  No readings are stored of this time.\n\n")
		return
	}
	d := p.Diagnose()
	switch {
	case !d.Enough && d.Sound < 0.9:
		fmt.Fprintln(out, "  Not enough evidence yet.")
	case d.Sound > 0.5:
		fmt.Fprintf(out, "  Nothing seems wrong (%s).\n", likelihood(d.Sound))
	}
	for i := range d.Suspects {
		if s := &d.Suspects[i]; s.Probability >= 0.02 && !d.Unreached {
			p.suspect(out, i+1, s)
		}
	}
	for _, line := range []string{d.Needs, d.Swap} {
		say(out, "  ", line)
	}
	if o.calls {
		p.listCalls(out)
	}
	if t := d.Tested; t != nil {
		say(out, "  ", fmt.Sprintf("The swap of %s: %s", t.At.In(p.site.Zone).Format("2006-01-02 15:04"), t.Sentence))
	}
	fmt.Fprintln(out)
}

func (p *patient) suspect(out io.Writer, place int, s *diagnosis.Suspect) {
	what := s.Name
	switch s.What {
	case diagnosis.BadCable:
		what = "bad " + what + ", " + s.How
	case diagnosis.NotTakingPart:
		what += " takes no part in the ring"
	case diagnosis.DeadUnit:
		what += " is dead or off"
	}
	fmt.Fprintf(out, "  %d. %s  %s (%s)\n", place, likelihood(s.Probability), what, string(s.Link)+string(s.Unit))
	for _, e := range s.Evidence {
		say(out, "     ", e)
	}
	if s.What == diagnosis.BadCable && s.Probability > 0.5 {
		for _, w := range p.Why(s.Link).Sentences {
			say(out, "     ", w)
		}
	}
}

// say writes a sentence: wrapped on a terminal, and elsewhere as one line, which can be searched.
func say(out io.Writer, indent, sentence string) {
	switch {
	case sentence == "":
	case isTerminal(out):
		fmt.Fprint(out, wrap(sentence, width(out), indent))
	default:
		fmt.Fprintln(out, indent+sentence)
	}
}

// likelihood writes a probability. Nothing that is only reasoned is certain.
func likelihood(p float64) string {
	if p > 0.99 {
		return "over 99 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

func (p *patient) listCalls(out io.Writer) {
	if h := p.HopTime(); h.Calls > 0 {
		fmt.Fprintf(out, "  A hop takes between %s and %s (%s).\n", h.Low.Round(10*time.Millisecond), h.High.Round(10*time.Millisecond), count(h.Calls, "call", "calls"))
	}
	for _, c := range p.Calls() {
		steps := make([]string, 0, len(c.Steps))
		for _, s := range c.Steps {
			steps = append(steps, s.Unit.Slug())
		}
		fmt.Fprintf(out, "  %s %s, started by %s (%.0f %% sure): %s", c.From.In(p.site.Zone).Format(time.DateTime), c.Stage, c.Starter.Slug(), 100*c.Sure, strings.Join(steps, " > "))
		if len(c.Missing) > 0 {
			missing := make([]string, 0, len(c.Missing))
			for _, m := range c.Missing {
				missing = append(missing, m.Slug())
			}
			fmt.Fprintf(out, "; did not follow: %s", strings.Join(missing, ", "))
		}
		fmt.Fprintln(out)
	}
}
