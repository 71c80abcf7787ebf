package dashboard

import (
	"html/template"
	"slices"
	"strings"
	"time"

	"ringwarden/dashboard/draw"
	"ringwarden/fleet"
)

// An alarmView is an alarm as a page shows it.
type alarmView struct {
	fleet.Alarm
	ID       string // of its element: the same as long as it stands
	Class    string // of the style sheet
	Word     string // of its priority
	Mark     template.HTML
	StateIs  string
	Stood    string // since when, and for how long
	Ends     string // shelved or out of service: until when
	Link     string // where it is
	May      bool   // the reader may act
	Back     string // where a form comes back to
	Asks     bool   // waits to be acknowledged
	Held     bool   // shelved or out of service
	IsOrder  bool   // a part of the fleet that is out of service, not an alarm
	Shelving bool   // it can be shelved
}

// kindOutOfService is the kind under which a part of the fleet that is out of service stands among the alarms.
const kindOutOfService fleet.Kind = "out-of-service"

func (v *visit) alarmView(a *fleet.Alarm) alarmView {
	zone := v.zoneOf(a.Subject)
	w := alarmView{
		Alarm: *a, ID: alarmID(a.AlarmKey), Class: "aside", Word: a.Priority.String(), StateIs: stateWords[a.State],
		Stood: "Since " + clock(a.Since, v.now, zone) + ", for " + lasted(v.now.Sub(a.Since)),
		Link:  v.linkTo(a.Subject), May: v.may, Back: v.path, IsOrder: a.Kind == kindOutOfService,
		Asks: a.State == fleet.Unacknowledged || a.State == fleet.ReturnedUnacknowledged,
		Held: a.State == fleet.Shelved || a.State == fleet.OutOfService,
	}
	w.Shelving = !w.Held && !w.IsOrder
	if !a.Until.IsZero() {
		w.Ends = "Until " + clock(a.Until, v.now, zone)
	}
	w.Mark = draw.Mark(draw.Aside, 18)
	if a.State.Active() {
		w.Class, w.Mark = a.Priority.String(), draw.Mark(draw.StateOf(a.Priority), 18)
	}
	return w
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
					return "the cable from " + ring.Controllers[l.From].Name + " to " + ring.Controllers[l.To].Name
				}
			}
		}
	}
	return name
}

// pastTime is how far back the page of alarms looks, and pastMost how many changes it shows.
const (
	pastTime = 7 * 24 * time.Hour
	pastMost = 200
)

type changeView struct {
	At, What, Where, Who, Why string
	Priority                  string
	Link                      string
}

type alarmsPage struct {
	Active, Gone, Held, Explained []alarmView
	Past                          []changeView
	Omitted                       int
	Places                        []placeChoice
	May                           bool
	Days                          int
}

// A placeChoice is a part of the fleet that can be taken out of service.
type placeChoice struct{ ID, Name string }

func (s *server) alarmsPage(v *visit) (*view, error) {
	d := &alarmsPage{Active: v.alarmViews(activeAlarms(v.alarm)), May: v.may, Days: int(pastTime.Hours() / 24)}
	standing := slices.Clone(v.alarm)
	slices.SortStableFunc(standing, fleet.ByUrgency)
	for i := range standing {
		w := v.alarmView(&standing[i])
		switch standing[i].State {
		case fleet.ReturnedUnacknowledged:
			d.Gone = append(d.Gone, w)
		case fleet.Shelved, fleet.OutOfService:
			d.Held = append(d.Held, w)
		case fleet.Suppressed:
			d.Explained = append(d.Explained, w)
		}
	}
	if v.may {
		d.Places = v.places()
	}
	if err := s.past(v, d); err != nil {
		return nil, err
	}
	return &view{Title: "Alarms", Name: "alarms", Parts: []string{"now", "past"}, Data: d}, nil
}

// past adds the newest changes, newest first.
func (s *server) past(v *visit, d *alarmsPage) error {
	var newest []fleet.Change // a circle once it is full
	n := 0
	for c, err := range s.Alarms.Changes(v.ctx, v.now.Add(-pastTime), v.now.Add(time.Nanosecond)) {
		if err != nil {
			return err
		}
		if len(newest) < pastMost {
			newest = append(newest, c)
		} else {
			newest[n%pastMost] = c
		}
		n++
	}
	d.Omitted = n - len(newest)
	for i := range newest {
		c := &newest[(n-1-i)%pastMost]
		who := c.Who
		if who == "" {
			who = "ringwarden"
		}
		d.Past = append(d.Past, changeView{
			clock(c.At, v.now, v.zoneOf(c.Alarm.Subject)), changeWords(c), v.nameOf(c.Alarm.Subject), who, c.Why,
			c.Alarm.Priority.String(), v.linkTo(c.Alarm.Subject),
		})
	}
	return nil
}

// changeWords says what a change was, with the alarm's own sentence where it began.
func changeWords(c *fleet.Change) string {
	switch c.Alarm.State {
	case fleet.Unacknowledged:
		return "Raised: " + c.Alarm.Text
	case fleet.AlarmNormal:
		return "Ended: " + string(c.Alarm.Kind)
	}
	return sentenceCase(stateWords[c.Alarm.State]) + ": " + string(c.Alarm.Kind)
}

func (v *visit) places() []placeChoice {
	var all []placeChoice
	add := func(id, name string) { all = append(all, placeChoice{id, name}) }
	for i := range v.plan.Sites {
		s := &v.plan.Sites[i]
		add(string(s.ID), s.Name)
		for r := range s.Rings {
			ring := &s.Rings[r]
			add(string(ring.ID), s.Name+", ring "+ring.Name)
			for _, c := range ring.Controllers {
				add(string(c.ID), s.Name+", "+c.Name)
			}
		}
		if len(all) > 400 { // of a large fleet the first places; the API knows all
			break
		}
	}
	return all
}
