package alerts_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

var update = flag.Bool("update", false, "rewrite what the scripts expect; read the difference before you commit it")

// Each script is a story about a plant, with what the engine says. testdata/scripts/README.md says how to read and
// write them. If one fails, either a person would now be told something else, or at another time.
func TestScripts(t *testing.T) {
	files, err := filepath.Glob("testdata/scripts/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no scripts: %v", err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			t.Parallel()
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			got, err := play(string(data))
			if err != nil {
				t.Fatalf("%s: %v", file, err)
			}
			if *update {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			if diff := cmp.Diff(string(data), got); diff != "" {
				t.Errorf("%s tells another story (-want +got):\n%s", file, diff)
			}
		})
	}
}

// epoch is second nought of every script.
var epoch = time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)

// play runs a script, which may hold several stories, and returns it with its expectations as they turned out.
func play(text string) (string, error) {
	var out strings.Builder
	var s *story
	end := func() error {
		if s != nil && len(s.changes) > 0 {
			return fmt.Errorf("story ends with changes that no line expects: %s", s.take())
		}
		return nil
	}
	for i, line := range strings.SplitAfter(text, "\n") {
		body, _, _ := strings.Cut(strings.TrimRight(line, "\n"), "#")
		words := strings.Fields(body)
		var err error
		expects := strings.Contains(body, "->")
		switch {
		case expects && words[0] == "->": // written anew with the line that it belongs to
			continue
		case len(words) == 0:
		case words[0] == "story":
			err = end()
			s = newStory()
		case s == nil:
			err = fmt.Errorf("begin with a line 'story NAME'")
		case words[0] != "at":
			err = s.declare(words)
		default:
			var at time.Duration
			if at, err = duration(words[1]); err != nil {
				break
			}
			if expects {
				s.run(at)
				fmt.Fprintf(&out, "%-12s%s\n", "at "+words[1], s.take())
				continue
			}
			if personal[words[2]] {
				s.run(at)
			}
			s.run(at - time.Second)
			err = s.command(words[2:])
		}
		if err != nil {
			return "", fmt.Errorf("line %d: %w", i+1, err)
		}
		out.WriteString(line)
	}
	return out.String(), end()
}

// personal are the commands that a person gives after everything of their second has happened.
var personal = map[string]bool{"acknowledge": true, "shelve": true, "shelve-once": true, "unshelve": true, "out-of-service": true, "in-service": true}

// A story is one plant under test.
type story struct {
	fleet   fleet.Fleet
	engine  *alerts.Engine
	actors  []*actor
	acted   time.Duration // when a command was given last
	now     time.Duration // everything up to and including this second has happened
	poll    time.Duration
	links   string // what maps offer: counters, flag, age, none
	uptime  bool
	coarse  bool
	bank    fleet.Chemistry
	changes []string
}

// An actor is one controller as the script has it.
type actor struct {
	id     fleet.ControllerID
	slug   string
	values map[fleet.Quantity]*value
	mute   bool
	how    fleet.Outcome // mute: what its polls come to
	frozen []fleet.Value // what its registers stand still at; nil: they live
	booted time.Duration
	cable  cable // into it
	from   *actor
	phase  time.Duration
	layout *fleet.Layout
}

type value struct {
	number, perHour float64
	since           time.Duration
	quality         fleet.Quality
}

// A cable brings frames at a rate, of which a share is bad, evenly.
type cable struct {
	cut        bool
	every, bad float64
	owed, spot float64 // fractions of a frame, of a bad one
	good, junk uint64
	fine       bool
	heard      time.Duration
}

func newStory() *story {
	return &story{now: -time.Second, poll: 10 * time.Second, links: "counters", bank: fleet.FloodedLead, fleet: fleet.Fleet{
		Sites: []fleet.Site{{ID: "mill", Name: "Mill", Zone: time.UTC}},
	}}
}

var member = regexp.MustCompile(`^(\w+)(?:\(([^)]*)\))?$`)

// declare reads what a plant is made of.
func (s *story) declare(words []string) error {
	site := &s.fleet.Sites[0]
	switch words[0] {
	case "polls":
		var err error
		s.poll, err = duration(words[1])
		return err
	case "links":
		s.links = words[1]
	case "uptime":
		s.uptime = true
	case "coarse":
		s.coarse = true
	case "bank":
		s.bank = fleet.Chemistry(words[1])
	case "rule":
		return s.rule(words[1:])
	case "ring", "line":
		slug := strings.TrimSuffix(words[1], ":")
		r := fleet.Ring{
			ID: fleet.RingID("mill/" + slug), Name: title(slug), Open: words[0] == "line",
			Bank: fleet.Bank{Chemistry: s.bank, Nominal: 48, Cells: 24, TemperatureSlope: -0.005},
		}
		for _, w := range words[2:] {
			m := member.FindStringSubmatch(w)
			if m == nil {
				return fmt.Errorf("what is %q?", w)
			}
			c := fleet.Controller{ID: fleet.ControllerID(string(r.ID) + "/" + m[1]), Name: title(m[1]), Source: fleet.PV, Rated: 3000, Host: "192.0.2.7:502"}
			c.Intended.OnSharedFault = fleet.Trip
			for _, trait := range strings.FieldsFunc(m[2], func(r rune) bool { return r == ',' }) {
				switch trait {
				case "reference":
					c.Intended.TemperatureReference = true
				case "detector":
					c.Intended.FaultDetector = true
				case "wind", "hydro":
					c.Source, c.Intended.OnSharedFault = fleet.Source(trait), fleet.Stay
				case "brake":
					c.OwnBrake, c.Intended.OnSharedFault = true, fleet.Trip
				case "stay":
					c.Intended.OnSharedFault = fleet.Stay
				case "meant57.6":
					target, address := 57.6, 2
					c.Intended.Setpoints.Absorption, c.Intended.RingAddress = &target, &address
				default:
					return fmt.Errorf("what is a controller that is %q?", trait)
				}
			}
			if s.bank == fleet.Lithium {
				r.Bank.Cells, r.Bank.TemperatureSlope = 16, 0
			}
			r.Controllers = append(r.Controllers, c)
		}
		site.Rings = append(site.Rings, r)
	default:
		return fmt.Errorf("what is %q?", words[0])
	}
	return nil
}

// rule reads KIND [at SUBJECT] name=value...
func (s *story) rule(words []string) error {
	r := fleet.Rule{Kind: fleet.Kind(words[0]), Thresholds: map[string]float64{}}
	for _, w := range words[1:] {
		name, v, _ := strings.Cut(w, "=")
		switch name {
		case "at":
			r.At = fleet.Subject(v)
		case "disabled":
			yes := true
			r.Disabled = &yes
		case "on_delay", "off_delay":
			d, err := duration(v)
			if err != nil {
				return err
			}
			if name == "on_delay" {
				r.OnDelay = &d
			} else {
				r.OffDelay = &d
			}
		default:
			n, err := strconv.ParseFloat(v, 64)
			if err != nil {
				return err
			}
			r.Thresholds[name] = n
		}
	}
	s.fleet.Rules = append(s.fleet.Rules, r)
	return nil
}

// begin builds the plant: everybody is in bulk, and a good frame passes each cable every second.
func (s *story) begin() {
	if s.engine != nil {
		return
	}
	s.fleet.Periods = fleet.Periods{Fast: s.poll, Normal: s.poll, Slow: s.poll}
	s.engine = alerts.New(&s.fleet)
	for i := range s.fleet.Sites[0].Rings {
		r := &s.fleet.Sites[0].Rings[i]
		first := len(s.actors)
		for j := range r.Controllers {
			a := &actor{id: r.Controllers[j].ID, slug: r.Controllers[j].ID.Slug(), values: map[fleet.Quantity]*value{}, booted: -100 * time.Hour}
			a.phase = time.Duration(i) * s.poll / time.Duration(len(s.fleet.Sites[0].Rings))
			a.values[fleet.QuantityStage] = &value{number: float64(fleet.Bulk), quality: fleet.Good}
			a.values[fleet.Faults] = &value{quality: fleet.Good}
			a.cable = cable{every: 1, good: 65500, junk: 65530}
			s.actors = append(s.actors, a)
		}
		for _, l := range r.Links() {
			s.actors[first+l.To].from = s.actors[first+l.From]
		}
	}
}

// run lets time pass up to an instant, a second at a time.
func (s *story) run(to time.Duration) {
	s.begin()
	for s.now < to {
		s.now += time.Second
		asked := false
		for _, a := range s.actors {
			a.cable.pass(s.now, a.from != nil && !a.from.mute)
			if (s.now-a.phase)%s.poll == 0 && s.now >= a.phase {
				f := s.frame(a)
				s.engine.Put(&f)
				asked = true
			}
		}
		// Every second for a while after something happened, and later, to save time, whenever somebody was asked.
		if asked || s.now-s.acted < 10*time.Minute {
			s.note(s.engine.Advance(epoch.Add(s.now)))
		}
	}
}

func (c *cable) pass(now time.Duration, sending bool) {
	c.fine = false
	if c.cut || !sending {
		return
	}
	for c.owed += 1 / c.every; c.owed >= 1-1e-9; c.owed-- {
		if c.spot += c.bad; c.spot >= 1-1e-9 {
			c.spot--
			c.junk++
			continue
		}
		c.good++
		c.fine, c.heard = true, now
	}
}

// note writes changes down as a person would tell them.
func (s *story) note(changes []fleet.Change) {
	for _, c := range changes {
		a := &c.Alarm
		subject := string(a.Subject)
		subject = subject[strings.LastIndexByte(subject, '/')+1:]
		var line string
		switch a.State {
		case fleet.Unacknowledged:
			line = fmt.Sprintf("RAISED %s on %s (%s): %s", a.Kind, subject, a.Priority, a.Text)
			line += lacks(a)
		case fleet.ReturnedUnacknowledged:
			line = fmt.Sprintf("returned: %s on %s", a.Kind, subject)
		case fleet.Suppressed:
			line = fmt.Sprintf("suppressed: %s on %s, %s", a.Kind, subject, c.Why)
		case fleet.Shelved, fleet.OutOfService:
			line = fmt.Sprintf("%s: %s on %s until %s, was %s (%s)", a.State, a.Kind, subject, short(a.Until.Sub(epoch)), c.From, c.Why)
		case fleet.Acknowledged:
			line = fmt.Sprintf("acknowledged: %s on %s by %s", a.Kind, subject, c.Who)
		default:
			line = fmt.Sprintf("normal: %s on %s, was %s", a.Kind, subject, c.From)
			if c.Why != "" {
				line += ", " + c.Why
			}
		}
		if at := c.At.Sub(epoch); at != s.now {
			panic("a change of another instant")
		}
		s.changes = append(s.changes, fmt.Sprintf("%s: %s", short(s.now), line))
	}
}

// cautious are the kinds whose alarms can send somebody to where it is dangerous.
var cautious = map[fleet.Kind]bool{"fault-trip": true, "trip-not-shared": true, "turbine-unloaded": true}

// lacks says what an alarm that was raised should have and has not: something to do first, a caution where one is due,
// numbers, and the instants.
func lacks(a *fleet.Alarm) string {
	var lacking string
	if a.Advice == "" || !strings.HasSuffix(a.Advice, ".") {
		lacking += " LACKS ADVICE"
	}
	for _, phrase := range []string{"local code", "licensed", "not a protective device"} {
		if cautious[a.Kind] && !strings.Contains(a.Caution, phrase) {
			lacking += " LACKS CAUTION: " + phrase
		}
	}
	if a.Kind == "stage-split" && strings.Contains(a.Text, "are in equalize") && !strings.Contains(a.Caution, "hydrogen") {
		lacking += " LACKS CAUTION"
	}
	if a.Since.IsZero() || a.Raised.Before(a.Since) {
		lacking += " LACKS TIMES"
	}
	return lacking
}

// take returns what was noted since it was called last, as the lines of an expectation.
func (s *story) take() string {
	if len(s.changes) == 0 {
		return "-> nothing"
	}
	lines := "-> " + strings.Join(s.changes, "\n"+strings.Repeat(" ", 12)+"-> ")
	s.changes = nil
	return lines
}

func title(slug string) string { return strings.ToUpper(slug[:1]) + slug[1:] }

// short writes a duration without its zeros: 1h30m, 2d4h.
func short(d time.Duration) string {
	var s string
	if days := d / (24 * time.Hour); days > 0 {
		s, d = fmt.Sprintf("%dd", days), d%(24*time.Hour)
	}
	for _, p := range []struct {
		size time.Duration
		unit string
	}{{time.Hour, "h"}, {time.Minute, "m"}, {time.Second, "s"}} {
		if n := d / p.size; n > 0 {
			s += fmt.Sprintf("%d%s", n, p.unit)
			d %= p.size
		}
	}
	if s == "" {
		return "0s"
	}
	return s
}

// duration reads a duration, with d for days.
func duration(s string) (time.Duration, error) {
	days, rest, ok := strings.Cut(s, "d")
	if !ok {
		return time.ParseDuration(s)
	}
	n, err := strconv.Atoi(days)
	if err != nil || rest == "" {
		return time.Duration(n) * 24 * time.Hour, err
	}
	d, err := time.ParseDuration(rest)
	return time.Duration(n)*24*time.Hour + d, err
}
