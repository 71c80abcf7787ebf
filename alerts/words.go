package alerts

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"

	"ringwarden/fleet"
)

// words are what an alarm says to a person.
type words struct {
	text, advice, caution string
	figures               []fleet.Figure
}

// saying returns words whose text says where before it says what.
func (w *watch) saying(format string, args ...any) words {
	where := w.site.name
	if w.ring != nil && len(w.site.rings) > 1 {
		where += ", " + w.ring.name
	}
	return words{text: where + ": " + fmt.Sprintf(format, args...)}
}

// figure adds a number behind the text.
func (w *words) figure(name string, value float64, unit fleet.Unit) {
	w.figures = append(w.figures, fleet.Figure{Name: name, Value: value, Unit: unit})
}

const (
	cautionFault = "A faulted array can be live on metal that is normally grounded and safe to touch. Do not clear the trip or restart before the fault is " +
		"found. Never unload a spinning turbine except by its own brake or diversion load. Follow local code and leave this to " +
		"licensed practice; this program is advice, not a protective device."
	cautionTurbine = "A turbine that loses its load while it spins can run away. Slow or stop it only by its own brake, diversion load or intake valve, " +
		"as its manual says; keep people away from it. A faulted array can be live on grounded metal. Follow local code and leave this to " +
		"licensed practice; this program is advice, not a protective device."
	cautionEqualize = "An equalize makes a battery give off hydrogen and acid mist: ventilate, no flame or spark, protect eyes and hands. " +
		"Follow local code and the battery's own manual."
)

// clean returns a name as people wrote it, fit for one line on a terminal: without control characters.
func clean(name, otherwise string) string {
	name = strings.TrimSpace(strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || !unicode.IsPrint(r) && r != ' ' {
			return -1
		}
		return r
	}, name))
	if name == "" {
		return otherwise
	}
	return name
}

// list returns "Alder", "Alder and Birch", "Alder, Birch and 3 more".
func list(names []string) string {
	switch n := len(names); n {
	case 0:
		return "nobody"
	case 1:
		return names[0]
	case 2:
		return names[0] + " and " + names[1]
	case 3:
		return names[0] + ", " + names[1] + " and " + names[2]
	default:
		return fmt.Sprintf("%s, %s and %d more", names[0], names[1], n-2)
	}
}

// span returns a duration as people say it, with two parts at most: "45 s", "6 min 30 s", "3 h 5 min", "2 d 4 h".
func span(d time.Duration) string {
	if d < 0 {
		d = 0
	}
	if d > 0 && d < 100*time.Millisecond {
		return strconv.FormatFloat(math.Ceil(float64(d)/float64(time.Millisecond)), 'f', -1, 64) + " ms"
	}
	if d < time.Minute {
		return strconv.FormatFloat(math.Round(d.Seconds()*10)/10, 'f', -1, 64) + " s"
	}
	d = d.Round(time.Second)
	parts := []struct {
		size time.Duration
		unit string
	}{{24 * time.Hour, "d"}, {time.Hour, "h"}, {time.Minute, "min"}, {time.Second, "s"}}
	for i, p := range parts {
		if d < p.size {
			continue
		}
		s := fmt.Sprintf("%d %s", d/p.size, p.unit)
		if i+1 < len(parts) && d%p.size >= parts[i+1].size {
			s += fmt.Sprintf(" %d %s", d%p.size/parts[i+1].size, parts[i+1].unit)
		}
		return s
	}
	return d.String()
}

// ago says how long ago something was: "just now", "45 s ago".
func ago(d time.Duration) string {
	if d < time.Second {
		return "just now"
	}
	return span(d) + " ago"
}

// often says how often frames come, as people count: "a frame comes every 5 s", "25 frames come a second".
func often(every time.Duration) string {
	if every >= 950*time.Millisecond {
		return "a frame comes every " + span(every)
	}
	return strconv.FormatFloat(math.Round(10/every.Seconds())/10, 'f', -1, 64) + " frames come a second"
}

// count returns "1 hop", "2 hops".
func count(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

func oneDecimal(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }

// signed writes a number with its sign and two decimals.
func signed(v float64) string {
	s := strconv.FormatFloat(v, 'f', 2, 64)
	if v > 0 {
		return "+" + s
	}
	return s
}
