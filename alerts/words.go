package alerts

import (
	"fmt"
	"math"
	"strconv"
	"time"

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

// often says how often frames come, as people count: "a frame comes every 5 s", "25 frames come a second".
func often(every time.Duration) string {
	if every >= 950*time.Millisecond {
		return "a frame comes every " + fleet.Span(every)
	}
	return strconv.FormatFloat(math.Round(10/every.Seconds())/10, 'f', -1, 64) + " frames come a second"
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
