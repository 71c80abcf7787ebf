package dashboard

import (
	"slices"
	"time"

	"ringwarden/alerts"
	"ringwarden/fleet"
)

// pastTime is how far back the page of alarms looks, and pastMost how many changes it shows.
const (
	pastTime = 7 * 24 * time.Hour
	pastMost = 200
)

// mostPlaces is how many places the form offers, of a large fleet the first ones; the API knows all.
const mostPlaces = 400

type changeView struct {
	At, What, Where, Who, Why string // Who is empty for the program itself
	Priority                  string
	Link                      string
	Raised                    bool
}

type alarmsPage struct {
	Active, Gone, Shelved, Out, Explained []alarmView
	Past                                  []changeView
	Omitted                               int
	Places                                []placeChoice
	Kinds                                 []kindChoice
	May                                   bool
	Days                                  int
	Fold                                  string       // how many are explained by others
	Figures                               *figuresView // nil where only the parts that change are wanted
}

// A placeChoice is a part of the fleet that can be taken out of service.
type placeChoice struct{ ID, Name string }

// A kindChoice is a kind of alarm that can be.
type kindChoice struct {
	Kind        fleet.Kind
	Word, About string
}

func (s *server) alarmsPage(v *visit) (*view, error) {
	d := &alarmsPage{May: v.may, Days: int(pastTime.Hours() / 24)}
	changes, err := s.past(v, d)
	if err != nil {
		return nil, err
	}
	said, err := s.remarks(v, changes)
	if err != nil {
		return nil, err
	}
	standing := slices.Clone(v.alarm)
	slices.SortStableFunc(standing, fleet.ByUrgency)
	for i := range standing {
		w := v.alarmView(&standing[i])
		w.Remarks = said.of(&standing[i])
		d.sort(&w)
	}
	d.Fold = counted(len(d.Explained), "alarm that goes with the one that explains it", "alarms that go with those that explain them")
	if v.may && !v.parts {
		d.Places, d.Kinds = v.places(), kindChoices()
	}
	if !v.parts {
		if d.Figures, err = s.figures(v); err != nil {
			return nil, err
		}
	}
	return &view{Title: "Alarms", Name: "alarms", Parts: []string{"now", "past"}, Data: d}, nil
}

// sort puts an alarm where its state belongs.
func (d *alarmsPage) sort(w *alarmView) {
	switch w.State {
	case fleet.Unacknowledged, fleet.Acknowledged:
		d.Active = append(d.Active, *w)
	case fleet.ReturnedUnacknowledged:
		d.Gone = append(d.Gone, *w)
	case fleet.Shelved:
		d.Shelved = append(d.Shelved, *w)
	case fleet.OutOfService:
		d.Out = append(d.Out, *w)
	case fleet.Suppressed:
		d.Explained = append(d.Explained, *w)
	}
}

// past adds the newest changes, newest first, and returns those that people made.
func (s *server) past(v *visit, d *alarmsPage) ([]fleet.Change, error) {
	var newest, people []fleet.Change // newest is a circle once it is full
	n := 0
	for c, err := range s.Alarms.Changes(v.ctx, v.now.Add(-pastTime), v.now.Add(time.Nanosecond)) {
		if err != nil {
			return nil, err
		}
		if c.Who != "" {
			people = append(people, c)
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
		d.Past = append(d.Past, changeView{
			clock(c.At, v.now, v.zoneOf(c.Alarm.Subject)), v.changeWords(c), sentenceCase(v.nameOf(c.Alarm.Subject)), c.Who, c.Why,
			c.Alarm.Priority.String(), v.linkTo(c.Alarm.Subject), c.Alarm.State == fleet.Unacknowledged,
		})
	}
	return people, nil
}

// changeWords says what a change was, with the alarm's own sentence where it began.
func (v *visit) changeWords(c *fleet.Change) string {
	switch c.Alarm.State {
	case fleet.Unacknowledged:
		if len(v.plan.Sites) == 1 {
			return "Raised: " + v.withoutSite(&c.Alarm)
		}
		return "Raised: " + c.Alarm.Text
	case fleet.AlarmNormal:
		return "Ended: " + alarmWord(c.Alarm.Kind)
	}
	return sentenceCase(stateWords[c.Alarm.State]) + ": " + alarmWord(c.Alarm.Kind)
}

func (v *visit) places() []placeChoice {
	var all []placeChoice
	add := func(id, name string) { all = append(all, placeChoice{id, name}) }
	for i := range v.plan.Sites {
		s := &v.plan.Sites[i]
		add(string(s.ID), s.Name)
		for r := range s.Rings {
			ring := &s.Rings[r]
			add(string(ring.ID), fleet.Line(s.Name, string(s.ID))+", ring "+fleet.Line(ring.Name, string(ring.ID)))
			for _, c := range ring.Controllers {
				add(string(c.ID), fleet.Line(s.Name, string(s.ID))+", "+lineName(&c))
			}
		}
		if len(all) > mostPlaces {
			break
		}
	}
	return all
}

func kindChoices() []kindChoice {
	var all []kindChoice
	for _, k := range alerts.Kinds() {
		if k.Subject != "store" { // the daemon itself is never out of service
			all = append(all, kindChoice{k.Kind, sentenceCase(alarmWord(k.Kind)), k.About})
		}
	}
	return all
}
