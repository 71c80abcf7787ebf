package fleet

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// Line returns a name as people wrote it, fit for one line on a terminal: without control characters. Where nothing is
// left it returns otherwise. It and those below are the turns that every sentence shares, whichever room says it.
func Line(name, otherwise string) string {
	name = strings.TrimSpace(strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return -1
		}
		return r
	}, name))
	if name == "" {
		return otherwise
	}
	return name
}

// List returns "nobody", "Alder", "Alder and Birch", "Alder, Birch and Cedar", "Alder, Birch and 2 more". Three names
// stand in full: they take no more room than two and a number.
func List(names []string) string {
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

// Count returns "1 hop", "2 hops".
func Count(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

// Span returns a duration as people say it, with two parts at most: "45 s", "6 min 30 s", "3 h 5 min", "2 d 4 h". A
// negative one is "0 s".
func Span(d time.Duration) string {
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

// Ago says how long ago something was: "just now", "45 s ago".
func Ago(d time.Duration) string {
	if d < time.Second {
		return "just now"
	}
	return Span(d) + " ago"
}
