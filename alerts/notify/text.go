package notify

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"ringwarden/fleet"
)

// headlineLimit bounds a subject line, in bytes: what a telephone shows.
const headlineLimit = 120

// advisory ends every message about an alarm.
const advisory = "This program is advice, not a protective device. Local code and licensed practice decide."

// clock is how an instant is written: as on the site's own wall, with the day.
func (p *plan) clock(at time.Time, subject fleet.Subject) string {
	zone := p.zone(subject)
	return at.In(zone).Format("Mon 2 Jan 2006, 15:04:05 ") + zone.String()
}

// oneLine makes one line of a text, fit for a header or a log: no control characters, not too long.
func oneLine(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case unicode.IsControl(r):
			return -1
		}
		return r
	}, s)
	return shorten(strings.Join(strings.Fields(s), " "), 400)
}

// headline says an item in a line that begins with what a reader sorts by.
func (p *plan) headline(i *Item) string {
	lead := map[News]string{
		Raised: capital(i.Alarm.Priority.String()), Returned: "Over", Explained: "Explained", Test: "Test", Reminder: "Still",
	}[i.News]
	return headlineOf(lead + ": " + cmp.Or(i.Alarm.Text, string(i.Alarm.Kind)+" on "+string(i.Alarm.Subject)))
}

// headlineOf makes a headline of a text. One that is too long ends where a part of the sentence ends, if the half of it or
// more is before that, and else with a whole word.
func headlineOf(text string) string {
	text = oneLine(text)
	if len(text) <= headlineLimit {
		return text
	}
	cut := shorten(text, headlineLimit)
	for _, end := range []string{"; ", ": ", ", "} {
		if at := strings.LastIndex(cut, end); at >= headlineLimit/2 {
			return cut[:at]
		}
	}
	if at := strings.LastIndexByte(cut, ' '); at >= headlineLimit/2 {
		return cut[:at] + "…"
	}
	return cut
}

// stop ends a sentence that has no end yet.
func stop(s string) string {
	if s = strings.TrimSpace(s); s == "" || strings.ContainsAny(s[len(s)-1:], ".!?") {
		return s
	}
	return s + "."
}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// subject returns the subject line of a message.
func (p *plan) subject(m *Message) string {
	if len(m.Items)+m.More == 1 {
		return p.headline(&m.Items[0])
	}
	standing, most := 0, fleet.Low
	for i := range m.Items {
		if m.Items[i].News == Raised || m.Items[i].News == Reminder {
			standing++
			most = max(most, m.Items[i].Alarm.Priority)
		}
	}
	n := len(m.Items) + m.More
	if standing == 0 {
		return fmt.Sprintf("Over: %d alarms", n)
	}
	still := fmt.Sprintf(", %d of them still there", standing)
	if m.More > 0 {
		still = "" // of those that it has no room for, nobody knows
	}
	return headlineOf(fmt.Sprintf("%s: %d alarms%s; first: %s", capital(most.String()), n, still, p.urgent(m)[0].Alarm.Text))
}

// urgent returns the items as a person should read them: what stands first, then the higher priority, then the older.
func (p *plan) urgent(m *Message) []Item {
	items := slices.Clone(m.Items)
	slices.SortStableFunc(items, func(a, b Item) int { return fleet.ByUrgency(a.Alarm, b.Alarm) })
	return items
}

// text returns a message as a colleague would write it.
func (p *plan) text(m *Message) string {
	var b strings.Builder
	if len(m.Items)+m.More == 1 {
		p.writeItem(&b, &m.Items[0])
	} else {
		p.writeDigest(&b, m)
	}
	if m.Items[0].News != Test {
		fmt.Fprintf(&b, "\n%s\n", advisory)
	}
	return b.String()
}

var digestReasons = map[string]string{
	digestFlood: "More alarms come than anybody can take one by one, so I gather them until it is calmer. Several at once often have one cause.",
	digestQuiet: "This came in your quiet hours and could wait.",
	digestFull:  "Earlier messages to you have not got through yet, so I have put these together.",
	digestAgain: "These still stand, and nobody has acknowledged them.",
}

func (p *plan) writeDigest(b *strings.Builder, m *Message) {
	fmt.Fprintf(b, "%s\n", digestReasons[m.Digest])
	for n, i := range p.urgent(m) {
		fmt.Fprintf(b, "\n%d. ", n+1)
		p.writeItem(b, &i)
	}
	if m.More > 0 {
		fmt.Fprintf(b, "\nThere were %d more, less urgent than these, which I have no room for; the alarm list has them all.\n", m.More)
	}
}

func (p *plan) writeItem(b *strings.Builder, i *Item) {
	a := &i.Alarm
	fmt.Fprintf(b, "%s\n", stop(a.Text))
	switch i.News {
	case Raised:
		fmt.Fprintf(b, "%sIt has been so since %s. %s\n", heldBack[i.Was], p.clock(a.Since, a.Subject), haste[a.Priority])
	case Reminder:
		fmt.Fprintf(b, "It has been so since %s, and nobody has acknowledged it. %s\n", p.clock(a.Since, a.Subject), haste[a.Priority])
	case Returned:
		p.writeEnd(b, i)
	case Explained:
		fmt.Fprintf(b, "Since %s another alarm explains this one, so I do not tell of it on its own any more.%s\n", p.clock(i.At, a.Subject), because(i.Why))
	case Test:
		return
	}
	if i.Times > 1 {
		fmt.Fprintf(b, "It came %d times.\n", i.Times)
	}
	if i.News == Raised || i.News == Reminder {
		p.writeDoing(b, a)
	}
	if i.News == Reminder {
		fmt.Fprintf(b, "To hear no more of it until it is over, acknowledge it on the page of alarms, or by: ringwarden alarms acknowledge %s '%s'\n", a.Kind, a.Subject)
	}
	fmt.Fprintf(b, "(%s on %s)\n", a.Kind, a.Subject)
}

// writeEnd says that an alarm is over. Where something can hurt, nobody is told that all is well: a ground fault that
// is no longer reported may still be there.
func (p *plan) writeEnd(b *strings.Builder, i *Item) {
	a := &i.Alarm
	if i.Why == "" {
		fmt.Fprintf(b, "That is over since %s; it began %s.", p.clock(i.At, a.Subject), p.clock(a.Since, a.Subject))
	} else {
		fmt.Fprintf(b, "I no longer watch this since %s%s; it began %s.", p.clock(i.At, a.Subject), because(i.Why), p.clock(a.Since, a.Subject))
	}
	switch {
	case a.Caution != "":
		fmt.Fprintf(b, " What caused it may still be there.\nCaution: %s\n", a.Caution)
	case i.Why == "":
		fmt.Fprint(b, " There is nothing to do, unless somebody has begun to work on it: tell them.\n")
	default:
		fmt.Fprint(b, "\n")
	}
}

// heldBack tells why an alarm comes that began long ago, or that was told of before.
var heldBack = map[fleet.AlarmState]string{
	fleet.Shelved:      "It was shelved until now, and stands. ",
	fleet.OutOfService: "It was out of service until now, and stands. ",
	fleet.Suppressed:   "Another alarm explained it until now, and does not any more. ",
}

var haste = map[fleet.Priority]string{
	fleet.High:   "Please see to it now.",
	fleet.Medium: "Please see to it today.",
	fleet.Low:    "It can wait for the next visit.",
}

// writeDoing says how sure it is, what to do first, and what can hurt.
func (p *plan) writeDoing(b *strings.Builder, a *fleet.Alarm) {
	for _, f := range a.Figures {
		if f.Name == "probability" && f.Value >= 0 && f.Value <= 1 {
			fmt.Fprintf(b, "How sure: about %.0f %%.\n", f.Value*100)
		}
	}
	if a.Advice != "" {
		fmt.Fprintf(b, "Do first: %s\n", a.Advice)
	}
	if a.Caution != "" {
		fmt.Fprintf(b, "Caution: %s\n", a.Caution)
	}
}

func because(why string) string {
	if why == "" {
		return ""
	}
	return " (" + why + ")"
}
