package dashboard

import (
	"html/template"
	"strings"
	"time"

	"ringwarden/alerts"
	"ringwarden/dashboard/draw"
	"ringwarden/fleet"
)

// An alarmView is an alarm as a page shows it.
type alarmView struct {
	fleet.Alarm
	ID         string // of its element: the same as long as it stands
	Class      string // of the style sheet
	Word       string // of its priority
	Mark       template.HTML
	StateIs    string
	Stood      string       // since when, and for how long
	Ends       string       // shelved or out of service: until when
	Where      string       // what people call the place
	Link       string       // where it is
	May        bool         // the reader may act
	Back       string       // where a form comes back to
	Asks       bool         // waits to be acknowledged
	Held       bool         // shelved or out of service
	IsOrder    bool         // a part of the fleet that is out of service, not an alarm
	Shelving   bool         // it can be shelved
	Unshelving bool         // it is shelved
	Compact    bool         // what can be done is folded away: the page is about something else
	Remarks    []remarkView // what people did and wrote, oldest first; on the page of alarms alone
}

func (v *visit) alarmView(a *fleet.Alarm) alarmView {
	zone := v.zoneOf(a.Subject)
	w := alarmView{
		Alarm: *a, ID: alarmID(a.AlarmKey), Class: "aside", Word: a.Priority.String(), StateIs: stateWords[a.State],
		Stood: "Since " + clock(a.Since, v.now, zone) + ", for " + lasted(v.now.Sub(a.Since)),
		Link:  v.linkTo(a.Subject), Where: sentenceCase(v.nameOf(a.Subject)), May: v.may, Back: v.path + "#" + alarmID(a.AlarmKey), IsOrder: a.Kind == alerts.KindOutOfService,
		Asks: a.State == fleet.Unacknowledged || a.State == fleet.ReturnedUnacknowledged,
		Held: a.State == fleet.Shelved || a.State == fleet.OutOfService,
	}
	if w.Compact = v.path != "/alarms"; w.Compact || len(v.plan.Sites) == 1 {
		w.Text = v.withoutSite(a) // the page says which one it is
	}
	w.Shelving, w.Unshelving = !w.Held && !w.IsOrder, a.State == fleet.Shelved
	if !a.Until.IsZero() {
		w.Ends = "Until " + clock(a.Until, v.now, zone)
	}
	w.Mark = draw.Mark(draw.Aside, 18)
	if a.State.Active() {
		w.Class, w.Mark = a.Priority.String(), draw.Mark(draw.StateOf(a.Priority), 18)
	}
	return w
}

// withoutSite returns an alarm's sentence without the site that it begins with.
func (v *visit) withoutSite(a *fleet.Alarm) string {
	id, _, _ := strings.Cut(string(a.Subject), "/")
	site := findSite(v.plan, fleet.SiteID(id))
	if site == nil {
		return a.Text
	}
	text, ok := strings.CutPrefix(a.Text, fleet.Line(site.Name, id)+": ")
	if !ok {
		return a.Text
	}
	return sentenceCase(text)
}

// alarmID returns an id for an element from an alarm's key.
func alarmID(k fleet.AlarmKey) string {
	return "alarm-" + strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '_'
	}, string(k.Kind)+"."+string(k.Subject))
}

func (v *visit) alarmViews(alarms []fleet.Alarm) []alarmView {
	views := make([]alarmView, len(alarms))
	for i := range alarms {
		views[i] = v.alarmView(&alarms[i])
	}
	return views
}

// zoneOf returns the clock of the site that a subject is in.
func (v *visit) zoneOf(subject fleet.Subject) *time.Location {
	id, _, _ := strings.Cut(string(subject), "/")
	if s := findSite(v.plan, fleet.SiteID(id)); s != nil {
		return s.Zone
	}
	if len(v.plan.Sites) == 1 {
		return v.plan.Sites[0].Zone
	}
	return time.UTC
}

// linkTo returns the page of a subject: a controller's own, or that of its site; empty if it has none.
func (v *visit) linkTo(subject fleet.Subject) string {
	if _, _, c := findController(v.plan, fleet.ControllerID(subject)); c != nil {
		return "/controllers/" + string(subject)
	}
	id, _, _ := strings.Cut(string(subject), "/")
	if s := findSite(v.plan, fleet.SiteID(id)); s != nil {
		return "/sites/" + id
	}
	return ""
}

// nameOf returns what people call a subject.
func (v *visit) nameOf(subject fleet.Subject) string {
	name := string(subject)
	if subject == fleet.Everywhere {
		return "everywhere"
	}
	for i := range v.plan.Sites {
		s := &v.plan.Sites[i]
		if subject == fleet.Subject(s.ID) {
			return s.Name
		}
		for r := range s.Rings {
			ring := &s.Rings[r]
			if subject == fleet.Subject(ring.ID) {
				return ring.Name
			}
			if !subject.Inside(fleet.Subject(ring.ID)) {
				continue
			}
			for _, c := range ring.Controllers {
				if subject == fleet.Subject(c.ID) {
					return c.Name
				}
			}
			for _, l := range ring.Links() {
				if subject == fleet.Subject(l.ID) {
					return "the cable from " + linkName(ring, l)
				}
			}
		}
	}
	return name
}
